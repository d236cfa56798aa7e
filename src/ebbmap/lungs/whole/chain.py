"""Many linear maps of two numbers, one after the other: x -> M x + p, for all cases at once.

They are chained in groups, all groups at a time, and then group by group: few operations on long
arrays instead of many on short ones. The first axes are those of the matrix or of the numbers.
Sizes: k maps, g groups of `GROUP` maps, n cases.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

import numpy as np

from ebbmap.array import Table, broadcast_to, concatenate, stack

#: Maps in a group: a divisor of their usual number, near its square root, where the cost is least.
GROUP = 9


class Chain(NamedTuple):
    """The matrices of k maps, chained."""

    length: int
    each: np.ndarray
    """Matrix of each map, shape (2, 2, g, GROUP, n)."""
    within: list[np.ndarray]
    """Matrix from the start of each group to the end of each of its maps, (2, 2, g, n) each."""
    whole: np.ndarray
    """Matrix from the first start to the last end, shape (2, 2, n)."""


def chain(matrices: np.ndarray) -> Chain:
    """Chain the matrices of k maps, shape (2, 2, k, n)."""
    length = matrices.shape[2]
    each = _grouped(matrices, np.eye(2)[..., None, None])
    within = [each[..., 0, :]]
    for place in range(1, GROUP):
        within.append(_times(each[..., place, :], within[-1]))
    whole = within[-1][..., 0, :]
    for group in range(1, each.shape[2]):
        whole = _times(within[-1][..., group, :], whole)
    return Chain(length, each, within, whole)


def follow(
    links: Chain, added: np.ndarray, first: tuple[np.ndarray, np.ndarray] | None = None
) -> np.ndarray:
    """Follow two numbers through all maps.

    Parameters
    ----------
    links : Chain
        The matrices.
    added : ndarray, shape (2, k, n)
        What each map adds.
    first : pair of ndarray, shape (n,), optional
        What to begin with. If None: what also comes out at the end.

    Returns
    -------
    ndarray, shape (2, k + 1, n)
        The two numbers before each map and after the last.

    Examples
    --------
    >>> one = np.ones((3, 1))
    >>> halving = chain(0.5 * np.eye(2)[..., None, None] * one)
    >>> follow(halving, np.stack([one, one]))[0].ravel().tolist()
    [2.0, 2.0, 2.0, 2.0]
    """
    pushes = _grouped(added, np.zeros((2, 1, 1)))
    pushed = [pushes[..., 0, :]]
    for place in range(1, GROUP):
        pushed.append(_applied(links.each[..., place, :], pushed[-1], pushes[..., place, :]))
    through, last = links.within[-1], pushed[-1]
    groups = last.shape[1]
    if first is None:
        total = last[:, 0]
        for group in range(1, groups):
            total = _applied(through[..., group, :], total, last[:, group])
        first = _kept(links.whole, total)
    starts = [broadcast_to(stack(first), last[:, 0].shape)]
    for group in range(groups):
        starts.append(_applied(through[..., group, :], starts[-1], last[:, group]))
    begun = stack(starts[:-1], axis=1)
    places = [begun]
    for matrix, own in zip(links.within[:-1], pushed[:-1], strict=True):
        places.append(_applied(matrix, begun, own))
    before = stack(places, axis=2).reshape(2, groups * GROUP, -1)[:, : links.length]
    return concatenate([before, starts[-1][:, None]], axis=1)


def walk(
    table: Table,
    length: int,
    link: Callable[[Any], tuple[Sequence[Any], Sequence[Any], Any]],
    see: Callable[[Any, Any, Any, Any], None],
) -> None:
    """Go through maps one after the other: once to find what closes, once more to see the numbers.

    Writes `volume` and `spread` before each map and after the last, and the entries of `whole`.

    Parameters
    ----------
    table : Table
        Where to write.
    length : int
        How many maps.
    link : callable
        ``link(number) -> (matrix, added, kept)`` of one map: its entries row by row, what it adds,
        and what to hand on.
    see : callable
        ``see(number, kept, volume, spread)`` is called with the numbers before each map.
    """

    def compose(number: Any, so_far: Sequence[Any]) -> tuple[Any, ...]:
        (a, b, c, d), added, _ = link(number)
        p, q, r, s, *pushed = so_far
        products = a * p + b * r, a * q + b * s, c * p + d * r, c * q + d * s
        return *products, *_sent((a, b, c, d), pushed, added)

    def go_on(number: Any, numbers: Sequence[Any]) -> tuple[Any, ...]:
        table.write("volume", number, numbers[0])
        table.write("spread", number, numbers[1])
        matrix, added, kept = link(number)
        see(number, kept, *numbers)
        return _sent(matrix, numbers, added)

    nought, one = table.constant(0.0), table.constant(1.0)
    p, q, r, s, *added = table.loop(length, compose, (one, nought, nought, one, nought, nought))
    last = table.loop(length, go_on, _kept(((p, q), (r, s)), added))
    table.write("volume", length, last[0])
    table.write("spread", length, last[1])
    for number, entry in enumerate((p, q, r, s)):
        table.write("whole", number, entry)


def _sent(matrix: Sequence[Any], numbers: Sequence[Any], added: Sequence[Any]) -> tuple[Any, Any]:
    """Send two numbers through a map whose entries are given row by row."""
    a, b, c, d = matrix
    x, y = numbers
    return a * x + b * y + added[0], c * x + d * y + added[1]


def _grouped(entries: np.ndarray, nothing: np.ndarray) -> np.ndarray:
    """Cut (..., k, n) into groups, the last one filled up with maps that change nothing."""
    *axes, length, cases = entries.shape
    groups = -(-length // GROUP)
    missing = groups * GROUP - length
    if missing:
        filling = broadcast_to(nothing, (*axes, missing, cases))
        entries = concatenate([entries, filling], axis=-2)
    return entries.reshape(*axes, groups, GROUP, cases)


def _times(after: np.ndarray, before: np.ndarray) -> Any:
    """Product of two matrices."""
    return after[:, :1] * before[:1] + after[:, 1:] * before[1:]


def _applied(
    matrix: np.ndarray, numbers: Sequence[np.ndarray] | np.ndarray, added: np.ndarray
) -> Any:
    return matrix[:, 0] * numbers[0] + matrix[:, 1] * numbers[1] + added


def _kept(matrix: Any, added: Sequence[Any] | np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the two numbers that a map gives back as they were."""
    (a, b), (c, d) = matrix
    p, q = added
    determinant = (1.0 - a) * (1.0 - d) - b * c
    return ((1.0 - d) * p + b * q) / determinant, ((1.0 - a) * q + c * p) / determinant
