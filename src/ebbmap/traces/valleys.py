"""Descents of many lungs at once, each under its supposition of what is large beside it.

Sizes: s starts, d properties, b bins.
"""

from __future__ import annotations

import numpy as np

from ebbmap.kernels.descent import Descended, descend
from ebbmap.traces.misfit import Misfit


def descended(misfit: Misfit, starts: np.ndarray, supposed: np.ndarray, *, steps: int) -> Descended:
    """Return where descents end, and the slopes of the residuals there.

    Parameters
    ----------
    misfit : Misfit
        With disturbances.
    starts : ndarray, shape (s, d)
        Coordinates to begin from.
    supposed : ndarray of int, shape (s,)
        Number of the supposition that is made of each.
    steps : int
        Steps at most.

    Notes
    -----
    All descend together, so each row carries the number of its supposition.
    """
    count = misfit.supposed.costs.size
    under = [misfit.supposing(number) for number in range(count)]
    root = misfit.scale.prior_root()

    def residuals(rows: np.ndarray) -> np.ndarray:
        places, number = rows[:, :-1], np.rint(rows[:, -1]).astype(int)
        off = misfit.flow(places) - misfit.expected
        for one in range(count):
            off[number == one] = under[one].whitened(off[number == one])
        return np.concatenate([off, places @ root.T], axis=1)

    rows = np.concatenate([starts, supposed[:, None]], axis=1)
    box = np.concatenate([misfit.scale.box, [[0.0], [count - 1.0]]], axis=1)
    free = np.ones(rows.shape, dtype=bool)
    free[:, -1] = False
    done = descend(residuals, rows, box, free=free, steps=steps)
    return Descended(done.place[:, :-1], done.misfit, done.slopes[..., :-1])
