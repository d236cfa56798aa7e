"""Tables of collapse and reopening within one cycle."""

from __future__ import annotations

from collections.abc import Iterator

import xarray as xr

from ebbmap.tables.common import by_population
from ebbmap.tables.model import HUNDREDTHS, LUNG_SHARE, Cell, Column, Table, table


def tables(result: xr.Dataset) -> Iterator[Table]:
    """Yield what closes and reopens at the release times drawn, and at the longest of each rule."""
    columns = [
        "population",
        "release",
        Column("T low", HUNDREDTHS, "s"),
        Column("flow ratio", LUNG_SHARE),
        Column("closes", LUNG_SHARE),
        Column("if units closed at once", LUNG_SHARE),
        Column("reopens in T high", LUNG_SHARE),
    ]
    rows = [row for name, found in by_population(result) for row in _rows(name, found)]
    yield table(result.attrs["title"], columns, rows)


def _rows(name: str, found: xr.Dataset) -> Iterator[tuple[Cell, ...]]:
    for t_low in found["release"].values:
        here = found.sel(release=t_low, t_low=t_low)
        shares = ("flow_ratio", "closed_per_release", "closed_by_pressure", "reopened")
        yield name, "as drawn", float(t_low), *(float(here[key]) for key in shares)
    for rule in found["rule"].values.astype(str):
        last = found.sel(rule=rule, end="last")
        t_low = float(last["rule_t_low"])
        yield name, f"longest by {rule}", t_low, None, float(last["rule_closed"]), None, None
