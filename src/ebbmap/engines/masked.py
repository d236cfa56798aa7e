"""What is done to some of many cases: a function of whole arrays, for those where a mask holds.

NumPy takes the cases out, works on these alone and puts them back; an engine that compiles works on
all and keeps the others, or takes out so many at a time where the work costs more than the rest.
A tree is an array, or a tuple or mapping of trees; cases are on the last axis. Sizes: n cases.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from sys import modules
from typing import Any

import numpy as np

from ebbmap.array import is_plain, namespace, where


def mapped(function: Callable[..., Any], tree: Any, *others: Any) -> Any:
    """Return a tree of what a function makes of each array, and of those at its place in others.

    Examples
    --------
    >>> mapped(lambda one, two: one + two, {"a": (1, 2)}, {"a": (3, 4)})
    {'a': (4, 6)}
    """
    if isinstance(tree, Mapping):
        return {key: mapped(function, tree[key], *(one[key] for one in others)) for key in tree}
    if isinstance(tree, tuple):
        parts = [mapped(function, *leaves) for leaves in zip(tree, *others, strict=True)]
        return type(tree)(*parts) if hasattr(tree, "_fields") else tuple(parts)
    return function(tree, *others)


def part_of(tree: Any, index: Any) -> Any:
    """Return some cases of every array of a tree; single numbers as they are."""
    return mapped(lambda array: array[..., index] if np.ndim(array) else array, tree)


def for_some(
    mask: Any,
    change: Callable[[Any, Any], Any],
    tree: Any,
    given: Any = (),
    at_once: int | None = None,
) -> Any:
    """Return a tree of arrays, changed for the cases where a mask holds.

    Parameters
    ----------
    mask : array of bool, shape (n,)
        Which cases are changed.
    change : callable
        ``change(tree, given) -> tree`` for any cases, each by itself, in functions of any engine.
    tree : tree of arrays, shape (..., n)
        What is changed. Arrays of NumPy are written in place.
    given : tree of arrays, shape (..., n) or ()
        What is only read.
    at_once : int, optional
        Cases that an engine which compiles takes out at a time; None: it changes all and keeps the
        rest as it was.

    Examples
    --------
    >>> volumes = np.array([300.0, 400.0, 500.0])
    >>> for_some(volumes > 350.0, lambda part, more: part + more, volumes, 10.0).tolist()
    [300.0, 410.0, 510.0]
    """
    if is_plain(mask):
        index = np.flatnonzero(mask)
        if index.size:
            mapped(_put_at(index), tree, change(part_of(tree, index), part_of(given, index)))
        return tree
    if namespace(mask).__name__ != "jax.numpy":
        return mapped(lambda old, new: where(mask, new, old), tree, change(tree, given))
    # whoever handed in its arrays has loaded it
    jax = modules["jax"]

    def changed(old: Any) -> Any:
        if at_once is not None:
            return _by_parts(mask, change, old, given, at_once)
        return mapped(lambda o, new: where(mask, new, o).astype(o.dtype), old, change(old, given))

    return jax.lax.cond(mask.any(), changed, lambda old: old, tree)


def _put_at(index: np.ndarray) -> Callable[[np.ndarray, Any], None]:
    """Return a function that writes the values of some cases into an array."""

    def put(array: np.ndarray, values: Any) -> None:
        array[..., index] = values

    return put


def _by_parts(
    mask: Any, change: Callable[[Any, Any], Any], tree: Any, given: Any, at_once: int
) -> Any:
    """Return what `for_some` does by so many cases at a time, within a compiled function."""
    jax = modules["jax"]
    space, size = jax.numpy, mask.shape[0]
    width = min(at_once, size)
    found = space.nonzero(mask, size=size, fill_value=size)[0]
    # a part behind the last case is dropped when it is put back
    found = space.concatenate([found, space.full(width, size, found.dtype)])

    def step(carried: tuple[Any, Any]) -> tuple[Any, Any]:
        start, old = carried
        index = jax.lax.dynamic_slice(found, (start,), (width,))
        kept = space.minimum(index, size - 1)
        new = change(part_of(old, kept), part_of(given, kept))
        return start + width, mapped(
            lambda array, values: array.at[..., index].set(values, mode="drop"), old, new
        )

    count = mask.sum()
    return jax.lax.while_loop(lambda carried: carried[0] < count, step, (count * 0, tree))[1]


def chosen(condition: Any, tree: Any, other: Any) -> Any:
    """Return one of two trees of arrays, by a condition on no case in particular.

    Examples
    --------
    >>> chosen(2 > 1, (1.0, 2.0), (3.0, 4.0))
    (1.0, 2.0)
    """
    if is_plain(condition):
        return tree if condition else other
    return mapped(lambda one, two: where(condition, one, two), tree, other)


def put(array: Any, place: Any, values: Any) -> Any:
    """Return an array with one entry along its first axis replaced; NumPy's is written in place.

    Examples
    --------
    >>> put(np.zeros(3), 1, 5.0).tolist()
    [0.0, 5.0, 0.0]
    """
    if isinstance(array, np.ndarray):
        array[place] = values
        return array
    return array.at[place].set(values)


def added(array: Any, values: Any) -> Any:
    """Return an array with others added; NumPy's is written in place.

    Examples
    --------
    >>> added(np.zeros(2), np.ones(2)).tolist()
    [1.0, 1.0]
    """
    if isinstance(array, np.ndarray):
        array += values
        return array
    return array + values
