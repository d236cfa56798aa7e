"""How a sweep is cut into blocks. The study alone fixes it, never the number of workers.

A block is one chunk of the store: one task writes it, so no two tasks touch one file.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import prod

import numpy as np


@dataclass(frozen=True)
class Layout:
    """Named dimensions, cut into boxes of one shape.

    Parameters
    ----------
    dims : tuple of str
        The population first, then the axes, then the drawn lungs.
    shape, chunk : tuple of int
        Length of each dimension, and of a block along it.
    grows : bool
        Whether the last dimension may get longer: blocks are numbered along it last of all, so
        that those which are there keep their numbers.
    """

    dims: tuple[str, ...]
    shape: tuple[int, ...]
    chunk: tuple[int, ...]
    grows: bool = False

    @property
    def cases(self) -> int:
        """All cases."""
        return prod(self.shape)

    @property
    def grid(self) -> tuple[int, ...]:
        """Blocks along each dimension."""
        return tuple(-(-n // step) for n, step in zip(self.shape, self.chunk, strict=True))

    @property
    def blocks(self) -> int:
        """All blocks."""
        return prod(self.grid)

    def place(self, number: int) -> tuple[int, ...]:
        """Return the index of a block along each dimension, in C order unless the last may grow."""
        if not self.grows:
            return tuple(int(i) for i in np.unravel_index(number, self.grid))
        last, rest = divmod(number, prod(self.grid[:-1]))
        return (*(int(i) for i in np.unravel_index(rest, self.grid[:-1])), last)

    def box(self, number: int) -> tuple[slice, ...]:
        """Return the cases of a block, as a box.

        Examples
        --------
        >>> cut("px", (2, 5), 3).box(3)
        (slice(1, 2, None), slice(3, 5, None))
        """
        return tuple(
            slice(i * step, min((i + 1) * step, length))
            for i, step, length in zip(self.place(number), self.chunk, self.shape, strict=True)
        )

    def cases_in(self, number: int) -> int:
        """Return how many cases a block has."""
        return prod(side.stop - side.start for side in self.box(number))


def cut(dims: Sequence[str], shape: Sequence[int], cases: int) -> Layout:
    """Cut a shape into blocks of at most `cases` cases, whole along the last dimensions.

    Parameters
    ----------
    dims, shape : sequence
        Names and lengths; a block never spans two places of the first.
    cases : int
        Most cases in a block, >= 1.

    Examples
    --------
    >>> cut("pxy", (2, 10, 100), 450).chunk
    (1, 4, 100)
    """
    chunk, room = [1] * len(shape), cases
    for axis in range(len(shape) - 1, 0, -1):
        # pieces of even length, so that the last one is not tiny
        pieces = -(-shape[axis] // max(1, min(room, shape[axis])))
        chunk[axis] = -(-shape[axis] // pieces)
        if pieces > 1:
            break
        room //= shape[axis]
    return Layout(tuple(dims), tuple(shape), tuple(chunk))
