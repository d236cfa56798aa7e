"""Drawn values that leave the bounds of the registry: their cases are marked, never solved."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from ebbmap.registries.derivations import ways
from ebbmap.registries.parameters import PARAMETERS

#: Mark on a labelled array whose values were drawn: one that leaves the registry's bounds marks
#: its case, where one that somebody wrote is an error.
DRAWN = "drawn"


def within_bounds(
    values: Mapping[str, np.ndarray], drawn: Iterable[str]
) -> tuple[dict[str, np.ndarray], Any]:
    """Replace drawn values that left their registry bounds by the default.

    Parameters
    ----------
    values : mapping of str to ndarray
        Parameters by name; shapes broadcast.
    drawn : iterable of str
        Those that were drawn.

    Returns
    -------
    values : dict of str to ndarray
    legal : ndarray of bool, shape (...), or None
        Where no drawn value left its bounds; None if none did anywhere.
    """
    legal, kept = None, dict(values)
    for name in drawn:
        value, entry = np.asarray(values[name]), PARAMETERS[name]
        # a comparison with NaN is false, so NaN is outside too
        if value.size and value.min() >= entry.low and value.max() <= entry.high:
            continue
        inside = (value >= entry.low) & (value <= entry.high)
        kept[name] = np.where(inside, value, entry.default)
        legal = inside if legal is None else legal & inside
    return kept, legal


def bar_leavers(values: Mapping[str, np.ndarray], drawn: Iterable[str]) -> dict[str, np.ndarray]:
    """Take P high from cases with a drawn value out of bounds: they become `out_of_domain`.

    Where P high comes from the plateau, that is taken instead.

    Parameters and return value as in `within_bounds`.

    Examples
    --------
    >>> bar_leavers({"compliance": np.array([50.0, -1.0])}, ["compliance"])["p_high"].tolist()
    [25.0, nan]
    """
    kept, legal = within_bounds(values, drawn)
    if legal is not None:
        through = [way.trigger for way in ways("p_high", kept)]
        barred = through[0] if through else "p_high"
        value = kept.get(barred, np.asarray(PARAMETERS[barred].default))
        kept[barred] = np.where(legal, value, np.nan)
    return kept
