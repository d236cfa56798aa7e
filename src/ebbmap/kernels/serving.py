"""How many lungs a T low serves, from their release windows.

Sizes: n lungs, p pieces of their windows at most, NaN beyond those that a lung has; m places of
T low. The pieces of a lung do not overlap.
"""

from __future__ import annotations

import numpy as np


def served_counts(lower: np.ndarray, upper: np.ndarray, places: np.ndarray) -> np.ndarray:
    """Count the lungs with each place in a piece of their window.

    Parameters
    ----------
    lower, upper : ndarray, shape (n, p) or (n,)
        Edges of the pieces [s].
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


def top_place(share: np.ndarray) -> int:
    """Return the place of the largest share, in the middle where neighbours share it.

    Parameters
    ----------
    share : ndarray, shape (m,)
        Along T low.

    Examples
    --------
    >>> top_place(np.array([0.5, 1.0, 1.0, 1.0, 0.2]))
    2
    """
    first = int(share.argmax())
    beyond = np.flatnonzero(share[first:] < share[first])
    last = share.size if not beyond.size else first + int(beyond[0])
    return (first + last - 1) // 2


def serves(lower: np.ndarray, upper: np.ndarray, places: np.ndarray) -> np.ndarray:
    """Return whether each place lies in a piece of each lung's window.

    Parameters
    ----------
    lower, upper : ndarray, shape (n, p) or (n,)
        Edges of the pieces [s].
    places : ndarray, shape (m,)
        T low [s].

    Returns
    -------
    ndarray of bool, shape (n, m)

    Examples
    --------
    >>> serves(np.array([[0.2, 0.6]]), np.array([[0.4, 0.9]]), np.array([0.3, 0.5])).tolist()
    [[True, False]]
    """
    inside = np.zeros((len(lower), np.size(places)), dtype=bool)
    for start, end in zip(_pieces(lower), _pieces(upper), strict=True):
        inside |= (start[:, None] <= places) & (places <= end[:, None])
    return inside


def _pieces(edges: np.ndarray) -> np.ndarray:
    """Return the edges by piece, shape (p, n)."""
    return np.reshape(edges, (len(edges), -1)).T


def best_place_interval(
    lower: np.ndarray,
    upper: np.ndarray,
    places: np.ndarray,
    *,
    resamples: int,
    level: float,
    seed: int,
) -> tuple[float, float, float]:
    """Find the place that serves most lungs, with a bootstrap interval over lungs.

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
    inside = serves(lower, upper, places)
    if not inside.any():
        return np.nan, np.nan, np.nan
    rng = np.random.default_rng(seed)
    n = len(lower)
    counts = rng.multinomial(n, np.full(n, 1.0 / n), size=resamples)
    tops = places[(counts.astype(np.float32) @ inside.astype(np.float32)).argmax(axis=1)]
    low, high = np.quantile(tops, [0.5 - level / 2.0, 0.5 + level / 2.0])
    return float(places[inside.sum(axis=0).argmax()]), float(low), float(high)


def overlap_share(
    lower: np.ndarray, upper: np.ndarray, other_lower: np.ndarray, other_upper: np.ndarray
) -> float:
    """Return the share of pairs of lungs, one of each group, whose windows overlap in some piece.

    Parameters
    ----------
    lower, upper : ndarray, shape (n, p) or (n,)
        Windows of one group [s].
    other_lower, other_upper : ndarray, shape (n', p') or (n',)
        Windows of the other.

    Returns
    -------
    float
        Of all pairs, so that a lung without a window overlaps with none.

    Examples
    --------
    >>> one = np.array([0.2]), np.array([0.5])
    >>> overlap_share(*one, np.array([0.4, 0.6]), np.array([0.8, 0.9]))
    0.5
    """
    meet = np.zeros((len(lower), len(other_lower)), dtype=bool)
    for a, b in zip(_pieces(lower), _pieces(upper), strict=True):
        for c, d in zip(_pieces(other_lower), _pieces(other_upper), strict=True):
            meet |= (a[:, None] <= d) & (c <= b[:, None])
    return float(meet.mean())
