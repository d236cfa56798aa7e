"""Tables of limits that can hold together, and of those that exclude each other."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import xarray as xr

from ebbmap.tables.common import by_rule_and_population, number_cell, number_column
from ebbmap.tables.model import HUNDREDTHS, SHARE, Column, Table, table

#: Two margins whose ranks agree as well as this bound one quantity.
ALIKE = 0.95


def tables(result: xr.Dataset) -> Iterator[Table]:
    """Yield how many lungs can keep all limits, what excludes what, and which limits are alike."""
    held, apart, joined, alike = [], [], [], []
    for rule, name, found in by_rule_and_population(result):
        held.append((rule, name, number_cell(found, "held_share")))
        apart += [(rule, name, *row) for row in _listed(found, "excluding")]
        joined += [(rule, name, *row) for row in _listed(found, "largest")]
        alike += [(rule, name, *row) for row in _alike(found["rank_correlation"])]
    first = ["rule", "population"]
    notes = [str(text) for text in result["identity"].values if text]
    share = Column("lungs", SHARE)
    title = "lungs that can keep all limits"
    columns = [*first, number_column(result, "held_share", title, SHARE)]
    yield table(result.attrs["title"], columns, held, notes=notes)
    yield table("limits that exclude each other", [*first, "limits", share], apart)
    yield table("limits that hold together", [*first, "limits", share], joined)
    if alike:
        columns = [*first, "limit", "other limit", Column("rank correlation", HUNDREDTHS)]
        yield table("limits that bound one quantity", columns, alike)


def _listed(found: xr.Dataset, name: str) -> Iterator[tuple[str, float]]:
    for text, share in zip(found[name].values, found[f"{name}_share"].values, strict=True):
        if share > 0:
            yield str(text) or "none", float(share)


def _alike(ranks: xr.DataArray) -> Iterator[tuple[str, str, float]]:
    names = ranks["bound"].values.astype(str)
    values = ranks.transpose("bound", "other_bound").values
    for i, j in np.argwhere(np.triu(np.abs(np.nan_to_num(values)) >= ALIKE, 1)):
        yield str(names[i]), str(names[j]), float(values[i, j])
