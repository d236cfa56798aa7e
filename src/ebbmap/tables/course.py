"""Tables of the course of CO2 after a change of settings."""

from __future__ import annotations

from collections.abc import Iterator

import xarray as xr

from ebbmap.tables.common import by_population
from ebbmap.tables.model import TENTHS, Column, Table, table

#: When the course is read in between [s].
READ_AT = 300.0


def tables(result: xr.Dataset) -> Iterator[Table]:
    """Yield PaCO2 before the change, soon after it, at the end of the course and in balance."""
    titles = (
        "PaCO₂ before",
        f"after {READ_AT / 60.0:g} min",
        "at the end of the course",
        "in balance",
    )
    rows = []
    for name, found in by_population(result):
        course = found["paco2"]
        values = (found["paco2_start"], course.interp(time=READ_AT), course[-1], found["paco2_end"])
        rows.append((name, *map(float, values)))
    columns = ["population", *(Column(title, TENTHS, "mmHg") for title in titles)]
    yield table(f"{result.attrs['title']}: {result.attrs['change']}", columns, rows)
