"""Rare harm along an axis, on a logarithmic scale."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.ticker import NullFormatter

from ebbmap.plotting.intervals import draw_interval
from ebbmap.plotting.style import Look, entries, finish, mark_of, ruled_axes, words


def plot_rare(result: xr.Dataset, *, along: str, ax: Axes | None = None) -> Axes:
    """Draw the share of lungs that break a limit along an axis, one line per population.

    Parameters
    ----------
    result : xarray.Dataset
        One rule of `rare`.
    along : str
        The axis.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Logarithmic upwards; where no harm was found there is a gap.
    """
    ax = ruled_axes(ax)
    for number, name, lungs, colour in entries(result, "population"):
        share = np.where(lungs["harm_share"] > 0, lungs["harm_share"], np.nan)
        low, high = lungs["harm_share_interval"].transpose("ci_bound", along).values
        mark = mark_of(number)
        look: Look = {"color": colour, "lw": 1.8, "marker": mark, "ms": 4.5}
        ax.plot(result[along], share, label=words(name), **look)
        draw_interval(ax, result[along].values, share, low, high, colour=colour, mark=mark)
    ax.set_yscale("log")
    ax.yaxis.set_major_formatter(lambda share, _: f"{100 * share:g} %")
    ax.yaxis.set_minor_formatter(NullFormatter())
    return finish(ax, result[along], "share of lungs")
