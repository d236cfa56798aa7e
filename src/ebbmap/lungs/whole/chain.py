"""Many linear maps of two numbers, one after the other: x -> M x + p, for all cases at once.

They are chained in groups, all groups at a time, and then group by group: few operations on long
arrays instead of many on short ones. A matrix is a tuple of four arrays, row by row.
Sizes: k maps, g groups of `GROUP` maps, n cases.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

#: Maps in a group: a divisor of their usual number, near its square root, where the cost is least.
GROUP = 7


class Chain(NamedTuple):
    """The matrices of k maps, chained."""

    length: int
    each: tuple
    """Matrix of each map, shape (g, GROUP, n)."""
    within: list
    """Matrix from the start of each group to the end of its first, second, ... map, (g, n)."""
    whole: tuple
    """Matrix from the first start to the last end, (n,)."""


def chain(matrices) -> Chain:
    """Chain the matrices of k maps, shape (k, n) for each entry."""
    count = matrices[0].shape[0]
    each = tuple(
        _grouped(entry, fill) for entry, fill in zip(matrices, (1.0, 0.0, 0.0, 1.0), strict=True)
    )
    within = [tuple(entry[:, 0] for entry in each)]
    for place in range(1, GROUP):
        within.append(_times(tuple(entry[:, place] for entry in each), within[-1]))
    whole = tuple(entry[0] for entry in within[-1])
    for group in range(1, each[0].shape[0]):
        whole = _times(tuple(entry[group] for entry in within[-1]), whole)
    return Chain(count, each, within, whole)


def follow(links: Chain, added, first=None):
    """Follow two numbers through all maps.

    Parameters
    ----------
    links : Chain
        The matrices.
    added : pair of ndarray, shape (k, n)
        What each map adds.
    first : pair of ndarray, shape (n,), optional
        What to begin with. If None: what also comes out at the end.

    Returns
    -------
    pair of ndarray, shape (k + 1, n)
        The two numbers before each map and after the last.

    Examples
    --------
    >>> one = np.ones((3, 1))
    >>> halving = chain((0.5 * one, 0.0 * one, 0.0 * one, 0.5 * one))
    >>> follow(halving, (one, one))[0].ravel().tolist()
    [2.0, 2.0, 2.0, 2.0]
    """
    pushes = tuple(_grouped(entry, 0.0) for entry in added)
    pushed = [tuple(entry[:, 0] for entry in pushes)]
    for place in range(1, GROUP):
        matrix = tuple(entry[:, place] for entry in links.each)
        own = tuple(entry[:, place] for entry in pushes)
        pushed.append(_applied(matrix, pushed[-1], own))
    groups = pushed[0][0].shape[0]
    steps = [
        (tuple(entry[group] for entry in links.within[-1]),
         tuple(entry[group] for entry in pushed[-1]))
        for group in range(groups)
    ]  # fmt: skip
    if first is None:
        total = steps[0][1]
        for matrix, own in steps[1:]:
            total = _applied(matrix, total, own)
        first = _kept(links.whole, total)
    starts = [tuple(np.broadcast_to(number, steps[0][1][0].shape) for number in first)]
    for matrix, own in steps:
        starts.append(_applied(matrix, starts[-1], own))
    begun = tuple(np.stack([start[row] for start in starts[:-1]]) for row in (0, 1))
    places = [begun]
    for matrix, own in zip(links.within[:-1], pushed[:-1], strict=True):
        places.append(_applied(matrix, begun, own))
    return tuple(
        np.concatenate([
            np.stack([place[row] for place in places], axis=1)
            .reshape(groups * GROUP, -1)[: links.length],
            starts[-1][row][None],
        ])
        for row in (0, 1)
    )  # fmt: skip


def _grouped(entry, fill):
    """Cut (k, n) into groups, the last one filled up with maps that change nothing."""
    groups = -(-entry.shape[0] // GROUP)
    missing = groups * GROUP - entry.shape[0]
    if missing:
        entry = np.concatenate([entry, np.full((missing, entry.shape[1]), fill)])
    return entry.reshape(groups, GROUP, -1)


def _times(after, before):
    """Product of two matrices."""
    e, f, g, h = after
    a, b, c, d = before
    return e * a + f * c, e * b + f * d, g * a + h * c, g * b + h * d


def _applied(matrix, numbers, added):
    a, b, c, d = matrix
    x, y = numbers
    return a * x + b * y + added[0], c * x + d * y + added[1]


def _kept(matrix, added):
    """Return the two numbers that a map gives back as they were."""
    a, b, c, d = matrix
    p, q = added
    determinant = (1.0 - a) * (1.0 - d) - b * c
    return ((1.0 - d) * p + b * q) / determinant, ((1.0 - a) * q + c * p) / determinant
