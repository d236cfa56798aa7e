"""How much each limit decides: where it is broken, and what it alone keeps from being safe."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from ebbmap.plotting.style import GRID, INK, finish, place_ticks, ruled_axes, words

#: Height of a bar, and of the thinner one in it [places].
BROAD, NARROW = 0.72, 0.36

#: Ticks of a share that leave room between panels.
TICKS = (0.0, 0.4, 0.8)

#: Texts of the legend.
BROKEN, ALONE = "limit broken", "decided by this limit alone"


def plot_limits(result: xr.Dataset, *, colour: str, ax: Axes | None = None) -> Axes:
    """Draw for each limit the share that breaks it, and the share that it alone decides.

    Parameters
    ----------
    result : xarray.Dataset
        One population and rule of `limits`.
    colour : str
        Of the bars of what a limit decides.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        A broad bar and a narrow one with its interval for each limit, the first on top.
    """
    ax = ruled_axes(ax, "x")
    names = result["bound"].values.astype(str)
    places = np.arange(names.size)
    decided = result["gained_share"].values
    ax.barh(places, result["any_broken_share"], BROAD, color=GRID, label=BROKEN)
    ax.barh(places, decided, NARROW, color=colour, label=ALONE)
    low, high = result["gained_share_interval"].transpose("ci_bound", "bound").values
    ax.hlines(places, low, high, color=INK, lw=1.2)
    ax.set_yticks(places, [words(name) for name in names])
    ax.set_ylim(names.size - 0.4, -0.6)
    ax.set_xlim(0.0, 1.0)
    place_ticks(ax.xaxis, TICKS)
    return finish(ax, "share of lungs", "")
