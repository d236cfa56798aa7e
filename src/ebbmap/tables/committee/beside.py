"""A draft beside conventional ventilation on the same lungs, as a table and as plain data."""

from __future__ import annotations

from typing import Any

import xarray as xr

from ebbmap.tables.committee.common import groups_of, with_interval
from ebbmap.tables.model import SHARE, Column, Table, table

#: Kinds of patients, and what they are called.
KINDS = {
    "better": "better off with the draft",
    "worse": "worse off",
    "both": "the same, unharmed by both",
    "neither": "the same, harmed by both",
}


def beside_table(ds: xr.Dataset) -> Table:
    """Return how many patients of each group are better off, worse off or the same."""
    columns = ["group", *(Column(words, SHARE, interval=True) for words in KINDS.values())]
    rows = [
        (name, *(with_interval(ds.sel(group=name), f"{kind}_share") for kind in KINDS))
        for name in groups_of(ds)
    ]
    title = (
        "The draft beside conventional ventilation at 6 mL/kg with a published PEEP table, on the "
        "same lungs at the same FiO2, both set well; patients of 100, with 95 % intervals"
    )
    return table(title, columns, rows, name="beside", notes=[str(ds.attrs["references"])])


def beside_data(ds: xr.Dataset) -> dict[str, Any]:
    """Return the same as plain data, by group."""
    return {
        name: {
            kind: {"share": share, "interval": [low, high]}
            for kind in KINDS
            for share, low, high in [with_interval(ds.sel(group=name), f"{kind}_share")]
        }
        for name in groups_of(ds)
    }
