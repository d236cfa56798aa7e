"""Release windows: the T low between which every hard limit holds, by root-finding.

Sizes: n lungs, k bounds, m places of a first coarse look.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import elementwise

from ebbmap.errors import EbbmapError

#: Places of the first look along T low; the edges are then found by root-finding.
LOOKS = 48

#: Relative step to either side of the best T low that tells which bound closes which side.
ASIDE = 1e-4

#: No bound closes this side: the window reaches the end of the range that was searched. It is
#: the last index, so that names can be looked up in a list that ends with "none".
OPEN = -1


@dataclass(frozen=True)
class Windows:
    """Release windows of n lungs.

    Parameters
    ----------
    lower, upper : ndarray, shape (n,)
        Edges [s]; NaN where there is no window.
    best, best_margin : ndarray, shape (n,)
        T low with the largest margin [s], and that margin (negative where there is no window).
    lower_bound, upper_bound : ndarray of int8, shape (n,)
        The hard bound that closes the window below and above; without a window, the bounds that
        exclude each other at the best T low. `OPEN` where the searched range ends first.
    """

    lower: np.ndarray
    upper: np.ndarray
    best: np.ndarray
    best_margin: np.ndarray
    lower_bound: np.ndarray
    upper_bound: np.ndarray


def release_windows(
    margins: Callable[[np.ndarray, np.ndarray], np.ndarray],
    lungs: int,
    *,
    low: float,
    high: float,
) -> Windows:
    """Find the window of every lung.

    Parameters
    ----------
    margins : callable
        ``margins(t_low, lung) -> (k, ...)``: margin of every hard bound at T low [s] for the
        lungs with these indices, both of shape (...).
    lungs : int
        How many lungs, n.
    low, high : float
        Range of T low to search [s], 0 < low < high.

    Returns
    -------
    Windows
        Where the safe T low fall into several pieces, the piece around the best one. A lung
        with a margin that is not a number anywhere has no window and NaN as its best.

    Raises
    ------
    EbbmapError
        If the range is empty or not positive.

    Notes
    -----
    The least margin is looked at on a logarithmic grid, its largest value is refined, and each
    edge is bracketed between the best T low and the nearest place outside. A window that is
    narrower than the grid is thus found as well.

    Examples
    --------
    >>> def rule(t_low, lung):
    ...     return np.stack([0.75 - np.exp(-t_low), np.exp(-t_low) - 0.5])
    >>> found = release_windows(rule, 1, low=0.01, high=10.0)
    >>> [round(float(edge[0]), 6) for edge in (found.lower, found.upper)]
    [0.287682, 0.693147]
    """
    if not 0 < low < high:
        raise EbbmapError(f"T low must be searched over 0 < low < high; got {low:g} to {high:g}.")
    every = np.arange(lungs)

    def least(log_t, lung):
        return margins(np.exp(log_t), lung.astype(int)).min(axis=0)

    def blamed(t, lung):
        every_margin = margins(t, lung)
        return np.where(np.isnan(every_margin).any(axis=0), OPEN, every_margin.argmin(axis=0))

    places = np.linspace(np.log(low), np.log(high), LOOKS)[:, None]
    grid = np.broadcast_to(places, (LOOKS, lungs))
    seen = least(grid, np.broadcast_to(every, grid.shape))
    known = ~np.isnan(seen).any(axis=0)
    seen = np.where(known, seen, -np.inf)
    top = seen.argmax(axis=0)
    best, best_margin = _refine(least, places[:, 0], seen, top, known)
    lower, low_side = _edge(least, places[:, 0], seen, best, best_margin, np.arange(LOOKS))
    upper, high_side = _edge(least, places[:, 0], seen, best, best_margin, -np.arange(LOOKS))
    exists = best_margin >= 0
    at = np.where(known, best, places[0, 0])
    below = np.where(exists, np.exp(lower), np.exp(at) * (1 - ASIDE))
    above = np.where(exists, np.exp(upper), np.exp(at) * (1 + ASIDE))
    closed_low = np.where(exists & low_side, OPEN, blamed(below, every))
    closed_high = np.where(exists & high_side, OPEN, blamed(above, every))
    return Windows(
        np.where(exists, np.exp(lower), np.nan),
        np.where(exists, np.exp(upper), np.nan),
        np.where(known, np.exp(best), np.nan),
        np.where(known, best_margin, np.nan),
        closed_low.astype(np.int8),
        closed_high.astype(np.int8),
    )


def _refine(least, places, seen, top, known):
    """Largest margin between the neighbours of the best place of the first look."""
    lung = np.arange(top.size)
    best, best_margin = places[top].copy(), seen[top, lung].copy()
    inner = np.flatnonzero(known & (top > 0) & (top < places.size - 1))
    if inner.size:
        bracket = tuple(places[top[inner] + step] for step in (-1, 0, 1))
        found = elementwise.find_minimum(
            lambda log_t, one: -least(log_t, one), bracket, args=(inner.astype(float),)
        )
        better = -found.f_x > best_margin[inner]
        best[inner] = np.where(better, found.x, best[inner])
        best_margin[inner] = np.where(better, -found.f_x, best_margin[inner])
    return best, best_margin


def _edge(least, places, seen, best, best_margin, order):
    """Edge of the window on one side, and whether the searched range ends before it.

    `order` ranks the places: the outside place of the highest rank short of the best is the
    nearest one.
    """
    short = (places[:, None] < best) if order[-1] > 0 else (places[:, None] > best)
    outside = short & (seen < 0)
    rank = np.where(outside, order[:, None], -places.size)
    nearest = places[rank.argmax(axis=0)]
    reaches_end = ~outside.any(axis=0)
    edge = np.full(best.shape, places[0] if order[-1] > 0 else places[-1])
    todo = np.flatnonzero((best_margin >= 0) & ~reaches_end)
    if todo.size:
        found = elementwise.find_root(
            least, (nearest[todo], best[todo]), args=(todo.astype(float),)
        )
        edge[todo] = found.x
    return edge, reaches_end
