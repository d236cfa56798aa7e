"""Tables of what drives the safety margin in a draft."""

from __future__ import annotations

import numpy as np
import xarray as xr

from ebbmap.registries.parameters import PARAMETERS
from ebbmap.tables.committee.common import groups_of, with_interval
from ebbmap.tables.model import HUNDREDTHS, NUMBER, Column, Table, table
from ebbmap.units import display


def parting_table(ds: xr.Dataset) -> Table:
    """Return how far each property parts the lungs served from the others."""
    columns = [
        "group",
        "property",
        Column("distance, 0 to 1", HUNDREDTHS),
        Column("median, lungs served", NUMBER),
        Column("median, other lungs", NUMBER),
        "unit",
    ]
    rows = []
    for group in groups_of(ds):
        parted = ds.sel(group=group)
        gaps = parted["gap"].values
        for place in np.argsort(-np.nan_to_num(gaps), kind="stable"):
            entry = PARAMETERS[str(parted["property"].values[place])]
            if np.isfinite(gaps[place]):
                rows.append(
                    (
                        group,
                        entry.long_name,
                        float(gaps[place]),
                        float(parted["served_median"][place]),
                        float(parted["other_median"][place]),
                        display(entry.units),
                    )
                )
    title = "What parts lungs with at least half of the range safe from the others"
    return table(title, columns, rows, name="parting")


def driver_table(ds: xr.Dataset) -> Table:
    """Return the total indices of the safety margin, place by place."""
    known = ("population", "outcome", "parameter")
    along = next(str(dim) for dim in ds["total"].dims if dim not in known)
    names = [str(name) for name in ds["parameter"].values]
    place_entry = PARAMETERS[along]
    columns = [
        "group",
        Column(place_entry.long_name, NUMBER, place_entry.units),
        *(Column(PARAMETERS[name].long_name, HUNDREDTHS, interval=True) for name in names),
    ]
    rows = []
    for group in ds["population"].values.astype(str):
        for place in ds[along].values:
            here = ds.sel({"population": group, along: place}).isel(outcome=0)
            indices = (with_interval(here.sel(parameter=name), "total") for name in names)
            rows.append((group, float(place), *indices))
    title = "Total Sobol indices of the safety margin"
    return table(title, columns, rows, name="drivers")
