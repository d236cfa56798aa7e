"""How many rows carry an estimate: with too few of them no interval can be trusted.

Sizes: n base rows, d factors, s outputs, r rows of a base block.
"""

from __future__ import annotations

import numpy as np

#: Fewest base rows, in effect, that must carry an index, and the output's variance, for an
#: interval to be printed. Measured over 400 seeds: with fewer, 95 % intervals of a heavy-tailed
#: product cover 88 %. Those of events are counted (`kernels.events`).
CARRYING_ROWS = 8


def enough_rows(products: np.ndarray, factors: int, size: np.ndarray) -> np.ndarray:
    """Return whether enough base rows carry each mean of products for an interval.

    Parameters
    ----------
    products : ndarray, shape (n, c, s)
        Behind each of c estimates; those of first order first, then those of the totals.
    factors : int
        Number of factors d.
    size : ndarray, shape (n, s)
        What each row adds to the output's variance.

    Returns
    -------
    ndarray of bool, shape (c, s)

    Notes
    -----
    A factor that moves the output in no row is known as well as the output is sampled.
    """
    rows, of_output = effective_rows(products), effective_rows(size)
    inert = ~products[:, factors : 2 * factors].any(axis=0)
    for part in (slice(factors), slice(factors, 2 * factors)):
        rows[part] = np.where(inert, of_output, rows[part])
    enough: np.ndarray = (rows >= CARRYING_ROWS) & (of_output >= CARRYING_ROWS)
    return enough


def effective_rows(values: np.ndarray) -> np.ndarray:
    """Return how many rows in effect carry a mean over the first axis; NaN where all are zero.

    Parameters
    ----------
    values : ndarray, shape (n, ...)
        What is averaged.

    Returns
    -------
    ndarray, shape (...)
        (sum |v|)^2 / sum v^2: n where all are alike, 1 where one row has all.

    Examples
    --------
    >>> effective_rows(np.array([[1.0, 4.0], [1.0, 0.0], [1.0, 0.0]])).tolist()
    [3.0, 1.0]
    """
    squares = np.square(values).sum(axis=0)
    rows: np.ndarray = np.abs(values).sum(axis=0) ** 2 / np.where(squares > 0.0, squares, np.nan)
    return rows
