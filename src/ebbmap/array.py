"""Free functions on arrays of any engine: formulas read as mathematics and are written once.

``from ebbmap.array import exp, where``: NumPy's arrays and plain numbers go to NumPy at once;
every other array names its own functions, as the array API standard has it
(``__array_namespace__``): those of JAX, of array-api-strict and of the tracer. Nothing here looks
at a value but `some` and `few`, which NumPy answers and every other engine leaves open, so that
work that changes nothing is saved where that can be known.
Sizes: shape (...) is any.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from sys import float_info, modules
from typing import Any, NamedTuple, Protocol

import numpy as np

#: The smallest number that keeps all its digits: stands in for nought as a divisor.
TINY = float_info.min

#: Types that go to NumPy without being asked.
_PLAIN = frozenset({np.ndarray, np.float64, np.int8, np.bool_, float, int, bool})

DOCSTRING = "Return `{}` of the array API standard, by the engine of the arrays."


def namespace(*values: Any) -> Any:
    """Return the functions of the first value that is no plain number, NumPy's if all are.

    Examples
    --------
    >>> namespace(1.0, np.ones(2)) is np
    True
    """
    for value in values:
        if type(value) not in _PLAIN and hasattr(value, "__array_namespace__"):
            return value.__array_namespace__()
    return np


def is_plain(value: Any) -> bool:
    """Return whether a value is a number or an array of NumPy's, which can be looked at."""
    return type(value) in _PLAIN or namespace(value) is np


def _of_one(name: str) -> Callable[[Any], Any]:
    """Return a function of one array that dispatches, by its name in the standard."""
    plain = getattr(np, name)

    def function(x: Any) -> Any:
        return plain(x) if type(x) in _PLAIN else getattr(namespace(x), name)(x)

    function.__name__ = function.__qualname__ = name
    function.__doc__ = DOCSTRING.format(name)
    return function


def _of_two(name: str) -> Callable[[Any, Any], Any]:
    """Return a function of two arrays that dispatches, by its name in the standard."""
    plain = getattr(np, name)

    def function(x: Any, y: Any) -> Any:
        if type(x) in _PLAIN and type(y) in _PLAIN:
            return plain(x, y)
        return getattr(namespace(x, y), name)(x, y)

    function.__name__ = function.__qualname__ = name
    function.__doc__ = DOCSTRING.format(name)
    return function


exp, expm1 = _of_one("exp"), _of_one("expm1")
log, log1p = _of_one("log"), _of_one("log1p")
sqrt, square = _of_one("sqrt"), _of_one("square")
sin = _of_one("sin")
absolute, floor = _of_one("abs"), _of_one("floor")
#: Nearest whole number, halves to the even one.
nearest = _of_one("round")
isnan, isfinite = _of_one("isnan"), _of_one("isfinite")
minimum, maximum = _of_two("minimum"), _of_two("maximum")


def where(condition: Any, x: Any, y: Any) -> Any:
    """Return `x` where a condition holds and `y` elsewhere, shape (...).

    Examples
    --------
    >>> where(np.array([True, False]), 1.0, 2.0).tolist()
    [1.0, 2.0]
    """
    if type(condition) in _PLAIN and type(x) in _PLAIN and type(y) in _PLAIN:
        return np.where(condition, x, y)
    space = namespace(condition, x, y)
    if type(condition) in (bool, np.bool_):
        condition = space.asarray(bool(condition))
    return space.where(condition, x, y)


def clip(x: Any, low: Any, high: Any) -> Any:
    """Return values kept between two others, NaN staying NaN, shape (...).

    Examples
    --------
    >>> clip(np.array([-1.0, 3.0]), 0.0, 1.0).tolist()
    [0.0, 1.0]
    """
    if type(x) in _PLAIN:
        return np.clip(x, low, high)
    return minimum(maximum(x, low), high)


