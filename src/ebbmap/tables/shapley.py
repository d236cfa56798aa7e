"""Tables of Shapley effects."""

from __future__ import annotations

from collections.abc import Iterator

import xarray as xr

from ebbmap.tables.common import by_population, leaders, margins_of, shown_places
from ebbmap.tables.model import Table, table


def tables(result: xr.Dataset) -> Iterator[Table]:
    """Yield the leading factors at three places, and what the correlations change."""
    along, places = shown_places(result)
    rows = []
    for name, found in by_population(result):
        for number, outcome in enumerate(margins_of(result)):
            own = found.sel(outcome=outcome, dependence="correlated")
            shares = (leaders(own.sel({along: place}), "effect") for place in places)
            rows.append((name, outcome, *shares, "" if number else found["change"].item()))
    heads = ["population", "outcome", *(f"{along} {place:.3g}" for place in places)]
    size = result.attrs["base_size"]
    title = f"shares of the safety margin's variance (Shapley effect, N = {size})"
    yield table(title, [*heads, "what the correlations change most"], rows)
