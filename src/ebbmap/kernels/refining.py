"""The edge of a region in up to six dimensions: only cells that it may cross are halved.

Sizes: n cells or points, d dimensions of the unit cube.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import maximum_filter

from ebbmap.kernels.shares import wilson

#: Cells of the first grid along each axis, by dimensions: what is narrower may be missed.
FIRST = {1: 32, 2: 16, 3: 8, 4: 6, 5: 4, 6: 4}

#: Least slope along an axis, as a share of the steepest that the first grid has.
LEAST_SLOPE = 0.05

#: Strata, by the state of a cell.
INSIDE, CROSSED, OUTSIDE = 0, 1, 2

#: ``margin(points)``: shape (n, d) to (n,); the region is where it is not negative.
Margin = Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True)
class Cells:
    """A cube cut into n cells.

    Parameters
    ----------
    low, size : ndarray, shape (n, d)
        Lower corner and edges of each cell.
    value : ndarray, shape (n,)
        Margin at its centre.
    slope : ndarray, shape (n, d)
        How steep the margin is taken to be there along each axis, per unit.
    solved : int
        Points at which the margin was solved.
    complete : bool
        Whether the tolerance was reached within the budget.
    """

    low: np.ndarray
    size: np.ndarray
    value: np.ndarray
    slope: np.ndarray
    solved: int
    complete: bool

    @property
    def volume(self) -> np.ndarray:
        """Volume of each cell, shape (n,)."""
        volume: np.ndarray = self.size.prod(axis=1)
        return volume

    @property
    def reach(self) -> np.ndarray:
        """How far the margin may stray from that at the centre, shape (n,)."""
        reach: np.ndarray = 0.5 * (self.slope * self.size).sum(axis=1)
        return reach

    @property
    def state(self) -> np.ndarray:
        """`INSIDE`, `CROSSED` or `OUTSIDE`, shape (n,)."""
        crossed = np.abs(self.value) <= self.reach
        return np.where(crossed, CROSSED, np.where(self.value >= 0, INSIDE, OUTSIDE))

    @property
    def filled(self) -> np.ndarray:
        """Share of each cell that is taken to lie in the region, shape (n,)."""
        reach = np.maximum(self.reach, np.finfo(float).tiny)
        return np.clip(0.5 + 0.5 * self.value / reach, 0.0, 1.0)


def refine(margin: Margin, dimensions: int, *, tolerance: float, budget: int) -> Cells:
    """Cut the unit cube into cells that are small where the edge of a region may cross them.

    Parameters
    ----------
    margin : callable
        ``margin(points)``; not negative inside. NaN counts as outside, by a whole unit.
    dimensions : int
        d, 1 to 6.
    tolerance : float
        The edge is found as exactly as on a grid of this step.
    budget : int
        Points to solve, at most.

    Returns
    -------
    Cells

    Notes
    -----
    A cell may be crossed if the margin at its centre is at most what slopes could change it by on
    the way to a corner; it is halved along the axis that changes it most, until what is left is no
    more than in a cell of a grid of this step. Slopes are the steepest differences of the
    neighbourhood, and fall by half at most when a cell is halved. So it is assumed that no part
    of the region hides between the centres of the first grid (`FIRST`), and that a margin is
    nowhere steeper than its neighbourhood shows; nothing need be monotone. `measure` draws fresh
    points and assumes neither.

    Examples
    --------
    >>> cells = refine(lambda x: 0.7 - x[:, 0], 2, tolerance=0.01, budget=10_000)
    >>> cells.solved < 1000, round(float((cells.volume * cells.filled).sum()), 2)
    (True, 0.7)
    """
    cells = _first(margin, dimensions)
    while True:
        spread = cells.slope * cells.size
        open_ = (cells.state == CROSSED) & (
            spread.sum(axis=1) > tolerance * cells.slope.sum(axis=1) * (1.0 + 1e-12)
        )
        if not open_.any():
            return cells
        if cells.solved + 2 * np.count_nonzero(open_) > budget:
            return _replaced(cells, complete=False)
        cells = _halved(margin, cells, open_, spread.argmax(axis=1))


def _replaced(cells: Cells, *, complete: bool) -> Cells:
    return Cells(cells.low, cells.size, cells.value, cells.slope, cells.solved, complete)


def _known(margin: np.ndarray) -> np.ndarray:
    return np.where(np.isnan(margin), -1.0, margin)


def _first(margin: Margin, d: int) -> Cells:
    """Solve a coarse grid; slopes are the steepest of the neighbourhood."""
    m = FIRST[d]
    low = np.stack(np.meshgrid(*[np.arange(m) / m] * d, indexing="ij"), axis=-1)
    flat = low.reshape(-1, d)
    value = _known(np.asarray(margin(flat + 0.5 / m), float)).reshape((m,) * d)
    slope = np.empty((*value.shape, d))
    for axis in range(d):
        step = np.abs(np.diff(value, axis=axis)) * m
        pad = [(1, 1) if one == axis else (0, 0) for one in range(d)]
        padded = np.pad(step, pad)
        both = [np.take(padded, range(at, at + m), axis=axis) for at in (0, 1)]
        slope[..., axis] = maximum_filter(np.maximum(*both), size=3, mode="nearest")
    slope = np.maximum(slope, LEAST_SLOPE * slope.max())
    size = np.full(flat.shape, 1.0 / m)
    return Cells(flat, size, value.ravel(), slope.reshape(-1, d), value.size, True)


def _halved(margin: Margin, cells: Cells, open_: np.ndarray, axis: np.ndarray) -> Cells:
    """Halve the open cells, each along its own axis."""
    low, size, slope = cells.low[open_], cells.size[open_].copy(), cells.slope[open_].copy()
    rows, along = np.arange(len(low)), axis[open_]
    size[rows, along] /= 2.0
    upper = low.copy()
    upper[rows, along] += size[rows, along]
    both = np.concatenate([low, upper])
    value = _known(np.asarray(margin(both + np.tile(size / 2.0, (2, 1))), float))
    seen = np.abs(value[len(low) :] - value[: len(low)]) / size[rows, along]
    slope[rows, along] = np.maximum(seen, slope[rows, along] / 2.0)
    return Cells(
        np.concatenate([cells.low[~open_], both]),
        np.concatenate([cells.size[~open_], np.tile(size, (2, 1))]),
        np.concatenate([cells.value[~open_], value]),
        np.concatenate([cells.slope[~open_], np.tile(slope, (2, 1))]),
        cells.solved + len(both),
        True,
    )


@dataclass(frozen=True)
class Measured:
    """The volume of a region, and the fresh points that it was measured with.

    Parameters
    ----------
    volume, low, high : float
        Volume as a share of the cube, and its interval.
    misjudged : float
        Share of the fresh points inside or outside that lie on the other side.
    weight : ndarray, shape (n,)
        Volume that each fresh point stands for.
    crossed : float
        Volume of the cells that the edge may cross.
    """

    volume: float
    low: float
    high: float
    misjudged: float
    weight: np.ndarray
    crossed: float


def fresh_points(
    cells: Cells, points: int, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Draw fresh points evenly in each of the three states' cells.

    Returns
    -------
    tuple of ndarray, shape (n, d) and (n,)
        The points, and the state of the cell that each lies in.
    """
    drawn, states = [], []
    for state in (INSIDE, CROSSED, OUTSIDE):
        own = np.flatnonzero(cells.state == state)
        if own.size:
            chance = cells.volume[own] / cells.volume[own].sum()
            chosen = rng.choice(own, points, p=chance)
            unit = rng.random((points, cells.low.shape[1]))
            drawn.append(cells.low[chosen] + unit * cells.size[chosen])
            states.append(np.full(points, state))
    return np.concatenate(drawn), np.concatenate(states)


