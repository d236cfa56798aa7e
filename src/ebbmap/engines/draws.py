"""Draws that are a function of seed, stream and case: the same numbers wherever they are drawn.

A block cipher of few rounds turns a counter into bits, so that neither blocks nor devices nor
engines change a draw. Written in whole numbers of 32 bits, which every engine wraps alike.
Sizes: n cases.

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


def threefry(key: tuple[int, int], first: Any, second: Any) -> tuple[Any, Any]:
    """Return two words of 32 bits for every pair of counters.

    Parameters
    ----------
    key : tuple of two int
        Seed and stream, each below 2^32.
    first, second : array of uint32, shape (n,)
        Counters.
    """
    space = namespace(first)

    def word(value: int) -> Any:
        return space.asarray(value & 0xFFFFFFFF, dtype=space.uint32)

    keys = (key[0], key[1], key[0] ^ key[1] ^ PARITY)
    x, y = first + word(keys[0]), second + word(keys[1])
    for round_ in range(5):
        for rotation in ROTATIONS[round_ % 2]:
            x = x + y
            y = (y << word(rotation)) | (y >> word(32 - rotation))
            y = x ^ y
        x = x + word(keys[(round_ + 1) % 3])
        y = y + word(keys[(round_ + 2) % 3] + round_ + 1)
    return x, y


def uniforms(seed: int, stream: int, cases: Any) -> Any:
    """Return numbers between 0 and 1, never either, one for each case, shape (n,).

    Parameters
    ----------
    seed, stream : int
        Each below 2^32; a stream for each quantity that is drawn.
    cases : array of uint32, shape (n,)
        Numbers of the cases.

    Examples
    --------
    >>> import numpy as np
    >>> bool((uniforms(0, 1, np.arange(4, dtype=np.uint32)) < 1.0).all())
    True
    """
    space = namespace(cases)
    high, low = threefry((seed, stream), cases, space.zeros_like(cases))
    kept = (high >> space.asarray(32 - HIGH, dtype=space.uint32)).astype(space.float64)
    rest = (low >> space.asarray(32 - LOW, dtype=space.uint32)).astype(space.float64)
    return (kept * 2.0**LOW + rest + 0.5) * 2.0 ** -(HIGH + LOW)


def normals(seed: int, stream: int, cases: Any) -> Any:
    """Return standard normal numbers, one for each case, as `uniforms`, shape (n,)."""
    return normal_quantile(uniforms(seed, stream, cases))
