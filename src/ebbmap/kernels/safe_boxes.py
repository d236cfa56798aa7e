"""The largest box of settings that serves a share of lungs: an exact search on a grid.

A box *serves* a lung if every setting of the box is safe for it. Sizes: n lungs, g = (g1 ... gd)
places along each of d axes, G = their product.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

#: Lungs in one machine word.
WORD = 64


@dataclass(frozen=True)
class Boxes:
    """The largest box for every number of lungs served.

    Parameters
    ----------
    size : ndarray of int64, shape (n + 1,)
        Grid places in the largest box that serves at least 0, 1, ... n lungs; 0 where none does.
    first, last : ndarray of int64, shape (n + 1, d)
        Its first and last place along every axis.
    """

    size: np.ndarray
    first: np.ndarray
    last: np.ndarray

    def serving(self, share: float) -> tuple[np.ndarray, np.ndarray] | None:
        """Return the first and last places of the largest box that serves this share, or None."""
        need = int(np.ceil(share * (self.size.size - 1) - 1e-9))
        return None if self.size[need] == 0 else (self.first[need], self.last[need])


def largest_boxes(safe: np.ndarray) -> Boxes:
    """Find the largest box for every number of lungs served, exactly.

    Parameters
    ----------
    safe : ndarray of bool, shape (g1, ..., gd, n)
        Whether a setting is safe for a lung.

    Returns
    -------
    Boxes
        Of boxes of equal size the one found first, in order of their places.

    Notes
    -----
    Every box of the grid is looked at. Lungs are packed 64 to a word, and the lungs served by a
    box are the bitwise *and* over its places: running *and*s along one axis at a time give all
    boxes with one operation per word each. A partial box is given up when even its best
    completion is neither larger nor serves more than what is known already.

    Examples
    --------
    >>> safe = np.array([[1, 0], [1, 1], [1, 1]], bool)
    >>> boxes = largest_boxes(safe)
    >>> boxes.size.tolist(), boxes.first[2].tolist(), boxes.last[2].tolist()
    ([3, 3, 2], [1], [2])
    """
    *grid, n = safe.shape
    words = -(-n // WORD)
    padded = np.zeros((*grid, words * WORD), bool)
    padded[..., :n] = safe
    packed = np.packbits(padded, axis=-1).view(np.uint64)
    best = _Best(n, len(grid))
    _search(packed, tuple(grid), (), (), 1, best)
    return best.boxes()


class _Best:
    """The largest box so far for each exact number of lungs served."""

    def __init__(self, lungs: int, axes: int) -> None:
        self.size = np.zeros(lungs + 1, np.int64)
        self.first = np.zeros((lungs + 1, axes), np.int64)
        self.last = np.zeros((lungs + 1, axes), np.int64)

    def offer(
        self, count: np.ndarray, size: np.ndarray, first: np.ndarray, last: np.ndarray
    ) -> None:
        """Take the largest box for each count, shapes (b,), (b,), (b, d), (b, d)."""
        order = np.lexsort((np.arange(size.size), -size, count))
        count, size, first, last = count[order], size[order], first[order], last[order]
        head = np.r_[True, count[1:] != count[:-1]]
        count, size, first, last = count[head], size[head], first[head], last[head]
        better = size > self.size[count]
        self.size[count[better]] = size[better]
        self.first[count[better]] = first[better]
        self.last[count[better]] = last[better]

    def beaten(self, most_served: int, most_size: int) -> bool:
        """Return whether some known box serves at least as many lungs and is at least as large."""
        return bool(self.size[most_served:].max() >= most_size)

    def boxes(self) -> Boxes:
        """Return the boxes found; one that serves more lungs stands for fewer, too."""
        size, first, last = self.size.copy(), self.first.copy(), self.last.copy()
        for count in range(size.size - 2, -1, -1):
            if size[count + 1] >= size[count]:
                size[count], first[count], last[count] = (
                    size[count + 1],
                    first[count + 1],
                    last[count + 1],
                )
        return Boxes(size, first, last)


def _search(
    packed: np.ndarray,
    grid: tuple[int, ...],
    first: tuple[int, ...],
    last: tuple[int, ...],
    size: int,
    best: _Best,
) -> None:
    """Fix the range of one axis after the other; the last two at once, on whole arrays."""
    depth = len(first)
    rest = int(np.prod(grid[depth:]))
    if best.beaten(_most(packed), size * rest):
        return
    if len(grid) - depth > 2:
        for start in range(grid[depth]):
            running = packed[start]
            for stop in range(start, grid[depth]):
                running = running & packed[stop]
                _search(
                    running, grid, (*first, start), (*last, stop), size * (stop - start + 1), best
                )
        return
    if len(grid) - depth == 1:
        _last_axis(packed[None], grid, first, last, size, best, None)
        return
    for start in range(grid[depth]):
        running = np.bitwise_and.accumulate(packed[start:], axis=0)
        _last_axis(running, grid, first, last, size, best, start)


def _last_axis(
    running: np.ndarray,
    grid: tuple[int, ...],
    first: tuple[int, ...],
    last: tuple[int, ...],
    size: int,
    best: _Best,
    start: int | None,
) -> None:
    """Look at every range of the last axis for ranges [start, start + i] of the one before."""
    held = len(first)
    before = 1 if start is None else np.arange(1, running.shape[0] + 1)[:, None]
    for begin in range(grid[-1]):
        served = np.bitwise_and.accumulate(running[:, begin:], axis=1)
        count = np.bitwise_count(served).sum(axis=-1, dtype=np.int64)
        sizes = size * before * np.arange(1, count.shape[1] + 1)
        i, j = np.nonzero(sizes > best.size[count])
        if i.size == 0:
            continue
        lows = np.empty((i.size, len(grid)), np.int64)
        highs = np.empty((i.size, len(grid)), np.int64)
        lows[:, :held], highs[:, :held] = first, last
        if start is not None:
            lows[:, held], highs[:, held] = start, start + i
        lows[:, -1], highs[:, -1] = begin, begin + j
        best.offer(count[i, j], np.broadcast_to(sizes, count.shape)[i, j], lows, highs)


def _most(packed: np.ndarray) -> int:
    """Return the lungs that the best single place serves."""
    return int(np.bitwise_count(packed).sum(axis=-1, dtype=np.int64).max())
