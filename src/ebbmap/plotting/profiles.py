"""Outcomes along an axis, side by side for several lungs."""

from __future__ import annotations

import xarray as xr
from matplotlib.axes import Axes

from ebbmap.plotting.style import GRID, colour_of, dress, own_axes, text_of


def plot_profile(ds: xr.Dataset, *, outcome: str, along: str, ax: Axes | None = None) -> Axes:
    """Draw one outcome along an axis, one line per population.

    Parameters
    ----------
    ds : xarray.Dataset
        Result of `profile_outcomes`.
    outcome, along : str
        What against what.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
    """
    ax = own_axes(ax)
    ax.grid(color=GRID, lw=0.8)
    for number, name in enumerate(ds["population"].values.astype(str)):
        line = ds[outcome].sel(population=name)
        ax.plot(ds[along], line, color=colour_of(name, number), lw=2.0, label=name)
    ax.set_xlabel(text_of(ds[along]))
    ax.set_ylabel(text_of(ds[outcome]))
    dress(ax)
    return ax
