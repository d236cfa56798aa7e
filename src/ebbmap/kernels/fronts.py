"""The front of best compromises: settings that no other setting beats on every count.

Sizes: n settings, k costs.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt


def non_dominated(costs: npt.ArrayLike) -> np.ndarray:
    """Find the settings that no other is at least as good as on every cost and better on one.

    Parameters
    ----------
    costs : array_like, shape (n, k)
        Less is better. A row with a value that is not finite is never on the front.

    Returns
    -------
    ndarray of bool, shape (n,)
        True on the front; of equal rows all are kept.

    Examples
    --------
    >>> non_dominated([[1.0, 3.0], [2.0, 2.0], [3.0, 3.0]]).tolist()
    [True, True, False]
    """
    costs = np.asarray(costs, dtype=float)
    known = np.isfinite(costs).all(axis=1)
    unique, back = np.unique(costs[known], axis=0, return_inverse=True)
    kept = np.ones(len(unique), dtype=bool)
    # rows are in lexical order, so a row can only be beaten by one before it
    for place in range(len(unique)):
        if kept[place]:
            later = slice(place + 1, None)
            kept[later] &= ~np.all(unique[place] <= unique[later], axis=1)
    front = np.zeros(len(costs), dtype=bool)
    front[known] = kept[back.reshape(-1)]
    return front