def quotient(x: Any, by: float) -> Any:
    """Return values over a constant as every engine rounds it, shape (...).

    Examples
    --------
    >>> float(quotient(np.array(550000000.0), 1e9))
    0.55
    """
    if is_plain(x):
        return x / by
    # a compiler multiplies by the reciprocal of what it sees to be constant, and rounds twice
    return x / where(isnan(x), x, by)


def on_steps(x: Any, step: float) -> Any:
    """Return the nearest multiples of a step, halves at the even one, shape (...).

    Examples
    --------
    >>> on_steps(np.array([1.26, 2.5]), 1.0).tolist()
    [1.0, 2.0]
    """
    return nearest(quotient(x, step)) * step


def to_digits(x: Any, digits: int) -> Any:
    """Return numbers to some digits behind the point, shape (...).

    Examples
    --------
    >>> to_digits(np.array([11 * 0.05]), 9).tolist()
    [0.55]
    """
    return quotient(nearest(x * 10.0**digits), 10.0**digits)


def falses(like: Any) -> Any:
    """Return a mask of another array's shape and engine that holds nowhere.

    Examples
    --------
    >>> falses(np.ones(2)).tolist()
    [False, False]
    """
    return namespace(like).zeros(np.shape(like), dtype=bool)


def fmin(x: Any, y: Any) -> Any:
    """Return the smaller of two values; where one is NaN the other, shape (...).

    Examples
    --------
    >>> fmin(np.array([1.0, np.nan]), 2.0).tolist()
    [1.0, 2.0]
    """
    if type(x) in _PLAIN and type(y) in _PLAIN:
        return np.fmin(x, y)
    y_kept = where(isnan(y), x, y)
    return where(isnan(x), y_kept, minimum(x, y_kept))


def repeat(times: int, step: Callable[[Any, Any], tuple[Any, Any]], first: Any, second: Any) -> Any:
    """Take a step a fixed number of times, from two arrays or lists of some to two like them.

    An engine that compiles, compiles the step once.

    Examples
    --------
    >>> repeat(3, lambda a, b: (b, a + b), 1.0, 1.0)
    (3.0, 5.0)
    """
    if namespace(first, second).__name__ == "jax.numpy":
        # whoever handed in its arrays has loaded it
        return modules["jax"].lax.fori_loop(0, times, lambda _, both: step(*both), (first, second))
    for _ in range(times):
        first, second = step(first, second)
    return first, second


class Rows(list[Any]):
    """Rows of an array that stay apart: what is made of them is rows again, no array of all."""


class Picked(NamedTuple):
    """Rows that are one of a few: row i is ``values[which[i]]``."""

    values: Any
    """Shape (m, n)."""
    which: Any
    """Whole numbers, shape (k,)."""


class Table(Protocol):
    """What a function of single cases sees of arrays whose first axis is that of rows."""

    def read(self, row: Any) -> Any:
        """Return a row of everything that was given, in the same tree."""

    def write(self, name: str, row: Any, value: Any) -> None:
        """Put a row into a result; of a result of s times k rows, row ``(which of s, row)``."""

    def loop(self, times: int, step: Callable[[Any, Any], Any], first: Any) -> Any:
        """Take ``carry = step(number, carry)`` a fixed number of times; return the last carry."""

    def call(self, function: Callable[..., Any], *arguments: Any) -> Any:
        """Return what a function of rows returns that neither reads nor writes any other."""

    def constant(self, value: float) -> Any:
        """Return one number for every case."""


#: ``run(body, cases, rows, results) -> arrays by name``: calls ``body(cases, table)`` for blocks of
#: cases. `cases` is a tree of arrays (n,), `rows` one of arrays (k, n), (k, 1), `Picked`, or
#: (s, k, n), a row of which is read as a list of s; `results` has the number of rows of each
#: result, or s and k.
Kernel = Callable[
    [Callable[[Any, Table], None], Any, Any, Mapping[str, int | tuple[int, int]]], dict[str, Any]
]

_KERNEL: ContextVar[Kernel | None] = ContextVar("kernel", default=None)


