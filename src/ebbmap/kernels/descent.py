"""Least squares from many starts at once, within a box: Levenberg and Marquardt on arrays.

All starts are stepped together, so that a model which serves many cases in one call is called as
seldom as for one start. Sizes: s starts, d unknowns, b residuals.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

#: Steps at most; damping at first, and by what it is changed after a good and a bad step.
STEPS, DAMPING, BETTER, WORSE = 40, 1e-2, 0.2, 6.0

#: A start is done when a step lowers its sum of squares by less than this share of it.
SETTLED = 1e-5

#: Distance of the two places of a slope, as a share of the box.
NUDGE = 2e-4


class Descended(NamedTuple):
    """Where the descents ended."""

    place: np.ndarray
    """Shape (s, d)."""
    misfit: np.ndarray
    """Sum of squares, shape (s,); infinite where the model has no answer."""
    slopes: np.ndarray
    """Of the residuals there, shape (s, b, d)."""


def slopes_of(
    residuals: Callable[[np.ndarray], np.ndarray],
    place: np.ndarray,
    here: np.ndarray,
    box: np.ndarray,
    free: np.ndarray,
) -> np.ndarray:
    """Return slopes of residuals by differences away from the nearer wall, shape (s, b, d).

    Parameters
    ----------
    residuals : callable
        ``residuals(place, shape (m, d)) -> ndarray, shape (m, b)``.
    place, here : ndarray, shape (s, d), (s, b)
        Places, and the residuals there.
    box : ndarray, shape (2, d)
        Least and greatest value of each unknown.
    free : ndarray of bool, shape (s, d)
        Unknowns that move; the slopes of the others are 0.
    """
    starts, unknowns = place.shape
    width = NUDGE * (box[1] - box[0])
    step = np.where(place + width > box[1], -width, width)
    nudged = np.repeat(place[:, None], unknowns, axis=1)
    index = np.arange(unknowns)
    nudged[:, index, index] += step
    beside = residuals(nudged.reshape(-1, unknowns)).reshape(starts, unknowns, -1)
    slopes = (beside - here[:, None]) / step[..., None]
    # where the model has no answer beside a place, nothing is learnt of that unknown
    slopes = np.where(np.isfinite(slopes), slopes, 0.0) * free[..., None]
    return slopes.transpose(0, 2, 1)


def descend(
    residuals: Callable[[np.ndarray], np.ndarray],
    starts: np.ndarray,
    box: np.ndarray,
    *,
    free: np.ndarray | None = None,
    steps: int = STEPS,
) -> Descended:
    """Lower the sum of squares from each start.

    Parameters
    ----------
    residuals : callable
        ``residuals(place, shape (m, d)) -> ndarray, shape (m, b)``; NaN where there is no answer.
    starts : ndarray, shape (s, d)
        Where to begin, within the box.
    box : ndarray, shape (2, d)
        Least and greatest value of each unknown.
    free : ndarray of bool, shape (s, d), optional
        Unknowns that move, start by start; all if None.
    steps : int
        Steps at most.

    Returns
    -------
    Descended

    Examples
    --------
    >>> box = np.array([[-5.0, -5.0], [5.0, 5.0]])
    >>> found = descend(lambda x: x - [1.0, 2.0], np.zeros((1, 2)), box)
    >>> found.place.round(6).tolist()
    [[1.0, 2.0]]
    """
    place = np.clip(np.array(starts, dtype=float), box[0], box[1])
    free = np.ones(place.shape, dtype=bool) if free is None else free
    here = residuals(place)
    misfit = _squares(here)
    damping = np.full(place.shape[0], DAMPING)
    slopes = slopes_of(residuals, place, here, box, free)
    left = np.isfinite(misfit)
    for _ in range(steps):
        if not left.any():
            break
        some = np.flatnonzero(left)
        tried = _stepped(place[some], here[some], slopes[some], damping[some], box, free[some])
        there = residuals(tried)
        lower = _squares(there)
        good = lower < misfit[some]
        won = some[good]
        gain = 1.0 - lower[good] / np.maximum(misfit[won], 1e-300)
        place[won], here[won], misfit[won] = tried[good], there[good], lower[good]
        damping[won] *= BETTER
        damping[some[~good]] *= WORSE
        left[won[gain < SETTLED]] = False
        left[some[~good & (damping[some] > 1e6)]] = False
        if won.size:
            slopes[won] = slopes_of(residuals, place[won], here[won], box, free[won])
    return Descended(place, misfit, slopes)


def _squares(residuals: np.ndarray) -> np.ndarray:
    total = np.einsum("sb,sb->s", residuals, residuals)
    return np.where(np.isfinite(total), total, np.inf)


def _stepped(
    place: np.ndarray,
    here: np.ndarray,
    slopes: np.ndarray,
    damping: np.ndarray,
    box: np.ndarray,
    free: np.ndarray,
) -> np.ndarray:
    """Return the damped step of each start; an unknown that would leave by its wall stays."""
    uphill = np.einsum("sbd,sb->sd", slopes, here)
    information = np.einsum("sbd,sbe->sde", slopes, slopes)
    at_wall = ((place <= box[0]) & (uphill > 0.0)) | ((place >= box[1]) & (uphill < 0.0))
    moves = free & ~at_wall
    pair = moves[:, :, None] & moves[:, None, :]
    scale = np.einsum("sdd->sd", information)
    scale = np.where(moves & (scale > 0.0), scale, 1.0)
    index = np.arange(place.shape[1])
    damped = np.where(pair, information, 0.0)
    damped[:, index, index] += np.where(moves, (damping[:, None] + 1e-12) * scale, 1.0)
    step = np.linalg.solve(damped, np.where(moves, uphill, 0.0)[..., None])[..., 0]
    return np.clip(place - step, box[0], box[1])
