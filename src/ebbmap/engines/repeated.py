"""A step of a simulation that JAX compiles once and repeats on the device.

Sizes: n cases.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np

from ebbmap.engines.columns import double_precision
from ebbmap.engines.masked import mapped, part_of

#: Cases that go between host and device at a time: one size is compiled.
TAKEN = 1024

#: Leading bits of a number of cases that are kept, so that few sizes are compiled.
BITS = 4


def filled_size(cases: int) -> int:
    """Return how many cases a number of them is filled up to, by an eighth at most.

    Examples
    --------
    >>> filled_size(1000), filled_size(1025)
    (1024, 1152)
    """
    step = 1 << max(cases.bit_length() - BITS, 0)
    return -(-cases // step) * step


class Repeated:
    """A step from what is carried to what is carried on.

    Parameters
    ----------
    step : callable
        ``step(time, carried, given) -> carried``, in functions of any engine; trees of arrays.
    left : callable
        ``left(carried) -> mask``, shape (n,): for which cases the host must do something before
        the next step.
    """

    def __init__(self, step: Callable[[Any, Any, Any], Any], left: Callable[[Any], Any]):
        with double_precision() as jax:

            def run(first: Any, last: Any, carried: Any, given: Any) -> tuple[Any, Any]:
                def more(now: tuple[Any, Any]) -> Any:
                    return (now[0] < last) & ~left(now[1]).any()

                def one(now: tuple[Any, Any]) -> tuple[Any, Any]:
                    return now[0] + 1, step(*now, given)

                time, carried = jax.lax.while_loop(more, one, (first, carried))
                return time, carried

            def put(tree: Any, index: Any, values: Any) -> Any:
                return mapped(lambda old, new: old.at[..., index].set(new), tree, values)

            # what is carried is given up, so that the device holds it once
            self._run = jax.jit(run, donate_argnums=2)
            self._take, self._put = jax.jit(part_of), jax.jit(put, donate_argnums=0)
        self._left = left

    def run(self, first: int, last: int, carried: Any, given: Any) -> tuple[int, Any]:
        """Repeat the step from a time until another one, or until something is left.

        Returns
        -------
        time : int
            That of the next step.
        carried : tree of arrays
            On the device; what was handed in is used up.
        """
        with double_precision():
            time, carried = self._run(np.int64(first), np.int64(last), carried, given)
            return int(time), carried

    def left(self, carried: Any) -> Iterator[np.ndarray]:
        """Yield the numbers of cases that are left, `TAKEN` at a time at most."""
        numbers = np.flatnonzero(np.asarray(self._left(carried)))
        for start in range(0, numbers.size, TAKEN):
            yield numbers[start : start + TAKEN]

    def take(self, tree: Any, cases: np.ndarray) -> Any:
        """Return some cases of a tree, as arrays of NumPy."""
        with double_precision():
            taken = mapped(np.asarray, self._take(tree, _filled(cases)))
        return part_of(taken, slice(cases.size))

    def put(self, tree: Any, cases: np.ndarray, values: Any) -> Any:
        """Return a tree with some cases replaced; what was handed in is used up."""
        with double_precision():
            return self._put(tree, _filled(cases), mapped(_filled, values))


def _filled(array: np.ndarray) -> np.ndarray:
    """Return an array filled up to `TAKEN` cases with its last one."""
    return array[..., np.minimum(np.arange(TAKEN), array.shape[-1] - 1)]


def on_device(tree: Any) -> Any:
    """Return a tree of arrays on the device, in double precision."""
    with double_precision() as jax:
        return mapped(jax.numpy.array, tree)


def on_host(tree: Any) -> Any:
    """Return a tree of arrays as NumPy's."""
    return mapped(np.asarray, tree)
