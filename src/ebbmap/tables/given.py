"""Tables of indices from lungs as they are."""

from __future__ import annotations

from collections.abc import Iterator

import xarray as xr

from ebbmap.tables.common import by_population, leaders, margins_of, shown_places
from ebbmap.tables.model import Table, table


def tables(result: xr.Dataset) -> Iterator[Table]:
    """Yield the leading properties at three places: all that goes with one, and only its own."""
    along, places = shown_places(result)
    rows = []
    for name, found in by_population(result):
        for outcome in margins_of(result):
            own = found.sel(outcome=outcome)
            for index, words in (("first", "correlated"), ("independent_total", "on its own")):
                shares = (leaders(own.sel({along: place}), index) for place in places)
                rows.append((name, outcome, words, *shares))
    heads = ["population", "outcome", "property", *(f"{along} {place:.3g}" for place in places)]
    title = (
        "shares of the safety margin's variance from lungs as they are (correlated: first-order "
        "index; on its own: what stays when all others are known; "
        f"{result.attrs['lungs']:,} lungs each)"
    )
    yield table(title, heads, rows)
