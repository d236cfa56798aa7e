"""Effects of many parameters, as a picture."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from ebbmap.plotting.style import (
    INK,
    LONG_DASHES,
    dress,
    entries,
    mark_of,
    ruled_axes,
    short,
)

#: Largest relative effect that is shown; an interval that goes on carries a mark at the edge.
SHOWN_RIGHT = 1.5


def plot_screening(result: xr.Dataset, *, along: str, ax: Axes | None = None) -> Axes:
    """Draw the size of each parameter's effects over the largest, where it matters most.

    Parameters
    ----------
    result : xarray.Dataset
        One population and outcome of `screening`.
    along : str
        The axis; each parameter is drawn at the place where its upper bound is largest.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        A mark with its interval per parameter, hollow where it can be fixed for this outcome;
        a hollow triangle where an interval goes on beyond the right edge.
    """
    ax = ruled_axes(ax, "x")
    limit = float(result.attrs["fix_below"])
    goes_on = bool((result["relative_interval"].values > SHOWN_RIGHT).any())
    right = SHOWN_RIGHT if goes_on else None
    names = result["parameter"].values.astype(str)
    for row, _, effects, colour in entries(result, "parameter"):
        upper = effects["relative_interval"].sel(ci_bound="upper")
        if not np.isfinite(upper).any():
            continue
        largest = effects.isel({along: int(np.nanargmax(upper.values))})
        low, high = largest["relative_interval"].transpose("ci_bound").values
        ax.plot([low, high], [row, row], color=colour, lw=1.6)
        fill = "white" if high < limit else colour
        ax.plot([float(largest["relative"])], [row], mark_of(row), mec=colour, ms=7, mfc=fill)
        if right is not None and high > right:
            ax.plot([right], [row], ">", color=colour, ms=7, mfc="white", clip_on=False)
    ax.axvline(limit, color=INK, lw=1.0, ls=LONG_DASHES)
    ax.set_yticks(range(len(names)), [short(name) for name in names])
    ax.set_ylim(len(names) - 0.5, -0.5)
    ax.set_xlim(-0.05, right)
    ax.set_xlabel("size of the effects over the largest")
    dress(ax)
    return ax
