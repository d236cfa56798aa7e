"""Tables of indices from lungs as they are."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import xarray as xr

from ebbmap.digits import share_text
from ebbmap.kernels.hsic import LEAST_CASES
from ebbmap.tables.common import (
    by_population,
    by_rule_and_population,
    leaders,
    margins_of,
    shown_places,
)
from ebbmap.tables.model import Table, table

#: A dependence is named where chance gives as much at most this often.
SURELY = 0.01


def tables(result: xr.Dataset) -> Iterator[Table]:
    """Yield the leading properties at three places, and those that bear on being unsafe."""
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
    if "target_hsic" in result:
        yield _unsafe_table(result, along, places)


def _unsafe_table(result: xr.Dataset, along: str, places: list[float]) -> Table:
    """Return which properties bear on being unsafe, and on the margin of the unsafe."""
    rows = []
    for rule, name, found in by_rule_and_population(result):
        for kind, words in (("target", "being unsafe"), ("conditional", "how far, among these")):
            cells = (_bearing(found.sel({along: place}), kind) for place in places)
            rows.append((rule, name, words, *cells))
    heads = ["rule", "population", "what depends", *(f"{along} {p:.3g}" for p in places)]
    title = (
        "properties that being unsafe depends on (normalised HSIC; those that chance gives in at "
        f"most {share_text(SURELY)} of permutations; association, not cause)"
    )
    return table(title, heads, rows)


def _bearing(found: xr.Dataset, kind: str) -> str:
    """Return the properties with a sure dependence, the largest first."""
    index, chance = found[f"{kind}_hsic"].values, found[f"{kind}_p_value"].values
    if np.isnan(index).all():
        unsafe = float(found["unsafe_share"])
        return f"fewer than {LEAST_CASES} lungs {'safe' if unsafe > 0.5 else 'unsafe'}"
    order = np.argsort(np.where(np.isnan(index), -np.inf, index), kind="stable")[::-1]
    names = found["parameter"].values.astype(str)
    lines = [f"{names[at]} {index[at]:.2f}" for at in order if chance[at] <= SURELY]
    return "\n".join(lines) or "none surely"
