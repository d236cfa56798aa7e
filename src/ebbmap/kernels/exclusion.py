"""Which limits can hold together: sets of them that some setting keeps, and that none does.

A set of limits is an integer whose bits are limits. Sizes: k bounds, m settings.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

#: Bounds of a set of limits, at most: one bit each, and a sign.
MOST_BOUNDS = 62


def broken_sets(broken: np.ndarray) -> np.ndarray:
    """Return which bounds each setting breaks, as bits.

    Parameters
    ----------
    broken : ndarray of bool, shape (k, ...)
        Whether each bound is surely broken.

    Returns
    -------
    ndarray of int64, shape (...)

    Raises
    ------
    ValueError
        If there are more bounds than bits.

    Examples
    --------
    >>> broken_sets(np.array([[True, False], [True, True]])).tolist()
    [3, 2]
    """
    if len(broken) > MOST_BOUNDS:
        raise ValueError(f"must have at most {MOST_BOUNDS} bounds; got {len(broken)}. Drop some.")
    return np.tensordot(1 << np.arange(len(broken)), np.asarray(broken, np.int64), axes=1)


def minimal(sets: Iterable[int]) -> list[int]:
    """Return the sets that hold no other of them, in rising order of size.

    Examples
    --------
    >>> minimal([0b011, 0b001, 0b110])
    [1, 6]
    """
    kept: list[int] = []
    for one in sorted({int(one) for one in sets}, key=lambda one: (one.bit_count(), one)):
        if not any(other & one == other for other in kept):
            kept.append(one)
    return kept


def exclusions(broken: Iterable[int]) -> list[int]:
    """Return the smallest sets of bounds that no setting keeps together.

    Parameters
    ----------
    broken : iterable of int
        Which bounds each setting breaks.

    Returns
    -------
    list of int
        Sets of which every setting breaks a member, and that lose this with any member; none
        where a setting breaks nothing.

    Notes
    -----
    Minimal transversals, found by taking in one setting after the other (Berge's multiplication):
    exact, whatever the number of settings, since only the least broken sets count.

    Examples
    --------
    One setting breaks the first bound, another the second, a third the second and the last:

    >>> exclusions([0b001, 0b010, 0b110])
    [3]
    >>> exclusions([0b001, 0b000])
    []
    """
    found = [0]
    for setting in minimal(broken):
        bits = [1 << place for place in range(setting.bit_length()) if setting >> place & 1]
        found = minimal(
            grown
            for one in found
            for grown in ([one] if one & setting else [one | bit for bit in bits])
        )
    return found


def largest_kept(broken: Iterable[int], bounds: int) -> list[int]:
    """Return the sets of bounds that some setting keeps and that no setting keeps more of.

    Parameters
    ----------
    broken : iterable of int
        Which bounds each setting breaks.
    bounds : int
        Number of bounds, k.

    Examples
    --------
    >>> largest_kept([0b001, 0b011, 0b110], 3)
    [6, 1]
    """
    every = (1 << bounds) - 1
    return [every & ~one for one in minimal(broken)]


def members(one: int, names: list[str]) -> list[str]:
    """Return the names of the bounds of a set.

    Examples
    --------
    >>> members(0b101, ["a", "b", "c"])
    ['a', 'c']
    """
    return [name for place, name in enumerate(names) if one >> place & 1]


def rank_correlation(values: np.ndarray) -> np.ndarray:
    """Return Spearman's rank correlation of every pair of rows.

    Parameters
    ----------
    values : ndarray, shape (k, n)
        Columns with a NaN are left out.

    Returns
    -------
    ndarray, shape (k, k)
        NaN where a row does not vary, or fewer than two columns are left.

    Examples
    --------
    >>> up, down = np.array([1.0, 2.0, 3.0]), np.array([2.0, 1.0, 0.0])
    >>> rank_correlation(np.stack([up, up**2, down]))[0].round(3).tolist()
    [1.0, 1.0, -1.0]
    """
    known = values[:, ~np.isnan(values).any(axis=0)]
    if known.shape[1] < 2:
        return np.full((len(values), len(values)), np.nan)
    ranks = np.stack([_mean_ranks(row) for row in known])
    ranks -= ranks.mean(axis=1, keepdims=True)
    size = np.sqrt((ranks**2).sum(axis=1))
    product = size[:, None] * size
    found = np.divide(
        ranks @ ranks.T, product, out=np.full(product.shape, np.nan), where=product > 0
    )
    return np.clip(found, -1.0, 1.0)


def _mean_ranks(row: np.ndarray) -> np.ndarray:
    """Return ranks from 1; equal values share the mean of theirs."""
    _, place, count = np.unique(row, return_inverse=True, return_counts=True)
    return (np.cumsum(count) - (count - 1) / 2.0)[place]
