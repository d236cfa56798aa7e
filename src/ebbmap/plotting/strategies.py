"""Strategies side by side: shares of lungs that are unharmed, or keep the strategy's limits."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from ebbmap.plotting.style import GRID, entries, finish, mark_of, ruled_axes, words

#: Height over which the populations of one strategy are spread [places].
SPREAD = 0.5

#: What is drawn, and the text of its axis.
SHARES = {
    "unharmed_share": "share of lungs unharmed",
    "kept_share": "share keeping the source's limits",
}


def plot_strategies(result: xr.Dataset, *, share: str, ax: Axes | None = None) -> Axes:
    """Draw a share of lungs with its interval for every strategy and population.

    Parameters
    ----------
    result : xarray.Dataset
        One level of own breathing and one limit set of `strategies`.
    share : {"unharmed_share", "kept_share"}
        What is drawn; nothing where it is NaN.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Strategies from top to bottom, a mark for each population.
    """
    ax = ruled_axes(ax, "x")
    names = result["strategy"].values.astype(str)
    places = np.arange(names.size)
    for place in places[::2]:
        ax.axhspan(place - 0.5, place + 0.5, color=GRID, alpha=0.3, lw=0)
    shifts = np.linspace(-SPREAD, SPREAD, max(2, result.sizes["population"])) / 2.0
    for number, name, one, colour in entries(result, "population"):
        height = places + (shifts[number] if result.sizes["population"] > 1 else 0.0)
        low, high = one[f"{share}_interval"].transpose("ci_bound", "strategy").values
        ax.hlines(height, low, high, color=colour, lw=1.6, alpha=0.6)
        mark = mark_of(number)
        ax.plot(one[share].values, height, mark, color=colour, ms=5.5, label=words(name))
    ax.set_yticks(places, [words(name) for name in names])
    ax.set_ylim(names.size - 0.5, -0.5)
    ax.set_xlim(-0.02, 1.02)
    return finish(ax, SHARES[share], "")
