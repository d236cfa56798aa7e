"""Boxes of a broadcast shape: how arrays are cut, and memory that is kept for them.

Sizes: shape (...) is the broadcast shape of all inputs.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

#: Bytes: below the 32 MiB above which glibc stops adapting.
KEPT_HEAP = 24 * 2**20


def boxes(shape: tuple[int, ...], size: int) -> Iterator[tuple[slice, ...]]:
    """Cut a shape into boxes of at most about `size` cases, in C order.

    Examples
    --------
    >>> list(boxes((5,), 3))
    [(slice(0, 3, None),), (slice(3, 5, None),)]
    """
    split, inner = len(shape), 1
    while split > 0 and inner * shape[split - 1] <= size:
        split -= 1
        inner *= shape[split]
    whole = tuple(slice(0, length) for length in shape[split:])
    if split == 0:
        yield whole
        return
    step = max(1, size // inner)
    for outer in np.ndindex(*shape[: split - 1]):
        at = tuple(slice(i, i + 1) for i in outer)
        for start in range(0, shape[split - 1], step):
            yield (*at, slice(start, min(start + step, shape[split - 1])), *whole)


def view(array: np.ndarray, box: tuple[slice, ...]) -> np.ndarray:
    """Cut a box out of an array whose axes have full length or length one.

    Examples
    --------
    >>> view(np.arange(3.0)[:, None], (slice(1, 2), slice(0, 9))).shape
    (1, 1)
    """
    if array.ndim == 0:
        return array
    return array[
        tuple(
            cut if length > 1 else slice(None) for cut, length in zip(box, array.shape, strict=True)
        )
    ]


def keep_heap() -> None:
    """Make the C library keep the memory of a freed block instead of giving it back each time.

    glibc raises its thresholds when a large piece is freed; without this, every temporary of a
    block is paid for again in page faults, which doubles the time of the linear lung.
    """
    np.empty(KEPT_HEAP // 8)


def aligned(value: np.ndarray, ndim: int) -> np.ndarray:
    """Give an array leading axes of length one, so that a box can be cut from it; 0-d stays."""
    array = np.asarray(value, dtype=float)
    return array if array.ndim == 0 else array.reshape((1,) * (ndim - array.ndim) + array.shape)