def measure(cells: Cells, state: np.ndarray, inside: np.ndarray, level: float) -> Measured:
    """Measure a region by fresh points, whatever the cells have missed.

    Parameters
    ----------
    cells : Cells
        The cells.
    state : ndarray of int, shape (n,)
        State of the cell of each fresh point.
    inside : ndarray of bool, shape (n,)
        Whether it lies in the region.
    level : float
        Level of the interval.

    Notes
    -----
    A stratified sample: the share of the points of each state, weighted by the volume of its
    cells. Wilson's intervals of the three are joined by the method of variance estimates
    recovery.

    References
    ----------
    .. [1] Zou GY, Donner A, Stat Med 2008;27:1693 (from memory): joining intervals.
    """
    volume, below, above, wrong, decided = 0.0, 0.0, 0.0, 0, 0
    weight = np.zeros(len(state))
    for one in (INSIDE, CROSSED, OUTSIDE):
        own = state == one
        n = int(np.count_nonzero(own))
        if not n:
            continue
        part = float(cells.volume[cells.state == one].sum())
        hits = int(np.count_nonzero(inside[own]))
        low, high = (float(end) for end in wilson(hits, n, level))
        volume += part * hits / n
        below += (part * (hits / n - low)) ** 2
        above += (part * (high - hits / n)) ** 2
        weight[own] = part / n
        if one != CROSSED:
            decided += n
            wrong += hits if one == OUTSIDE else n - hits
    return Measured(
        volume,
        max(0.0, volume - float(np.sqrt(below))),
        min(1.0, volume + float(np.sqrt(above))),
        wrong / decided if decided else 0.0,
        weight,
        float(cells.volume[cells.state == CROSSED].sum()),
    )


def projected(cells: Cells, axes: tuple[int, ...], bins: int) -> np.ndarray:
    """Return the share of all other axes that lies in the region, by place along some axes.

    Parameters
    ----------
    cells : Cells
        The cells.
    axes : tuple of int
        One or two axes.
    bins : int
        Places along each.

    Returns
    -------
    ndarray, shape (bins,) or (bins, bins)

    Examples
    --------
    >>> cells = refine(lambda x: 0.5 - x[:, 0], 2, tolerance=0.01, budget=10_000)
    >>> projected(cells, (0,), 4).round(2).tolist()
    [1.0, 1.0, 0.0, 0.0]
    """
    ends = np.arange(bins + 1) / bins
    overlaps = []
    for axis in axes:
        low = cells.low[:, axis, None]
        high = low + cells.size[:, axis, None]
        cut = np.minimum(high, ends[None, 1:]) - np.maximum(low, ends[None, :-1])
        overlaps.append(np.maximum(cut, 0.0) * bins)
    rest = np.delete(cells.size, list(axes), axis=1).prod(axis=1) * cells.filled
    if len(axes) == 1:
        return np.asarray(rest @ overlaps[0])
    return np.asarray(overlaps[0].T @ (rest[:, None] * overlaps[1]))
