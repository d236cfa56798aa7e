"""Functions of columns, compiled by JAX once for blocks of one size.

A column has one value for each case, or one for all. The last block is filled up with its last
case, so that nothing is compiled twice. Precision is asked for in a context of its own: what else
runs in the process keeps the precision that it has. Sizes: n cases.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any

import numpy as np

from ebbmap.engines.kernels import device_runs_kernels, kernels_of_device

#: Cases in a block; of a lung whose cases take much memory each; and of one in kernels, which
#: take less of it and whose blocks are done so fast that their starts count.
BLOCK, COSTLY_BLOCK, KERNEL_BLOCK = 2**20, 2**16, 2**18

#: Cases in a block on a processor: what the blocks hold then stays near it.
PROCESSOR_BLOCK = 2**15

#: The smallest block: smaller ones are filled up to it.
LEAST_BLOCK = 2**10

#: Cases in a block of what one compiled way left, on a processor.
LATER_BLOCK = 2**14

#: Cases below which NumPy takes what one way left, unless the next way is compiled already;
#: and the same before the last way.
LEAST_LEFT, LEAST_LAST = 16384, 2048

Columns = Mapping[str, np.ndarray]


@contextmanager
def double_precision(double: bool = True) -> Iterator[Any]:
    """Give JAX with double or with single precision, within a ``with`` block and nowhere else."""
    import jax

    with jax.enable_x64(double):
        yield jax


def block_size(cases: int, *, costly: bool) -> int:
    """Return how many cases a block has: a power of two, so that few sizes are compiled.

    Examples
    --------
    >>> block_size(1500, costly=True)
    2048
    """
    with double_precision() as jax:
        on_processor = jax.default_backend() == "cpu"
    largest = PROCESSOR_BLOCK if on_processor else costly_block() if costly else BLOCK
    return min(largest, max(LEAST_BLOCK, 1 << max(cases - 1, 0).bit_length()))


def costly_block() -> int:
    """Return how many cases of a lung that takes much memory a block has on an accelerator."""
    return KERNEL_BLOCK if device_runs_kernels() else COSTLY_BLOCK


def later_block() -> int:
    """Return how many cases a block of what is left has: always as many, to compile once."""
    with double_precision() as jax:
        return LATER_BLOCK if jax.default_backend() == "cpu" else COSTLY_BLOCK


def least_left(way: int, ways: int) -> int:
    """Return how many cases must be left for a further way to be compiled for them.

    Parameters
    ----------
    way, ways : int
        The number of the way, from nought, and how many there are. NumPy takes longest for what
        comes to the last.

    Examples
    --------
    >>> [least_left(way, 3) for way in range(3)]
    [0, 16384, 2048]
    """
    return 0 if way == 0 else LEAST_LAST if way == ways - 1 else LEAST_LEFT


class Compiled:
    """A function of columns that JAX compiles.

    Parameters
    ----------
    function : callable
        ``function(columns) -> tree of arrays``, written in functions of any engine.
    double : bool
        Whether it works in double precision; else in single.
    """

    def __init__(self, function: Callable[[Mapping[str, Any]], Any], *, double: bool = True):
        self._double = double
        with double_precision(double) as jax:
            self._function = jax.jit(function)

    def __call__(self, columns: Columns) -> Any:
        """Return what the function returns, on the device."""
        with double_precision(self._double) as jax, kernels_of_device():
            placed = {name: jax.numpy.asarray(value) for name, value in columns.items()}
            return self._function(placed)


def blocks(columns: Columns, cases: np.ndarray, size: int) -> Iterator[tuple[np.ndarray, Columns]]:
    """Yield which cases a block has, and its columns, all of one size.

    Parameters
    ----------
    columns : mapping of str to ndarray, shape (n,) or ()
        Values by name.
    cases : ndarray of int, shape (m,)
        Which of the n cases are wanted.
    size : int
        Cases in a block; the last one repeats its last case.

    Examples
    --------
    >>> [part["x"].tolist() for _, part in blocks({"x": np.arange(3.0)}, np.arange(3), 2)]
    [[0.0, 1.0], [2.0, 2.0]]
    """
    for start in range(0, cases.size, size):
        index = cases[start : start + size]
        filled = np.concatenate([index, np.repeat(index[-1:], size - index.size)])
        yield index, {name: v[filled] if v.ndim else v for name, v in columns.items()}
