"""The safest way across a grid of settings.

Sizes: the grid is (n, m); a path has k places.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Place = tuple[int, int]

#: A step: both settings, the first, or the second.
_STEPS = ((1, 1), (1, 0), (0, 1))


def safest_path(margins: npt.ArrayLike) -> np.ndarray:
    """Find the path from the first to the last corner that stays safest.

    Every step moves one place along one axis or along both, never back. Of all paths the one is
    taken with the least sum of shortfalls (how far margins lie below zero), of these the one with
    the largest least margin, and of these one with few steps.

    Parameters
    ----------
    margins : array_like, shape (n, m)
        Safety margins; NaN where a place cannot be judged, which no path may enter.

    Returns
    -------
    ndarray of int, shape (k, 2)
        Places in order; k = 0 where no path exists.

    Notes
    -----
    Dynamic programming on (sum of shortfalls, - least margin, steps), compared in this order.
    Adding a place keeps the order of two paths in the first two, so both are the best there are;
    among paths equal in these, the number of steps is small but not proven least.

    Examples
    --------
    >>> safest_path([[1.0, 0.5], [-1.0, 0.2]]).tolist()
    [[0, 0], [1, 1]]
    >>> safest_path([[1.0, 0.5], [np.nan, np.nan]]).shape
    (0, 2)
    """
    margins = np.asarray(margins, dtype=float)
    n, m = margins.shape
    best: dict[Place, tuple[float, float, int]] = {}
    came: dict[Place, Place] = {}
    for i, j in np.argwhere(~np.isnan(margins)).tolist():
        here = float(margins[i, j])
        short = max(-here, 0.0)
        reached = [
            ((best[way][0] + short, max(best[way][1], -here), best[way][2] + 1), way)
            for way in ((i - a, j - b) for a, b in _STEPS)
            if way in best
        ]
        if reached:
            best[i, j], came[i, j] = min(reached)
        elif (i, j) == (0, 0):
            best[i, j] = (short, -here, 0)
    place: Place = (n - 1, m - 1)
    if place not in best:
        return np.empty((0, 2), dtype=int)
    path = [place]
    while place in came:
        place = came[place]
        path.append(place)
    return np.array(path[::-1], dtype=int)
