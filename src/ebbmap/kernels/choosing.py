"""T low at which a quantity of a release takes stated values, for many lungs at once.

Sizes: n lungs, t targets.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.optimize import elementwise

#: How near a root is found, in the logarithm of T low: a ten-thousandth of a per cent.
CLOSE = 1e-6


def t_low_reaching(
    measure: Callable[[np.ndarray, np.ndarray], np.ndarray],
    targets: np.ndarray,
    lungs: int,
    *,
    low: float,
    high: float,
) -> np.ndarray:
    """Return the T low at which a quantity reaches each target in each lung.

    Parameters
    ----------
    measure : callable
        ``measure(t_low, lung) -> value``, all of shape (k,): the quantity of k releases, each with
        its T low [s] and the number of its lung.
    targets : ndarray, shape (t,)
        Values to be reached.
    lungs : int
        Number of lungs, n.
    low, high : float
        T low that are searched [s], > 0.

    Returns
    -------
    ndarray, shape (n, t)
        T low [s]; NaN where the quantity lies on one side of the target at both ends of what is
        searched, or is NaN at one of them.

    Examples
    --------
    >>> def left(t_low, lung):
    ...     return np.exp(-t_low / np.array([0.5, 1.0])[lung])
    >>> t_low_reaching(left, np.array([0.5, 2.0]), 2, low=0.02, high=20.0).round(4).tolist()
    [[0.3466, nan], [0.6931, nan]]
    """
    lung, target = (
        grid.reshape(-1) for grid in np.broadcast_arrays(np.arange(lungs)[:, None], targets)
    )

    def excess(log_t: np.ndarray, number: np.ndarray, wanted: np.ndarray) -> np.ndarray:
        return measure(np.exp(log_t), number.astype(int)) - wanted

    ends = tuple(np.full(lung.size, np.log(end)) for end in (low, high))
    found = elementwise.find_root(
        excess, ends, args=(lung.astype(float), target), tolerances={"xatol": CLOSE, "xrtol": 0.0}
    )
    return np.where(found.success, np.exp(found.x), np.nan).reshape(lungs, -1)
