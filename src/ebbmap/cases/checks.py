"""Checks of input values before any work starts: every problem gets its sentence.

Sizes: shape (...) is any.
"""

from __future__ import annotations

import numpy as np
import psutil

from ebbmap.errors import TooLargeError
from ebbmap.registries.parameters import parameter
from ebbmap.units import display

#: Values looked at in one go, so that a check touches memory once.
_CHUNK = 2**16

#: Share of the free memory that one result may take.
MEMORY_SHARE = 0.8


def complaint(name: str, values: np.ndarray, each: str = "sample") -> str | None:
    """Return the sentence for the first value of a parameter that cannot be, or None.

    Parameters
    ----------
    name : str
        Registry name.
    values : ndarray, shape (...)
        In registry units.
    each : str
        What each value is called, with its number; empty where the value says enough.

    Examples
    --------
    >>> complaint("t_low", np.array([0.5, -0.2]))
    't_low must be between 0.01 and 60 s; got -0.2 (sample 1).'
    """
    entry = parameter(name)
    if values.size == 0:
        return f"{name} must have at least one value; got none. Give a value or a range."
    flat = values.reshape(-1)
    for start in range(0, flat.size, _CHUNK):
        piece = flat[start : start + _CHUNK]
        # a comparison with NaN is false, so one test catches all that is not in range
        if piece.min() >= entry.low and piece.max() <= entry.high:
            continue
        at = int(np.argmin((piece >= entry.low) & (piece <= entry.high)))
        value = float(piece[at])
        where = "" if flat.size == 1 or not each else f" ({each} {start + at})"
        if not np.isfinite(value):
            unit = display(entry.units)
            return f"{name} must be a finite number [{unit}]; got {value:g}{where}."
        text, _, guess = (entry.complaint(value) or "").partition(". ")
        return f"{text}{where}.{' ' + guess if guess else ''}"
    return None


def check_memory(cases: int, columns: int, what: str) -> None:
    """Refuse a result that would not fit in memory, before it is started.

    Parameters
    ----------
    cases, columns : int
        Size of the result: doubles.
    what : str
        Name of the request, for the message.

    Raises
    ------
    TooLargeError
        With the size and the remedy.
    """
    needed = cases * columns * 8
    free = psutil.virtual_memory().available
    if needed > MEMORY_SHARE * free:
        raise TooLargeError(
            f"{what} must fit in memory ({free / 1e9:.1f} GB free); it has {cases:,} cases x "
            f"{columns} columns = {needed / 1e9:,.1f} GB. Take fewer points on the axes, fewer "
            "lungs, or name fewer outcomes."
        )
