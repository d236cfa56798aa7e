"""The largest box in the unit cube that meets none of many others: branch and bound.

Sizes: n boxes to keep out of, d dimensions.
"""

from __future__ import annotations

from dataclasses import dataclass
from heapq import heappop, heappush
from itertools import count

import numpy as np

#: Comparisons of two boxes, at most: a few seconds.
BUDGET = 10_000_000


@dataclass(frozen=True)
class EmptyBox:
    """A box that meets none of the others.

    Parameters
    ----------
    low, high : ndarray, shape (d,)
        Its corners; both zero where there is none.
    volume : float
        Its volume.
    most : float
        No box without others in it is larger than this.
    """

    low: np.ndarray
    high: np.ndarray
    volume: float
    most: float


def largest_empty_box(
    low: np.ndarray,
    high: np.ndarray,
    *,
    seeds: np.ndarray | None = None,
    slack: float = 0.0,
    budget: int = BUDGET,
) -> EmptyBox:
    """Find the largest box in the unit cube whose inside meets none of some boxes.

    Parameters
    ----------
    low, high : ndarray, shape (n, d)
        Corners of the boxes to keep out of; touching is allowed.
    seeds : ndarray, shape (m, d), optional
        Points outside of all of them, from each of which a box is grown first; good ones save
        work, or give a larger box where the budget is spent.
    slack : float
        Stop once no box can be larger than the one found by more than this share.
    budget : int
        Comparisons of two boxes, at most.

    Returns
    -------
    EmptyBox
        The largest if `most` is its volume; else the largest that was found.

    Notes
    -----
    A box that avoids another one lies wholly on one of its 2 d sides. So the cube is cut on each
    side of the box nearest to its middle, and every part is cut in turn, the largest part first:
    the first part that needs no further cut is the largest empty box [1]_. Parts no larger than
    an empty one that is known, by following the largest cuts down, are given up.

    References
    ----------
    .. [1] Breuel TM, Proc Document Analysis Systems 2002, LNCS 2423:188 (from memory): the
       largest empty rectangles of a page.

    Examples
    --------
    >>> found = largest_empty_box(np.array([[0.6, 0.2]]), np.array([[0.7, 0.5]]))
    >>> found.low.tolist(), found.high.tolist(), found.volume == found.most
    ([0.0, 0.0], [0.6, 1.0], True)
    """
    d = low.shape[1]
    best = EmptyBox(np.zeros(d), np.zeros(d), 0.0, 0.0)
    whole = np.zeros(d), np.ones(d)
    for seed in () if seeds is None else seeds:
        grown = _grown(low, high, seed)
        best = max(best, grown, key=lambda one: one.volume)
    order = count()
    heap = [(-1.0, next(order), *whole, np.arange(len(low)))]
    looked = 0
    while heap:
        volume, _, lower, upper, inside = heappop(heap)
        if -volume <= best.volume * (1.0 + slack) or looked >= budget:
            return EmptyBox(best.low, best.high, best.volume, max(-volume, best.volume))
        # each part is followed down to an empty box, its siblings wait
        while True:
            looked += inside.size
            inside = _meeting(low, high, lower, upper, inside)
            size = float((upper - lower).prod())
            if not inside.size:
                if size > best.volume:
                    best = EmptyBox(lower, upper, size, size)
                break
            parts = _cut(low, high, lower, upper, inside)
            parts = [one for one in parts if one[0] > best.volume * (1.0 + slack)]
            if not parts:
                break
            parts.sort(key=lambda one: -one[0])
            for part, one, other in parts[1:]:
                heappush(heap, (-part, next(order), one, other, inside))
            _, lower, upper = parts[0]
    return EmptyBox(best.low, best.high, best.volume, best.volume)


def _grown(low: np.ndarray, high: np.ndarray, seed: np.ndarray) -> EmptyBox:
    """Return an empty box around a point: nearest boxes are cut off first, where least is lost."""
    d = low.shape[1]
    lower, upper = np.zeros(d), np.ones(d)
    inside = np.arange(len(low))
    while True:
        inside = _meeting(low, high, lower, upper, inside)
        if not inside.size:
            size = float((upper - lower).prod())
            return EmptyBox(lower, upper, size, size)
        ahead, behind = low[inside] - seed, seed - high[inside]
        gap = np.maximum(ahead, behind) / (upper - lower)
        nearest = inside[int(np.maximum(gap, 0.0).sum(axis=1).argmin())]
        # a cut keeps the seed, so it goes where the box lies ahead of it, or behind
        room = upper - lower
        kept = np.maximum(
            np.where(low[nearest] >= seed, (low[nearest] - lower) / room, -1.0),
            np.where(high[nearest] <= seed, (upper - high[nearest]) / room, -1.0),
        )
        axis = int(kept.argmax())
        if low[nearest, axis] >= seed[axis]:
            upper[axis] = low[nearest, axis]
        else:
            lower[axis] = high[nearest, axis]


def _meeting(
    low: np.ndarray, high: np.ndarray, lower: np.ndarray, upper: np.ndarray, among: np.ndarray
) -> np.ndarray:
    """Return the boxes, among some, that meet the inside of another one."""
    for axis in range(low.shape[1]):
        among = among[(low[among, axis] < upper[axis]) & (high[among, axis] > lower[axis])]
    return among


def _cut(
    low: np.ndarray, high: np.ndarray, lower: np.ndarray, upper: np.ndarray, inside: np.ndarray
) -> list[tuple[float, np.ndarray, np.ndarray]]:
    """Return the parts of a box beside the one in it that prunes most: volume and corners."""
    near = _pivot(low[inside], high[inside], lower, upper)
    pivot = inside[near]
    parts = []
    for axis in range(low.shape[1]):
        for edge, side in ((low[pivot, axis], upper), (high[pivot, axis], lower)):
            one, other = lower.copy(), upper.copy()
            (other if side is upper else one)[axis] = edge
            if one[axis] < other[axis]:
                parts.append((float((other - one).prod()), one, other))
    return parts


def _pivot(low: np.ndarray, high: np.ndarray, lower: np.ndarray, upper: np.ndarray) -> int:
    """Return the box that leaves least on its widest side: it prunes most."""
    width = upper - lower
    left = np.maximum((low - lower) / width, (upper - high) / width).max(axis=1)
    return int(left.argmin())
