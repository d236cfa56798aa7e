"""Tables of how T low is chosen, and of the release windows that it has to lie in."""

from __future__ import annotations

import numpy as np
import xarray as xr

from ebbmap.tables.committee.common import groups_of, with_interval
from ebbmap.tables.model import NUMBER, SHARE, Column, Table, table


def way_table(ds: xr.Dataset) -> Table:
    """Return the share of lungs that each way of choosing T low serves."""
    errors = ds["error"].values
    columns = [
        "group",
        "way of choosing T low",
        Column("target", NUMBER),
        *(Column(f"error {100.0 * error:.0f} %", SHARE, interval=True) for error in errors),
    ]
    rows = [
        (
            group,
            way,
            float(ds["target"].sel(group=group, way=way)[0]),
            *(
                with_interval(ds.sel(group=group, way=way, error=error), "served_share")
                for error in errors
            ),
        )
        for group in groups_of(ds)
        for way in ds["way"].values.astype(str)
    ]
    title = (
        "Share of lungs served by each way of choosing T low, by the relative error of the "
        "measured time constant; target: T low [s], multiple or ratio chosen without error"
    )
    return table(title, columns, rows, name="ways")


def window_table(ds: xr.Dataset) -> Table:
    """Return how many lungs have a release window, how wide, and what T low serves most."""
    columns = [
        "group",
        Column("lungs with a window", SHARE),
        Column("width, lower quartile", NUMBER, "s"),
        Column("width, median", NUMBER, "s"),
        Column("width, upper quartile", NUMBER, "s"),
        Column("best T low", NUMBER, "s", interval=True),
        Column("other lungs it serves", SHARE, interval=True),
        Column("undetermined whether they have a window", SHARE),
    ]
    drawn = ds["population"].values.astype(str)
    rows = []
    for name in groups_of(ds):
        group = ds.sel(group=name)
        widths = (
            ds["width"].sel(population=name).values
            if name in drawn
            else np.full(ds.sizes["quantile"], np.nan)
        )
        rows.append(
            (
                name,
                float(group["window_share"]),
                *map(float, widths),
                with_interval(group, "best_t_low"),
                with_interval(group, "best_served_share"),
                float(group["window_undetermined_share"]),
            )
        )
    title = "Release windows, other settings half-way through the draft"
    return table(title, columns, rows, name="windows")


def overlap_table(ds: xr.Dataset) -> Table:
    """Return how often the windows of two lungs overlap, by their groups."""
    names = ds["population"].values.astype(str)
    columns = ["group", *(Column(f"with {name}", SHARE) for name in names)]
    rows = [(name, *map(float, ds["overlap"].sel(population=name).values)) for name in names]
    title = "Share of pairs of lungs whose release windows overlap"
    return table(title, columns, rows, name="overlap")
