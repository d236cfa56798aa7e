"""Intervals around lines, and marks where an estimate has none: none must read as exact."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import ArrayLike

from ebbmap.plotting.style import Look

#: What a page says where `draw_interval` left such a mark on it.
WITHOUT_INTERVAL = (
    "Hollow marks have no interval: too few of the cases drawn carry the value, and how sure it "
    "is is not known."
)

#: Label of these marks, which no legend shows.
NO_INTERVAL = "_no interval"


def draw_interval(
    ax: Axes,
    place: ArrayLike,
    value: ArrayLike,
    low: ArrayLike,
    high: ArrayLike,
    *,
    colour: str,
    mark: str,
) -> None:
    """Draw a band where an interval is known, and a hollow mark on a value that has none.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    place, value, low, high : array_like, shape (n,)
        Places, estimates and ends of their intervals; NaN where not known.
    colour, mark : str
        Of the line that the estimates are on.
    """
    place, value, low, high = (np.asarray(array, float) for array in (place, value, low, high))
    known = np.isfinite(low) & np.isfinite(high)
    ax.fill_between(place, low, high, where=known, color=colour, alpha=0.18, lw=0)
    # a band needs two neighbours; an interval between places without one is a bar
    beside = np.append(known[1:], False) | np.insert(known[:-1], 0, False)
    lone = known & ~beside
    if lone.any():
        ax.vlines(place[lone], low[lone], high[lone], color=colour, alpha=0.5, lw=2.0)
    bare = np.isfinite(value) & ~known
    if bare.any():
        look: Look = {"mec": colour, "mfc": "white", "ms": 5.5, "zorder": 3, "label": NO_INTERVAL}
        ax.plot(place[bare], value[bare], mark, **look)


def without_interval(axes: Iterable[Axes]) -> str:
    """Return the sentence for a caption if any of some axes has a mark without an interval."""
    drawn = (line.get_label() for ax in axes for line in ax.lines)
    return f" {WITHOUT_INTERVAL}" if NO_INTERVAL in drawn else ""
