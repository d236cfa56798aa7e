"""Release windows: every piece of T low in which all hard limits hold, by root-finding.

Each bound's own margin is followed along T low, since it is smooth where the least of several
has kinks: where it changes sign, where it becomes unknown, and where it turns near zero. Between
the places so found nothing changes, so one judgement tells what lies there.
Sizes: n lungs, k bounds, m looks, p pieces at most, q undetermined ones at most.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import elementwise

from ebbmap.errors import EbbmapError
from ebbmap.kernels.changes import OPEN, ROUNDING, UNKNOWN, Margins, find_changes
from ebbmap.kernels.judging import least_margin

#: Relative step of T low between two looks [1]. A window or a hole at least this wide (0.01 s at
#: T low 0.5 s) always holds a look and is found; of narrower ones those are found that two bounds
#: or one turn of a bound's margin, seen from the looks, leave open.
RESOLUTION = 0.02

#: Relative step to either side of the best T low that tells which bound fails on which side [1].
ASIDE = 1e-4

#: Looks by lungs that are held at a time.
BLOCK = 2**17

#: No piece.
NO_PIECE = -1

_SAFE, _UNSAFE, _UNKNOWN = 0, 1, 2


@dataclass(frozen=True)
class Windows:
    """Release windows of n lungs: pieces of T low in which every hard bound is surely kept.

    Parameters
    ----------
    lower, upper : ndarray, shape (n, p)
        Edges of the pieces [s], in increasing order; NaN beyond the pieces that a lung has.
    lower_bound, upper_bound : ndarray of int8, shape (n, p)
        The hard bound that closes the piece below and above; `OPEN` where the searched range
        ends first, `UNKNOWN` where it cannot be judged beyond.
    count : ndarray of int64, shape (n,)
        Pieces that a lung has.
    best_piece, widest_piece : ndarray of int64, shape (n,)
        The piece with the largest margin, and the longest in seconds; `NO_PIECE` without any.
    best, best_margin : ndarray, shape (n,)
        T low with the largest least margin [s], and that margin: negative where no piece is;
        NaN where nothing is determined.
    shorter_fails, longer_fails : ndarray of int8, shape (n,)
        The bounds that close the best piece; without a piece, those that are broken most just
        below and above the best T low.
    unknown_lower, unknown_upper : ndarray, shape (n, q)
        Pieces of T low that could not be determined [s], as `lower` and `upper`.
    """

    lower: np.ndarray
    upper: np.ndarray
    lower_bound: np.ndarray
    upper_bound: np.ndarray
    count: np.ndarray
    best_piece: np.ndarray
    widest_piece: np.ndarray
    best: np.ndarray
    best_margin: np.ndarray
    shorter_fails: np.ndarray
    longer_fails: np.ndarray
    unknown_lower: np.ndarray
    unknown_upper: np.ndarray

    @property
    def undetermined(self) -> np.ndarray:
        """Whether no piece was found and some T low could not be determined, shape (n,)."""
        return (self.count == 0) & ~np.isnan(self.unknown_lower).all(axis=1)


def looks(low: float, high: float, resolution: float = RESOLUTION) -> np.ndarray:
    """Logarithms of the T low that are looked at, shape (m,).

    Examples
    --------
    >>> np.exp(looks(0.5, 0.52, 0.02)).round(4).tolist()
    [0.5, 0.5099, 0.52]
    """
    count = int(np.ceil(np.log(high / low) / np.log1p(resolution)))
    return np.linspace(np.log(low), np.log(high), max(count, 2) + 1)


def release_windows(
    margins: Margins,
    lungs: int,
    *,
    low: float,
    high: float,
    resolution: float = RESOLUTION,
) -> Windows:
    """Find the window of every lung, all pieces of it.

    Parameters
    ----------
    margins : callable
        ``margins(t_low, lung) -> (k, ...)``: margin of every hard bound at T low [s] for the
        lungs with these indices, whose shapes broadcast to (...); NaN where it is not known.
    lungs : int
        How many lungs, n.
    low, high : float
        Range of T low to search [s], 0 < low < high.
    resolution : float
        Relative step of T low between two looks [1]: pieces and holes at least this wide are
        found.

    Returns
    -------
    Windows
        A place with a broken bound is outside whatever else is unknown there; one with an
        unknown margin and no broken bound is undetermined, neither inside nor outside.

    Raises
    ------
    EbbmapError
        If the range or the resolution is empty or not positive.

    Notes
    -----
    Edges are roots of one bound's margin, found to rounding: where a margin changes sign between
    two looks, and on both sides of an extremum that crosses zero between them. A window narrower
    than the looks is thus found where one bound opens it and another closes it.

    Examples
    --------
    >>> def rule(t_low, lung):
    ...     return np.stack([0.75 - np.exp(-t_low), np.exp(-t_low) - 0.5]) + 0.0 * lung
    >>> windows = release_windows(rule, 1, low=0.01, high=10.0)
    >>> [round(float(edge[0, 0]), 6) for edge in (windows.lower, windows.upper)]
    [0.287682, 0.693147]
    """
    if not 0 < low < high:
        raise EbbmapError(f"T low must be searched over 0 < low < high; got {low:g} to {high:g}.")
    if not resolution > 0:
        raise EbbmapError(f"the resolution of T low must be > 0; got {resolution:g}.")
    places = looks(low, high, resolution)
    step = max(1, BLOCK // places.size)
    parts = [
        _search(margins, np.arange(start, min(start + step, lungs)), places, (low, high))
        for start in range(0, lungs, step)
    ]
    return _joined(parts)


def _search(margins: Margins, lungs: np.ndarray, places: np.ndarray, ends) -> Windows:
    """Windows of some lungs."""

    def seconds(log_t):
        # the ends of the range are meant as they were given, not to rounding
        t_low = np.where(log_t == places[0], ends[0], np.exp(log_t))
        return np.where(log_t == places[-1], ends[1], t_low)

    n, every = lungs.size, np.arange(lungs.size)
    seen = np.asarray(margins(np.exp(places)[:, None], lungs[None, :]))
    seen = np.broadcast_to(seen, (seen.shape[0], places.size, n))
    owner, begin, end, closing, state = _parts(margins, seen, lungs, places)
    safe, unknown = state == _SAFE, state == _UNKNOWN
    top, top_margin = _best_of_pieces(
        margins, seen, lungs, places, owner[safe], begin[safe], end[safe]
    )
    slot, count = _slots(owner[safe], n)
    lower, upper, best, height = (
        _table(owner[safe], slot, column, n, np.nan)
        for column in (begin[safe], end[safe], top, top_margin)
    )
    lower_bound, upper_bound = (
        _table(owner[safe], slot, side[safe], n, OPEN).astype(np.int8) for side in closing
    )
    lower, upper = seconds(lower), seconds(upper)
    some = count > 0
    best_piece = np.where(some, np.where(np.isnan(height), -np.inf, height).argmax(axis=1), -1)
    length = np.where(np.isnan(lower), -np.inf, upper - lower)
    widest = np.where(some, length.argmax(axis=1), NO_PIECE)
    chosen = np.maximum(best_piece, 0)
    best, best_margin = best[every, chosen], height[every, chosen]
    shorter, longer = (side[every, chosen] for side in (lower_bound, upper_bound))
    lost = np.flatnonzero(~some)
    if lost.size:
        best[lost], best_margin[lost] = _nearest(margins, seen[:, :, lost], lungs[lost], places)
        shorter[lost] = _blamed(margins, best[lost] + np.log1p(-ASIDE), lungs[lost])
        longer[lost] = _blamed(margins, best[lost] + np.log1p(ASIDE), lungs[lost])
    slot, _ = _slots(owner[unknown], n)
    lost_lower, lost_upper = (
        seconds(_table(owner[unknown], slot, column, n, np.nan))
        for column in (begin[unknown], end[unknown])
    )
    edges, best_t_low = (lower, upper, lower_bound, upper_bound), seconds(best)
    blamed, unknown_edges = (shorter, longer), (lost_lower, lost_upper)
    picked = best_piece, widest, best_t_low, best_margin
    return Windows(*edges, count, *picked, *blamed, *unknown_edges)


def _parts(margins: Margins, seen, lungs, places):
    """Parts of T low in one state: lung, beginning, end, what closes both sides, and the state."""
    row, place, bound = find_changes(margins, seen, lungs, places)
    n = lungs.size
    every = np.arange(n)
    row = np.concatenate([every, row, every])
    place = np.concatenate([np.full(n, places[0]), place, np.full(n, places[-1])])
    bound = np.concatenate([np.full(n, OPEN), bound, np.full(n, OPEN)])
    # the ends of the range come first and last, also where a change lies on them
    kind = np.repeat([0, 1, 2], [n, place.size - 2 * n, n])
    order = np.lexsort((place, kind, row))
    row, place, bound = row[order], place[order], bound[order]
    wide = (row[1:] == row[:-1]) & (np.diff(place) > ROUNDING)
    left, right = np.flatnonzero(wide), np.flatnonzero(wide) + 1
    least = _least(margins, 0.5 * (place[left] + place[right]), lungs[row[left]])
    state = np.where(np.isnan(least), _UNKNOWN, np.where(least < 0, _UNSAFE, _SAFE))
    # neighbours of one lung in the same state are one part
    first = np.append(True, (row[left][1:] != row[left][:-1]) | (np.diff(state) != 0))
    last = np.append(first[1:], True)
    left, right = left[first], right[last]
    return row[left], place[left], place[right], (bound[left], bound[right]), state[first]


def _best_of_pieces(margins: Margins, seen, lungs, places, owner, begin, end):
    """T low with the largest least margin of each piece, log [s], and that margin."""
    least = least_margin(seen)
    # the look with the largest margin in the piece, or the middle of a piece without one
    first = np.searchsorted(places, begin, side="left")
    last = np.searchsorted(places, end, side="right") - 1
    best = 0.5 * (begin + end)
    height = _least(margins, best, lungs[owner])
    before, after = begin.copy(), end.copy()
    for piece in np.flatnonzero(last >= first):
        inside = least[first[piece] : last[piece] + 1, owner[piece]]
        if np.isnan(inside).all():
            continue
        top = int(np.nanargmax(inside))
        at = first[piece] + top
        if inside[top] >= height[piece]:
            best[piece], height[piece] = places[at], inside[top]
            before[piece] = max(begin[piece], places[max(at - 1, 0)])
            after[piece] = min(end[piece], places[min(at + 1, places.size - 1)])
    return _climb(margins, lungs[owner], before, best, after, height)


def _nearest(margins: Margins, seen, lungs, places):
    """T low at which the least margin is largest where no piece is, and that margin."""
    least = least_margin(seen)
    known = ~np.isnan(least)
    some = known.any(axis=0)
    top = np.where(known, least, -np.inf).argmax(axis=0)
    height = least[top, np.arange(top.size)]
    inner = some & (top > 0) & (top < places.size - 1)
    best = np.where(some, places[top], np.nan)
    at = np.flatnonzero(inner)
    best[at], height[at] = _climb(
        margins, lungs[at], places[top[at] - 1], best[at], places[top[at] + 1], height[at]
    )
    return best, height


def _climb(margins: Margins, lungs, before, best, after, height):
    """Largest least margin between two places, from one between them."""
    best, height = best.copy(), height.copy()
    sides = [_least(margins, edge, lungs) for edge in (before, after)]
    inner = np.flatnonzero(
        (before < best) & (best < after) & (sides[0] <= height) & (sides[1] <= height)
    )
    if inner.size:
        lowest = elementwise.find_minimum(
            lambda log_t, row: -_least(margins, log_t, lungs[row.astype(int)]),
            (before[inner], best[inner], after[inner]),
            args=(inner * 1.0,),
        )
        better = -lowest.f_x > height[inner]
        best[inner] = np.where(better, lowest.x, best[inner])
        height[inner] = np.where(better, -lowest.f_x, height[inner])
    return best, height


def _least(margins: Margins, log_t, lungs) -> np.ndarray:
    if not lungs.size:
        return np.empty(0)
    return least_margin(margins(np.exp(log_t), lungs))


def _blamed(margins: Margins, log_t, lungs) -> np.ndarray:
    """Bound that is broken most; `UNKNOWN` where that cannot be told."""
    undetermined = np.isnan(log_t)
    every = margins(np.exp(np.where(undetermined, 0.0, log_t)), lungs)
    lost = undetermined | np.isnan(least_margin(every))
    return np.where(lost, UNKNOWN, np.where(np.isnan(every), np.inf, every).argmin(axis=0))


def _slots(owner: np.ndarray, n: int) -> tuple[np.ndarray, np.ndarray]:
    """Return each entry's number among those of its owner, and how many each owner has."""
    count = np.bincount(owner, minlength=n)
    return np.arange(owner.size) - np.repeat(np.cumsum(count) - count, count), count


def _table(owner, slot, column, n: int, blank) -> np.ndarray:
    """Put entries of a ragged list into rows, shape (n, at least 1)."""
    table = np.full((n, int(slot.max(initial=0)) + 1), blank, dtype=np.result_type(column, blank))
    table[owner, slot] = column
    return table


def _joined(parts: list[Windows]) -> Windows:
    """Put the lungs of several searches together, with as many pieces as any lung has."""
    columns = {}
    for name in Windows.__dataclass_fields__:
        arrays = [getattr(part, name) for part in parts]
        if arrays[0].ndim == 2:
            width = max(array.shape[1] for array in arrays)
            blank = np.nan if arrays[0].dtype.kind == "f" else OPEN
            arrays = [
                np.pad(a, ((0, 0), (0, width - a.shape[1])), constant_values=blank) for a in arrays
            ]
        columns[name] = np.concatenate(arrays)
    return Windows(**columns)
