"""Tables of two outcomes traded against each other."""

from __future__ import annotations

from collections.abc import Iterator

import xarray as xr

from ebbmap.tables.common import by_rule_and_population
from ebbmap.tables.model import Table, table


def tables(result: xr.Dataset) -> Iterator[Table]:
    """Yield whether any setting keeps all limits."""
    rows = [
        (rule, name, str(found["answer"].values))
        for rule, name, found in by_rule_and_population(result)
    ]
    heads = ["rule", "population", "does a setting keep all limits?"]
    yield table(result.attrs["title"], heads, rows)
