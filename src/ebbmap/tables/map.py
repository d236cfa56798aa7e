"""Tables of safe-region maps."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import xarray as xr

from ebbmap.analyses.common.stand_in import surrogate_notes
from ebbmap.tables.common import by_rule_and_population, number_cell, number_column
from ebbmap.tables.model import NUMBER, SHARE, Cell, Column, Table, table


def tables(result: xr.Dataset) -> Iterator[Table]:
    """Yield where on each map the largest share of lungs is safe."""
    y, x = (str(dim) for dim in result["safe_share"].dims[-2:])
    columns = [
        "rule",
        "population",
        number_column(result, "safe_share", "largest share", SHARE),
        Column(f"at {x}", NUMBER, result[x].attrs.get("units", "1")),
        Column(f"at {y}", NUMBER, result[y].attrs.get("units", "1")),
        Column("undetermined", SHARE),
        Column("no steady state", SHARE),
    ]
    over_limits = "averaged_share" in result
    if over_limits:
        columns.append(Column("there, averaged over the limits' uncertainty", SHARE))
    rows: list[tuple[Cell, ...]] = []
    for rule, name, found in by_rule_and_population(result):
        share, unknown = found["safe_share"].values, float(found["undetermined_share"].mean())
        row, column = np.unravel_index(int(share.argmax()), share.shape)
        largest: tuple[Cell, ...] = ("none determined", None, None)
        if unknown < 1:
            there = found.isel({y: row, x: column})
            largest = (number_cell(there, "safe_share"), float(there[x]), float(there[y]))
        rows.append((rule, name, *largest, unknown, float(found["unsteady_share"].mean())))
        if over_limits:
            rows[-1] += (float(found["averaged_share"].values[row, column]),)
    notes = list(surrogate_notes(result))
    yield table(f"safe share over {x} and {y}", columns, rows, notes=notes)
