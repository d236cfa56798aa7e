"""What is kept of cases that are not: counts, extremes and quantiles, NumPy only.

All of it is whole numbers, minima and maxima, so that adding up gives the same bits in any order
and from blocks of any size. Quantile sketches that draw lots or merge by order cannot do this.
Sizes: n cases, c cells, k hard bounds, m marks.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ebbmap.kernels.judging import VERDICTS

#: Bits of a float32 that a bin drops: sign, exponent and 7 bits of the mantissa are left.
_DROPPED = 16

#: Bins of all float32 values, and the largest relative error of a quantile read from one.
BINS = 2**16
QUANTILE_ERROR = 2.0**-8


def count_verdicts(verdict, binding, cell, *, cells: int, bounds: int) -> np.ndarray:
    """Count cases by cell, verdict and binding bound.

    Parameters
    ----------
    verdict, binding : ndarray of int8
        As `limits.judge` gives them; shapes broadcast with `cell`.
    cell : ndarray of int
        Cell of every case, 0 to c - 1.
    cells, bounds : int
        c and k.

    Returns
    -------
    ndarray of int64, shape (c, 4, k + 1)
        The last place of the last axis is for cases without a binding bound.

    Examples
    --------
    >>> count_verdicts(np.array([0, 2, 2]), np.array([0, 0, 1]), 0, cells=1, bounds=2)[0, 2]
    array([1, 1, 0])
    """
    width = bounds + 1
    code = (cell * len(VERDICTS) + verdict) * width + binding % np.int8(width)
    full = np.bincount(code.reshape(-1), minlength=cells * len(VERDICTS) * width)
    return full.reshape(cells, len(VERDICTS), width)


def bin_values(values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Count values by bins of equal relative width.

    Parameters
    ----------
    values : ndarray, shape (n,)
        NaN is left out.

    Returns
    -------
    bins, counts : ndarray of int64, shape (m,)
        Bins that hold something, in no order of value; 0 and -0 are one bin.

    Examples
    --------
    >>> bin_values(np.array([1.0, 1.0001, np.nan]))[1]
    array([2])
    """
    single = values.astype(np.float32).reshape(-1) + np.float32(0.0)
    single = single[~np.isnan(single)]
    counts = np.bincount(single.view(np.uint32) >> _DROPPED, minlength=BINS)
    bins = np.flatnonzero(counts)
    return bins, counts[bins]


def quantiles(counts: np.ndarray, marks: Sequence[float]) -> np.ndarray:
    """Return quantiles of binned values: the middle of the bin in which each falls.

    Parameters
    ----------
    counts : ndarray of int64, shape (BINS,)
        As `bin_values` counts.
    marks : sequence of float, shape (m,)
        Shares, 0 to 1.

    Returns
    -------
    ndarray, shape (m,)
        Off by `QUANTILE_ERROR` of the value at most; NaN where nothing was counted.

    Examples
    --------
    >>> bins, n = bin_values(np.arange(1.0, 1002.0))
    >>> full = np.zeros(BINS, np.int64)
    >>> full[bins] = n
    >>> abs(quantiles(full, [0.5])[0] / 501.0 - 1.0) < QUANTILE_ERROR
    np.True_
    """
    low = (np.arange(BINS, dtype=np.uint32) << _DROPPED).view(np.float32)
    held = np.flatnonzero(counts)
    if held.size == 0:
        return np.full(len(marks), np.nan)
    held = held[np.argsort(low[held], kind="stable")]
    below = np.cumsum(counts[held])
    # the lower of the two neighbours, so that no value between bins is made up
    rank = np.floor(np.asarray(marks) * (below[-1] - 1)).astype(np.int64)
    at = held[np.searchsorted(below, rank, side="right")].astype(np.uint32)
    middle = ((at << _DROPPED) + 2 ** (_DROPPED - 1)).view(np.float32)
    return np.where(at == 0, 0.0, middle.astype(float))
