"""Places along T low where margins change sign, become unknown, or turn beyond zero.

Sizes: n lungs, k bounds, m looks, c changes.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.optimize import elementwise

#: Steps of T low below this are rounding [1]: neither windows nor holes.
ROUNDING = 1e-12

#: A bend is followed where the margin is nearer to zero than this many times its change between
#: three looks [1]; a smooth margin stays within half of that change between them.
REACH = 1000.0

#: Instead of the number of a bound: the searched range ends here; a margin becomes unknown here.
#: Names can be looked up in a list that ends with "unknown", "none".
OPEN, UNKNOWN = -1, -2

Margins = Callable[[np.ndarray, np.ndarray], np.ndarray]

#: Of one bound of one lung, at logarithms of T low: by T low, lung and bound, shape (c,) each.
Margin = Callable[[np.ndarray, np.ndarray, np.ndarray], np.ndarray]

#: Lung, bound, and the two ends between which a root lies, shape (c,) each.
Brackets = tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]


def find_changes(
    margins: Margins, seen: np.ndarray, lungs: np.ndarray, places: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Find the places where a bound that matters changes sign or becomes unknown.

    A change of a bound does not matter where another is broken on both sides of it.

    Parameters
    ----------
    margins : callable
        As in `release_windows`.
    seen : ndarray, shape (k, m, n)
        Margins at the looks.
    lungs : ndarray of int, shape (n,)
        The lungs, as `margins` counts them.
    places : ndarray, shape (m,)
        Logarithms of the T low that are looked at.

    Returns
    -------
    tuple of ndarray, shape (c,)
        Number of the lung among these, logarithm of T low, and the bound, or `UNKNOWN`.
    """
    known, broken = ~np.isnan(seen), seen < 0

    def own(log_t: np.ndarray, lung: np.ndarray, bound: np.ndarray) -> np.ndarray:
        every = margins(np.exp(log_t), lungs[lung.astype(int)])
        margin: np.ndarray = every[bound.astype(int), np.arange(lung.size)]
        return margin

    # cells in which some bound is broken at both ends hide what the others do
    free: np.ndarray = np.logical_not((broken[:, 1:] & broken[:, :-1]).any(axis=0))
    flips = free & known[:, 1:] & known[:, :-1] & (broken[:, 1:] != broken[:, :-1])
    bound, cell, lung = np.nonzero(flips)
    gone, edge, beside = _losses(own, known, free, places)
    brackets = [
        (lung, bound, places[cell], places[cell + 1]),
        beside,
        _turning(own, _turns(seen, broken), broken, places),
    ]
    lung, bound, begin, end = (np.concatenate(column) for column in zip(*brackets, strict=True))
    root = _root(own, lung, bound, begin, end)
    sure = np.isfinite(root)
    # where a margin is unknown on the way to its root, the middle of the bracket tells
    lost, sides = lung[~sure], (begin[~sure], end[~sure])
    return (
        np.concatenate([gone, lung[sure], lost, lost]),
        np.concatenate([edge, root[sure], *sides]),
        np.concatenate(
            [
                np.full(gone.size, UNKNOWN),
                bound[sure],
                np.full(2 * lost.size, UNKNOWN),
            ]
        ),
    )


def _root(
    function: Margin, lung: np.ndarray, bound: np.ndarray, begin: np.ndarray, end: np.ndarray
) -> np.ndarray:
    """Find where a function changes sign, to rounding; NaN where it is unknown on the way."""
    if not lung.size:
        return np.empty(0)
    root: np.ndarray = elementwise.find_root(
        function, (begin, end), args=(lung * 1.0, bound * 1.0)
    ).x
    return root


def _losses(
    own: Margin, known: np.ndarray, free: np.ndarray, places: np.ndarray
) -> tuple[np.ndarray, np.ndarray, Brackets]:
    """Return where a margin becomes unknown, and brackets of its roots between there and a look."""
    vanish = free & (known[:, 1:] != known[:, :-1])
    bound, cell, lung = np.nonzero(vanish)

    def sign_of_known(log_t: np.ndarray, lung: np.ndarray, bound: np.ndarray) -> np.ndarray:
        return np.where(np.isnan(own(log_t, lung, bound)), -1.0, 1.0)

    edge = _root(sign_of_known, lung, bound, places[cell], places[cell + 1])
    if not lung.size:
        return lung, edge, (lung, bound, edge, edge)
    rising = known[:, 1:][vanish]
    beside = edge + np.where(rising, ROUNDING, -ROUNDING)
    look = np.where(rising, places[cell + 1], places[cell])
    here, there = own(beside, lung, bound), own(look, lung, bound)
    more = ~np.isnan(here) & ((here < 0) != (there < 0)) & ((look > beside) == rising)
    begin, end = np.minimum(beside, look)[more], np.maximum(beside, look)[more]
    return lung, edge, (lung[more], bound[more], begin, end)


def _turning(own: Margin, turns: np.ndarray, broken: np.ndarray, places: np.ndarray) -> Brackets:
    """Bracket both sides of each extremum of a margin that crosses zero between the looks."""
    bound, first, lung = np.nonzero(turns)
    before, here, after = (places[first + step] for step in range(3))
    if not lung.size:
        return lung, bound, before, after
    below = broken[bound, first + 1, lung]
    sign = np.where(below, -1.0, 1.0)
    extremum = elementwise.find_minimum(
        lambda log_t, lung, bound, sign: sign * own(log_t, lung, bound),
        (before, here, after),
        args=(lung * 1.0, bound * 1.0, sign),
    )
    # a margin of exactly zero is kept, so a minimum must go below it
    crosses = np.where(below, extremum.f_x <= 0, extremum.f_x < 0) & np.isfinite(extremum.x)
    lung, bound, place = lung[crosses], bound[crosses], extremum.x[crosses]
    return (
        np.append(lung, lung),
        np.append(bound, bound),
        np.append(before[crosses], place),
        np.append(place, after[crosses]),
    )


def _turns(seen: np.ndarray, broken: np.ndarray) -> np.ndarray:
    """Find three looks between which a margin may cross zero twice, shape (k, m - 2, n)."""
    before, here, after = seen[:, :-2], seen[:, 1:-1], seen[:, 2:]
    with np.errstate(invalid="ignore"):
        up, down = here - before, after - here
        low = (here >= 0) & (up <= 0) & (down >= 0)
        high = (here < 0) & (up >= 0) & (down <= 0)
        change = np.abs(up) + np.abs(down)
        near = (change > 0) & (np.abs(here) <= REACH * change)
    turns = (low | high) & near & np.isfinite(change)
    # a broken bound other than this one, at all three looks, hides it
    all_three = broken[:, :-2] & broken[:, 1:-1] & broken[:, 2:]
    turning: np.ndarray = turns & (all_three.sum(axis=0)[None] - all_three == 0)
    return turning
