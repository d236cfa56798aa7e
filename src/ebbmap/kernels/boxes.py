"""Patient rule induction: a box of parameter ranges that holds the cases with an event.

A box is peeled: from all cases, a thin slice at a time is cut off where cases without the event
gather [1]_. It is then pasted: given back what can be given back. Each peel takes the slice that
raises the density most for each case given up. Where no box on the way is dense enough, halves of
each property are peeled too. Among the boxes on the way, the widest that is dense enough is
pasted: an edge moves out, or away altogether, while the box stays dense enough.
Coverage and density are those of [2]_.
Sizes: n cases, d properties, t steps, m resamples.

References
----------
.. [1] Friedman JH, Fisher NI. Stat Comput 1999;9:123-143, doi:10.1023/A:1008894516817
.. [2] Bryant BP, Lempert RJ. Technol Forecast Soc Change 2010;77:34-49,
   doi:10.1016/j.techfore.2009.08.002
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from ebbmap.errors import DesignMismatchError, EbbmapError
from ebbmap.kernels.contrast import check_finite
from ebbmap.kernels.resampling import RandomSource

#: Share of the cases in the box that one peel cuts off, and that one paste gives back.
PEEL_SHARE = 0.05
PASTE_SHARE = 0.01

#: A box is not peeled below this share of all cases.
LEAST_SUPPORT = 0.02


@dataclass(frozen=True)
class Box:
    """The chosen box, and the trajectory of boxes that led to it.

    Parameters
    ----------
    lower, upper : ndarray, shape (d,)
        Edges, both inside; infinite where a property is not restricted.
    coverage, density, support : float
        Share of the events that lie in the box, share of the box that are events, share of all
        cases in the box [1].
    step : int
        The step of the trajectory from which the box was pasted.
    path_lower, path_upper : ndarray, shape (t, d)
        Edges after each peel; the first step is everything.
    path_coverage, path_density, path_support : ndarray, shape (t,)
        As above, after each peel.
    """

    lower: np.ndarray
    upper: np.ndarray
    coverage: float
    density: float
    support: float
    step: int
    path_lower: np.ndarray
    path_upper: np.ndarray
    path_coverage: np.ndarray
    path_density: np.ndarray
    path_support: np.ndarray


@dataclass(frozen=True)
class Stability:
    """What becomes of a box on other cases.

    Parameters
    ----------
    restricted : ndarray, shape (d, 2)
        Share of the resamples in which the lower and the upper edge are restricted [1].
    edges : ndarray, shape (d, 2, 2)
        Lower and upper bound of the interval of each edge, over the resamples that restrict it.
    coverage, density : ndarray, shape (2,)
        Interval of coverage and density on the cases that a resample left out [1]: a box is
        fitted to its own cases and looks better there than it is.
    """

    restricted: np.ndarray
    edges: np.ndarray
    coverage: np.ndarray
    density: np.ndarray


def inside(values: np.ndarray, lower: np.ndarray, upper: np.ndarray) -> np.ndarray:
    """Return whether cases, shape (n, d), lie in a box, shape (n,)."""
    within: np.ndarray = np.all((values >= lower) & (values <= upper), axis=1)
    return within


def find_box(values: npt.ArrayLike, events: npt.ArrayLike, *, density: float = 0.9) -> Box:
    """Find the box of a wanted density that covers most events.

    Parameters
    ----------
    values : array_like, shape (n, d)
        Properties of the cases.
    events : array_like of bool, shape (n,)
        Whether the event holds.
    density : float
        Share of the box that must be events; where no box has it, the densest one is chosen.

    Returns
    -------
    Box
        The box and its trajectory.

    Raises
    ------
    EbbmapError
        If `density` is not in (0, 1], a value is not finite, or there is no event.
    DesignMismatchError
        If values and events do not have the same cases.

    Examples
    --------
    >>> x = np.random.default_rng(0).random((2000, 2))
    >>> box = find_box(x, x[:, 0] > 0.6, density=0.99)
    >>> box.lower.round(2).tolist(), box.upper.tolist(), round(box.coverage, 1)
    ([0.6, -inf], [inf, inf], 1.0)
    """
    x, happens = np.asarray(values, float), np.asarray(events, bool)
    _check_box(x, happens, density)
    step, columns = _chosen(_peel(x, happens, *_everything(x)), density)
    if columns[3][step] < density:
        halves = (_chosen(_peel(x, happens, *half), density) for half in _halves(x, happens))
        reached = [(step, columns), *halves]
        step, columns = max(reached, key=lambda one: _rank(one[1], one[0], density))
    lower, upper, coverage, dense, support = columns
    low, high = _paste(x, happens, lower[step], upper[step], min(density, dense[step]))
    chosen = inside(x, low, high)
    hits = happens[chosen].sum()
    worth = float(hits / happens.sum()), float(hits / chosen.sum()), float(chosen.mean())
    return Box(low, high, *worth, step, lower, upper, coverage, dense, support)


def _everything(x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    return np.full(x.shape[1], -np.inf), np.full(x.shape[1], np.inf)


def _halves(x: np.ndarray, happens: np.ndarray) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """Yield the halves of each property: events in opposite corners hide each other in the whole.

    A half without an event, or one that is everything since a value is shared, is left out.
    """
    for j, middle in enumerate(np.median(x, axis=0)):
        for below in (True, False):
            lower, upper = _everything(x)
            (upper if below else lower)[j] = middle
            within = inside(x, lower, upper)
            if happens[within].any() and not within.all():
                yield lower, upper


def _chosen(
    path: list[tuple[np.ndarray, np.ndarray, float, float, float]], density: float
) -> tuple[int, list[np.ndarray]]:
    """Return the step of a path that covers most at the density, or the densest, and the path."""
    columns = [np.array(column) for column in zip(*path, strict=True)]
    coverage, dense = columns[2], columns[3]
    enough = np.flatnonzero(dense >= density)
    step = int(enough[np.argmax(coverage[enough])]) if enough.size else int(np.argmax(dense))
    return step, columns


def _rank(columns: list[np.ndarray], step: int, density: float) -> tuple[float, float]:
    """Rank boxes: by density up to the wanted one, then by coverage."""
    return min(float(columns[3][step]), density), float(columns[2][step])


def _check_box(x: np.ndarray, happens: np.ndarray, density: float) -> None:
    """Refuse cases, events or a density that no box can be found for."""
    if x.ndim != 2 or happens.shape != x.shape[:1]:
        raise DesignMismatchError(
            f"values and events must have the same rows; got {x.shape} and {happens.shape}."
        )
    check_finite(x)
    if not 0.0 < density <= 1.0:
        raise EbbmapError(f"density must be in (0, 1]; got {density}. 0.9 is usual.")
    if not happens.any():
        raise EbbmapError("a box needs at least one case with the event; there is none.")


def box_stability(
    values: npt.ArrayLike,
    events: npt.ArrayLike,
    *,
    density: float = 0.9,
    resamples: int = 50,
    level: float = 0.95,
    rng: RandomSource = None,
) -> Stability:
    """Find the box again on resampled cases.

    Parameters
    ----------
    values, events, density
        As in `find_box`.
    resamples : int
        Bootstrap resamples m of the cases, >= 2.
    level : float
        Share of the resamples between the bounds of an interval, in (0, 1).
    rng : int, Generator or SeedSequence, optional
        Source of the resamples; fresh entropy if None.

    Returns
    -------
    Stability
        How often each edge is there, where it lies, and what the box is worth on other cases.

    Examples
    --------
    >>> x = np.random.default_rng(0).random((500, 2))
    >>> stability = box_stability(x, x[:, 0] > 0.6, resamples=10, rng=0)
    >>> stability.restricted[0].tolist()
    [1.0, 0.0]
    """
    x, happens = np.asarray(values, float), np.asarray(events, bool)
    if resamples < 2:
        raise EbbmapError(f"resamples must be >= 2; got {resamples}. 50 are usual.")
    generator = np.random.default_rng(rng)
    n, d = x.shape
    edges, worth = np.full((resamples, d, 2), np.nan), np.full((resamples, 2), np.nan)
    for number in range(resamples):
        rows = generator.integers(n, size=n)
        if happens[rows].any():
            box = find_box(x[rows], happens[rows], density=density)
            edges[number] = np.stack([box.lower, box.upper], axis=1)
            left_out = np.ones(n, bool)
            left_out[rows] = False
            worth[number] = _worth(happens[left_out], inside(x[left_out], box.lower, box.upper))
    edges = np.where(np.isfinite(edges), edges, np.nan)
    restricted = np.isfinite(edges).mean(axis=0)
    coverage, density_interval = (_middle(column, level) for column in worth.T)
    bounds = np.array([[_middle(side, level) for side in edges[:, j].T] for j in range(d)])
    return Stability(restricted, bounds.reshape(d, 2, 2), coverage, density_interval)


def _worth(happens: np.ndarray, chosen: np.ndarray) -> tuple[float, float]:
    """Return the coverage and density of the chosen among some cases, shape (n,) each.

    A box that holds no event is worth nothing; one that holds no case has no density.
    """
    hits, events = (happens & chosen).sum(), happens.sum()
    coverage = hits / events if events else np.nan
    return coverage, hits / chosen.sum() if chosen.any() else np.nan


def _middle(values: np.ndarray, level: float) -> np.ndarray:
    """Return the middle interval of the known values, shape (2,); NaN where none is known."""
    known = values[np.isfinite(values)]
    tail = (1.0 - level) / 2.0
    return np.quantile(known, [tail, 1.0 - tail]) if known.size else np.full(2, np.nan)


def _peel(
    x: np.ndarray, happens: np.ndarray, lower: np.ndarray, upper: np.ndarray
) -> list[tuple[np.ndarray, np.ndarray, float, float, float]]:
    """Peel until the box is pure or small; one (lower, upper, coverage, density, support) each."""
    (n, d), events = x.shape, happens.sum()
    alive = inside(x, lower, upper)
    held, size = int(happens[alive].sum()), int(alive.sum())
    path = [(lower, upper, held / events, held / size, size / n)]
    # the cases in the order of each property: a peel takes from the ends of one of the rows
    order = np.ascontiguousarray(np.argsort(x, axis=0, kind="stable").T)
    ranked = np.take_along_axis(x.T, order, axis=1)
    hit = happens[order]
    stay = alive[order]
    order, ranked, hit = (rows[stay].reshape(d, -1) for rows in (order, ranked, hit))
    while path[-1][3] < 1.0:
        gain, j, cut = _best_peel(ranked, hit, LEAST_SUPPORT * n)
        if not np.isfinite(gain):
            break
        alive[order[j, cut]] = False
        stay = alive[order]
        order, ranked, hit = (rows[stay].reshape(d, -1) for rows in (order, ranked, hit))
        lower, upper = lower.copy(), upper.copy()
        if cut.start == 0:
            lower[j] = ranked[j, 0]
        else:
            upper[j] = ranked[j, -1]
        held, size = int(hit[0].sum()), order.shape[1]
        path.append((lower, upper, held / events, held / size, size / n))
    return path


def _best_peel(ranked: np.ndarray, hit: np.ndarray, least: float) -> tuple[float, int, slice]:
    """Return the gain of density per case given up, property and slice of the best peel.

    Parameters
    ----------
    ranked, hit : ndarray, shape (d, n)
        Values of each property in increasing order, and which of these cases have the event.
    least : float
        Cases that must be left.
    """
    size, hits = ranked.shape[1], int(hit[0].sum())
    best = (-np.inf, 0, slice(0, 0))
    for j, values in enumerate(ranked):
        for cut in _end_slices(values):
            gone = cut.stop - cut.start
            left, kept = size - gone, hits - int(hit[j, cut].sum())
            gain = (kept / left - hits / size) / gone if left else -np.inf
            if gain > best[0] and kept > 0 and left >= least:
                best = (gain, j, cut)
    return best


def _end_slices(ranked: np.ndarray) -> Iterator[slice]:
    """Return the slices that a peel may take off either end of increasing values.

    Where many cases share the outermost value, a peel takes all of them; where all share it,
    there is nothing to peel.
    """
    size = ranked.size
    share = int(PEEL_SHARE * (size - 1))
    cut = ranked[share]
    start = np.searchsorted(ranked, cut, "left") or np.searchsorted(ranked, cut, "right")
    if start < size:
        yield slice(0, int(start))
    cut = ranked[size - 1 - share]
    stop = np.searchsorted(ranked, cut, "right")
    if stop == size:
        stop = np.searchsorted(ranked, cut, "left")
    if stop > 0:
        yield slice(int(stop), size)


class _Move(NamedTuple):
    """An edge of a box that moves out, and what the box then holds."""

    density: float
    hits: int
    property: int
    side: float
    """-1 for the lower edge, 1 for the upper one."""
    edge: float


def _paste(
    x: np.ndarray, happens: np.ndarray, lower: np.ndarray, upper: np.ndarray, density: float
) -> tuple[np.ndarray, np.ndarray]:
    """Move edges out, or away, while the box stays as dense as wanted."""
    lower, upper = lower.copy(), upper.copy()
    held = happens[inside(x, lower, upper)].sum()
    while True:
        best: _Move | None = None
        for move in _moves(x, happens, lower, upper):
            # an edge that goes away makes the rule shorter, so it may gain nothing
            gains = move.hits > held or (np.isinf(move.edge) and move.hits == held)
            if gains and move.density >= density and (best is None or move[:2] > best[:2]):
                best = move
        if best is None:
            return lower, upper
        held = best.hits
        (lower if best.side < 0 else upper)[best.property] = best.edge


def _moves(
    x: np.ndarray, happens: np.ndarray, lower: np.ndarray, upper: np.ndarray
) -> Iterator[_Move]:
    """Yield what each edge of a box can do: go away, or move out by a small share of the cases."""
    within = (x >= lower) & (x <= upper)
    outside = (~within).sum(axis=1)
    share = max(1, int(PASTE_SHARE * (outside == 0).sum()))
    for j in range(x.shape[1]):
        # cases that only this property's edges keep out, or nothing does
        reach = outside == ~within[:, j]
        column, hit = x[reach, j], happens[reach]
        for side, edge, far in ((-1.0, lower[j], upper[j]), (1.0, upper[j], lower[j])):
            if not np.isfinite(edge):
                continue
            allowed = column >= far if side > 0 else column <= far
            outward, events = side * column[allowed], hit[allowed]
            nearest = np.sort(outward[outward > side * edge])[:share]
            for moved in (np.inf, *nearest[-1:]):
                chosen = outward <= moved
                hits = events[chosen].sum()
                yield _Move(hits / chosen.sum(), hits, j, side, side * moved)
