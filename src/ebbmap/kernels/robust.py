"""Settings that serve as many lungs as can be, whatever is not known: arithmetic of the choice.

A *box* holds, along each of d axes, the places from one to another; a single setting is a box of
one place. Sizes: n lungs, g = (g1 ... gd) places, b = (b1 ... bd) boxes, m outer draws, k groups.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ebbmap.kernels.shares import wilson

#: What may be wanted of the shares of several groups: the least of them, or their mean.
WORST, MEAN = "worst", "mean"

#: Two goals that differ by less are one: shares are sums of whole numbers, divided.
SAME = 1e-12


def spans_of(places: np.ndarray, width: float) -> tuple[np.ndarray, np.ndarray]:
    """Return every stretch of an axis that is so wide: its first and its last place.

    Parameters
    ----------
    places : ndarray, shape (g,)
        Rising values.
    width : float
        Of a stretch, in their unit; 0 for single places.

    Returns
    -------
    first, last : ndarray of int, shape (b,)
        Empty where no two places are so far from each other.

    Examples
    --------
    >>> first, last = spans_of(np.array([0.3, 0.4, 0.5, 0.6]), 0.2)
    >>> first.tolist(), last.tolist()
    ([0, 1], [2, 3])
    """
    near = 1e-9 * max(float(np.ptp(places)), float(np.abs(places).max()))
    last = np.searchsorted(places, places + width - near)
    last = np.minimum(last, places.size - 1)
    found = np.abs(places[last] - places - width) <= near
    return np.flatnonzero(found), last[found]


def served_boxes(safe: np.ndarray, spans: Sequence[tuple[np.ndarray, np.ndarray]]) -> np.ndarray:
    """Return whether every setting of a box is safe for a lung.

    Parameters
    ----------
    safe : ndarray of bool, shape (g1, ..., gd, n)
        Whether a setting is safe for a lung.
    spans : sequence of (ndarray, ndarray), shapes (b1,) ... (bd,)
        First and last place of the boxes along each axis.

    Returns
    -------
    ndarray of bool, shape (b1, ..., bd, n)

    Examples
    --------
    >>> safe = np.array([[1, 0], [1, 1], [1, 1]], bool)
    >>> served_boxes(safe, [(np.array([0, 1]), np.array([1, 2]))]).astype(int).tolist()
    [[1, 0], [1, 1]]
    """
    for axis, (first, last) in enumerate(spans):
        broken = np.cumsum(~safe, axis=axis, dtype=np.int32)
        before = np.take(broken, np.maximum(first - 1, 0), axis=axis)
        shape = [1] * safe.ndim
        shape[axis] = first.size
        before = np.where(np.reshape(first > 0, shape), before, 0)
        safe = np.take(broken, last, axis=axis) == before
    return safe


def goal_of(share: np.ndarray, goal: str) -> np.ndarray:
    """Return what is wanted of the shares of groups, shape (k, ...) to (...)."""
    return np.asarray(share.min(axis=0) if goal == WORST else share.mean(axis=0))


def reached(goal: np.ndarray, sure: float | None) -> np.ndarray:
    """Return what a choice reaches over outer draws.

    Parameters
    ----------
    goal : ndarray, shape (m, ...)
        The goal in each draw.
    sure : float, optional
        Share of the draws in which it must be reached; the mean over draws if None.

    Returns
    -------
    ndarray, shape (...)

    Examples
    --------
    >>> goal = np.array([0.2, 0.6, 0.7, 0.9])
    >>> round(float(reached(goal, None)), 3), float(reached(goal, 0.75)), float(reached(goal, 0.76))
    (0.6, 0.6, 0.2)
    """
    if sure is None:
        return np.asarray(goal.mean(axis=0))
    needed = int(np.ceil(sure * len(goal) - 1e-9))
    return np.asarray(np.sort(goal, axis=0)[len(goal) - needed])


def best_place(value: np.ndarray) -> tuple[int, ...]:
    """Return the place of the largest value, nearest to the middle of those that share it.

    Parameters
    ----------
    value : ndarray, shape (b1, ..., bd)
        What each choice reaches.

    Examples
    --------
    >>> best_place(np.array([0.5, 1.0, 1.0, 1.0, 0.2]))
    (2,)
    """
    shared = np.argwhere(value >= value.max() - SAME)
    scaled = shared / np.maximum(np.array(value.shape) - 1, 1)
    away = ((scaled - scaled.mean(axis=0)) ** 2).sum(axis=1)
    return tuple(int(i) for i in shared[int(away.argmin())])


def lost_to_best(goal: np.ndarray, place: tuple[int, ...]) -> np.ndarray:
    """Return by how much the best choice of each draw does better than one choice.

    Parameters
    ----------
    goal : ndarray, shape (m, b1, ..., bd)
        The goal of each choice in each draw.
    place : tuple of int
        The choice.

    Returns
    -------
    ndarray, shape (m,)
        0 where none does better.

    Examples
    --------
    >>> lost_to_best(np.array([[0.5, 0.75], [0.5, 0.25]]), (1,)).tolist()
    [0.0, 0.25]
    """
    each = goal.reshape(len(goal), -1)
    lost = each.max(axis=1) - each[:, np.ravel_multi_index(place, goal.shape[1:])]
    return np.where(lost <= SAME, 0.0, lost)


def goal_interval(served: np.ndarray, goal: str, level: float) -> np.ndarray:
    """Return the interval of a goal from lungs that did not choose.

    Parameters
    ----------
    served : ndarray of bool, shape (k, ..., n)
        Whether each lung of each group is served; lungs of one number in several groups are drawn
        by the same random numbers.
    goal : str
        `WORST` or `MEAN`.
    level : float
        Level of the interval, in (0, 1).

    Returns
    -------
    ndarray, shape (2, ...)
        Lower and upper end.

    Notes
    -----
    The least of k shares lies below no interval's lower end that holds its share, so the least
    lower end needs no correction; the least upper end may belong to another group, so each upper
    end has a kth of the error (Bonferroni). The mean is one number for each number of a lung:
    Wilson's interval with as many trials as give a share the variance of these.

    Examples
    --------
    >>> served = np.array([[1] * 8 + [0] * 2, [1] * 10], bool)
    >>> goal_interval(served, "worst", 0.95).round(2).tolist()
    [0.49, 0.95]
    """
    k, n = len(served), served.shape[-1]
    if goal == WORST:
        counts = served.sum(axis=-1)
        low, _ = wilson(counts, n, level)
        _, high = wilson(counts, n, 1.0 - (1.0 - level) / k)
        return np.stack([low.min(axis=0), high.min(axis=0)])
    each = served.mean(axis=0)
    share = each.mean(axis=-1)
    variance = each.var(axis=-1, ddof=1) if n > 1 else np.zeros_like(share)
    plain = share * (1.0 - share)
    trials = np.where(variance > 0, n * plain / np.where(variance > 0, variance, 1.0), n)
    trials = np.where(trials > 0, trials, n)
    return np.stack(wilson(share * trials, trials, level))
