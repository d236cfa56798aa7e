"""Tables of screening: what may be fixed."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import xarray as xr

from ebbmap.tables.common import by_population
from ebbmap.tables.model import THOUSANDTHS, Column, Table, table


def tables(result: xr.Dataset) -> Iterator[Table]:
    """Yield an upper bound of each parameter's effect, and whether it can be fixed."""
    rows = []
    for name, found in by_population(result):
        for parameter in found["parameter"].values.astype(str):
            own = found.sel(parameter=parameter)
            if np.isfinite(own["evidence"]):
                verdict = "can be fixed" if int(own["fixable"]) == 1 else "keep"
                rows.append((name, parameter, float(own["evidence"]), verdict))
    count = result.attrs["base_size"]
    title = f"screening ({count} trajectories): effect over the largest, at most"
    columns = ["population", "parameter", Column("upper bound", THOUSANDTHS), "verdict"]
    yield table(title, columns, rows)
