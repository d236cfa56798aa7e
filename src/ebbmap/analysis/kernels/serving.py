"""How many lungs a T low serves, from their release windows.

Sizes: n lungs with edges of their windows, NaN where a lung has none; m places of T low.
"""

from __future__ import annotations

import numpy as np


def served_counts(lower, upper, places) -> np.ndarray:
    """Count the windows in which each place lies.

    Parameters
    ----------
    lower, upper : ndarray, shape (n,)
        Edges of the windows [s].
    places : ndarray, shape (m,)
        T low [s].

    Returns
    -------
    ndarray of int64, shape (m,)

    Examples
    --------
    >>> served_counts(np.array([0.2, 0.4]), np.array([0.5, 0.8]), np.array([0.3, 0.45])).tolist()
    [1, 2]
    """
    begun = np.searchsorted(np.sort(lower[~np.isnan(lower)]), places, side="right")
    ended = np.searchsorted(np.sort(upper[~np.isnan(upper)]), places, side="left")
    return begun - ended


def best_place_interval(lower, upper, places, *, resamples: int, level: float, seed: int):
    """Place that serves most lungs, and the interval of that place by the bootstrap over lungs.

    Parameters
    ----------
    lower, upper, places
        As in `served_counts`; places increase.
    resamples : int
        Bootstrap samples.
    level : float
        Level of the interval, 0 to 1.
    seed : int
        Seed of the resampling.

    Returns
    -------
    tuple of float
        Best place, lower and upper bound (percentiles), all NaN where no lung has a window.

    Examples
    --------
    >>> low, high = np.full(50, 0.3), np.full(50, 0.5)
    >>> best_place_interval(low, high, np.array([0.2, 0.4]), resamples=50, level=0.9, seed=0)
    (0.4, 0.4, 0.4)
    """
    inside = (lower[:, None] <= places) & (places <= upper[:, None])
    if not inside.any():
        return np.nan, np.nan, np.nan
    rng = np.random.default_rng(seed)
    n = lower.size
    counts = rng.multinomial(n, np.full(n, 1.0 / n), size=resamples)
    tops = places[(counts.astype(np.float32) @ inside.astype(np.float32)).argmax(axis=1)]
    low, high = np.quantile(tops, [0.5 - level / 2.0, 0.5 + level / 2.0])
    return float(places[inside.sum(axis=0).argmax()]), float(low), float(high)


def overlap_share(lower, upper, other_lower, other_upper) -> float:
    """Share of pairs of lungs, one of each group, whose windows overlap.

    Parameters
    ----------
    lower, upper : ndarray, shape (n,)
        Windows of one group [s].
    other_lower, other_upper : ndarray, shape (n',)
        Windows of the other.

    Returns
    -------
    float
        Of all pairs, so that a lung without a window overlaps with none.

    Notes
    -----
    Two windows miss each other if one ends before the other begins, never both: counting the
    ends below each beginning takes a sort instead of all pairs.

    Examples
    --------
    >>> one = np.array([0.2]), np.array([0.5])
    >>> overlap_share(*one, np.array([0.4, 0.6]), np.array([0.8, 0.9]))
    0.5
    """
    known, other_known = ~np.isnan(lower), ~np.isnan(other_lower)
    a, b = lower[known], upper[known]
    c, d = other_lower[other_known], other_upper[other_known]
    before = np.searchsorted(np.sort(b), c, side="left").sum()
    after = np.searchsorted(np.sort(d), a, side="left").sum()
    return float((a.size * c.size - before - after) / (lower.size * other_lower.size))