@contextmanager
def use_kernel(run: Kernel | None) -> Iterator[None]:
    """Run long loops in kernels of the engine's own, within a ``with`` block."""
    token = _KERNEL.set(run)
    try:
        yield
    finally:
        _KERNEL.reset(token)


def kernel() -> Kernel | None:
    """Return how the engine in use runs a long loop in one kernel; None if on whole arrays."""
    return _KERNEL.get()


def floats(value: Any) -> np.ndarray:
    """Return numbers as an array of floats of their own engine, shape (...).

    Examples
    --------
    >>> floats([1, 2]).tolist()
    [1.0, 2.0]
    """
    found: np.ndarray = np.asarray(value, dtype=float) if namespace(value) is np else value
    return found


def some(mask: Any) -> bool:
    """Return whether a mask holds anywhere; True too where its engine cannot say.

    Only for work that changes nothing where the mask holds nowhere.

    Examples
    --------
    >>> some(np.array([False, False]))
    False
    """
    return bool(np.any(mask)) if is_plain(mask) else True


def few(mask: Any, share: float) -> bool:
    """Return whether a mask holds in at most a share of all; False where its engine cannot say.

    Only to leave a loop early that would change nothing more.

    Examples
    --------
    >>> few(np.array([True, False, False]), 0.5)
    True
    """
    return bool(np.count_nonzero(mask) <= share * np.size(mask)) if is_plain(mask) else False


def code(number: int, like: Any) -> Any:
    """Return a number that stands for a word, as a byte of another array's engine, shape ().

    Examples
    --------
    >>> code(3, np.ones(2)).dtype
    dtype('int8')
    """
    space = namespace(like)
    return np.int8(number) if space is np else space.asarray(number, dtype=space.int8)


def numbered(mask: Any, number: int) -> Any:
    """Return a number where a mask holds and 0 elsewhere, as bytes, shape (...).

    Examples
    --------
    >>> numbered(np.array([True, False]), 3).tolist()
    [3, 0]
    """
    if is_plain(mask):
        return mask * np.int8(number)
    return where(mask, code(number, mask), code(0, mask))


def stack(arrays: Sequence[Any], axis: int = 0) -> Any:
    """Return arrays of one shape, put on a new axis."""
    space = namespace(*arrays)
    return space.stack([space.asarray(one) for one in arrays], axis=axis)


def concatenate(arrays: Sequence[Any], axis: int = 0) -> Any:
    """Return arrays, put one behind the other."""
    space = namespace(*arrays)
    return space.concat([space.asarray(one) for one in arrays], axis=axis)


def of_engine(value: Any, like: Any) -> Any:
    """Return a constant array as one of another array's engine."""
    space = namespace(like)
    return value if space is np else space.asarray(value)


def zeros_like(x: Any) -> Any:
    """Return noughts of an array's shape."""
    return namespace(x).zeros_like(x)


def ones_like(x: Any) -> Any:
    """Return ones of an array's shape."""
    return namespace(x).ones_like(x)


def broadcast_to(x: Any, shape: tuple[int, ...]) -> Any:
    """Return an array at a larger shape."""
    return namespace(x).broadcast_to(x, shape)


def broadcast_arrays(*arrays: Any) -> Any:
    """Return arrays at their common shape."""
    return namespace(*arrays).broadcast_arrays(*arrays)


def take_along_axis(x: Any, index: Any, axis: int) -> Any:
    """Return the entries of an array at indices along an axis."""
    return namespace(x, index).take_along_axis(x, index, axis=axis)


def sort(x: Any, axis: int = -1) -> Any:
    """Return an array in rising order along an axis."""
    return namespace(x).sort(x, axis=axis)


def moveaxis(x: Any, source: int, destination: int) -> Any:
    """Return an array with one axis moved."""
    return namespace(x).moveaxis(x, source, destination)


def diff(x: Any, axis: int = -1) -> Any:
    """Return each entry less the one before along an axis."""
    return namespace(x).diff(x, axis=axis)
