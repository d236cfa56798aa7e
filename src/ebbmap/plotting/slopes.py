"""Bounds of what each property explains, as a picture."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from ebbmap.plotting.style import dress, entries, mark_of, ruled_axes, short

#: Half the height of a bar, in rows.
HALF = 0.22


def plot_slopes(result: xr.Dataset, *, along: str, ax: Axes | None = None) -> Axes:
    """Draw the span in which the Sobol indices of each property must lie.

    Parameters
    ----------
    result : xarray.Dataset
        One population and outcome of `slopes`.
    along : str
        The axis; its middle place is drawn.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        A bar from the least to the largest share per property, and a line from the lower end of
        the interval of one to the upper end of that of the other.
    """
    ax = ruled_axes(ax, "x")
    middle = result.isel({along: result.sizes[along] // 2})
    names = result["parameter"].values.astype(str)
    for row, _, one, colour in entries(middle, "parameter"):
        least, most = float(one["least"]), float(one["most"])
        if not np.isfinite([least, most]).all():
            continue
        low = float(one["least_interval"].sel(ci_bound="lower"))
        high = float(one["most_interval"].sel(ci_bound="upper"))
        ax.plot([low, high], [row, row], color=colour, lw=1.2)
        ax.barh([row], [most - least], 2.0 * HALF, left=[least], color=colour, alpha=0.55)
        ax.plot([least, most], [row, row], mark_of(row), color=colour, ms=5)
    ax.set_yticks(range(len(names)), [short(name) for name in names])
    ax.set_ylim(len(names) - 0.5, -0.5)
    ax.set_xlim(min(-0.02, ax.get_xlim()[0]), None)
    ax.set_xlabel("share of the variance, at least to at most")
    dress(ax)
    return ax
