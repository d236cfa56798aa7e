"""Draws that are a function of seed, stream and counters: the same numbers wherever they are drawn.

A block cipher of few rounds turns a counter into bits, so that neither blocks nor devices nor
engines change a draw. Written in whole numbers of 32 bits, which every engine wraps alike.
Sizes: d streams, n cases.

References
----------
.. [1] Salmon JK et al., Parallel random numbers: as easy as 1, 2, 3, Proc. SC 2011, Threefry-2x32
   with 20 rounds (from memory; checked against JAX's own).
"""

from __future__ import annotations

from typing import Any

from ebbmap.array import namespace
from ebbmap.special import normal_quantile

ROTATIONS = ((13, 15, 26, 6), (17, 29, 16, 24))

#: Makes the third word of the key, so that no key is all noughts.
PARITY = 0x1BD11BDA

#: Bits that are kept of the two words, so that a number fits the digits of a double.
HIGH, LOW = 26, 27


def threefry(seed: Any, stream: Any, first: Any, second: Any) -> tuple[Any, Any]:
    """Return two words of 32 bits for every pair of counters; all that is given broadcasts.

    Parameters
    ----------
    seed : int or array of uint32, shape ()
        First word of the key.
    stream, first, second : array of uint32
        Second word of the key, and the counters.
    """
    space = namespace(first)

    def word(value: Any) -> Any:
        if isinstance(value, int):
            value &= 0xFFFFFFFF
        return space.asarray(value, dtype=space.uint32)

    keys = (word(seed), stream, stream ^ word(seed) ^ word(PARITY))
    x, y = first + keys[0], second + keys[1]
    for round_ in range(5):
        for rotation in ROTATIONS[round_ % 2]:
            x = x + y
            y = (y << word(rotation)) | (y >> word(32 - rotation))
            y = x ^ y
        x = x + keys[(round_ + 1) % 3]
        y = y + keys[(round_ + 2) % 3] + word(round_ + 1)
    return x, y


def uniforms(seed: int, streams: int, cases: Any) -> Any:
    """Return numbers between 0 and 1, never either, for each stream and case, shape (d, n).

    Parameters
    ----------
    seed : int
        Below 2^32.
    streams : int
        How many quantities are drawn; further ones leave these as they are.
    cases : array of uint32, shape (n,)
        Numbers of the cases.

    Examples
    --------
    >>> import numpy as np
    >>> bool((uniforms(0, 2, np.arange(4, dtype=np.uint32)) < 1.0).all())
    True
    """
    space = namespace(cases)
    stream = space.arange(streams, dtype=space.uint32)[:, None]
    # all at once, so that a compiler sees the rounds once
    high, low = threefry(seed, stream, cases[None, :], space.zeros_like(cases)[None, :])
    return _between(high, low)


def _between(high: Any, low: Any) -> Any:
    """Return the number between 0 and 1, never either, that two words of 32 bits stand for."""
    space = namespace(high)
    kept = (high >> space.asarray(32 - HIGH, dtype=space.uint32)).astype(space.float64)
    rest = (low >> space.asarray(32 - LOW, dtype=space.uint32)).astype(space.float64)
    return (kept * 2.0**LOW + rest + 0.5) * 2.0 ** -(HIGH + LOW)


def normals(seed: int, streams: int, cases: Any) -> Any:
    """Return standard normal numbers for each stream and case, as `uniforms`, shape (d, n)."""
    return normal_quantile(uniforms(seed, streams, cases))


def normals_at(key: Any, stream: int, cases: Any, time: Any) -> Any:
    """Return one standard normal number for each case at a time, shape (n,).

    Parameters
    ----------
    key : array of uint32, shape (2,)
        Of all draws that belong together.
    stream : int
        Number of the quantity.
    cases : array of uint32, shape (n,)
        Numbers of the cases.
    time : int or array of int, shape ()
        What is counted beside them, such as minutes.

    Examples
    --------
    >>> import numpy as np
    >>> key, cases = np.array([1, 2], np.uint32), np.arange(3, dtype=np.uint32)
    >>> bool((normals_at(key, 0, cases, 5) != normals_at(key, 0, cases, 6)).all())
    True
    """
    space = namespace(cases)
    number, nought = space.asarray(stream, dtype=space.uint32), space.zeros_like(cases)
    times = nought + space.asarray(time, dtype=space.uint32)
    return normal_quantile(_between(*threefry(key[0], key[1] ^ number, cases, times)))
