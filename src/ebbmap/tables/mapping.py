"""Tables of factor mapping: which property sets the unsafe lungs apart."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import xarray as xr

from ebbmap.analyses.common.events import TOO_HIGH, TOO_LOW, event_words
from ebbmap.tables.common import by_rule_and_population, shown_places
from ebbmap.tables.model import Table, table


def tables(result: xr.Dataset) -> Iterator[Table]:
    """Yield the share of each event at three places, and the property that sets it apart most."""
    along, places = shown_places(result)
    rows = []
    for rule, name, found in by_rule_and_population(result):
        for event in (TOO_LOW, TOO_HIGH):
            own = found.sel(event=event)
            blamed = (_blamed(own.sel({along: place})) for place in places)
            rows.append((rule, name, event_words(event, along), *blamed))
    heads = ["rule", "population", "event", *(f"{along} {place:.3g}" for place in places)]
    title = f"what is to blame (distance with interval; {result.attrs['lungs']:,} lungs each)"
    yield table(title, heads, rows)


def _blamed(found: xr.Dataset) -> str:
    """Return the share of an event, and the property whose distribution it shifts most."""
    share = f"{100.0 * float(found['share']):.0f} %"
    if not np.isfinite(found["distance"]).any():
        return f"{share}; nothing to set apart"
    worst = found.isel(parameter=int(np.nanargmax(found["distance"].values)))
    low, high = worst["distance_interval"].values
    word = "high" if float(worst["direction"]) > 0 else "low"
    return (
        f"{share}; {word} {worst['parameter'].item()} "
        f"{float(worst['distance']):.2f} ({low:.2f} to {high:.2f})"
    )
