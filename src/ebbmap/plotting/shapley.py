"""Shares of a variance among correlated properties, as a picture."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from ebbmap.plotting.intervals import draw_interval
from ebbmap.plotting.style import (
    DASHES,
    FAINT,
    entries,
    finish,
    mark_of,
    ruled_axes,
    say,
    short,
)


def plot_shapley(result: xr.Dataset, *, along: str, ax: Axes | None = None) -> Axes:
    """Draw Shapley effects along an axis: with the correlations, and thin without them.

    Parameters
    ----------
    result : xarray.Dataset
        One population and outcome of `shapley`.
    along : str
        The axis.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        One line with its interval per parameter, a hollow mark on an effect without one, and a
        dashed line for independent properties.
    """
    return plot_shares(
        result.sel(dependence="correlated"),
        "effect",
        result["effect"].sel(dependence="independent"),
        along=along,
        label="Shapley effect",
        ax=ax,
    )


def plot_shares(
    result: xr.Dataset,
    index: str,
    beside: xr.DataArray,
    *,
    along: str,
    label: str = "first-order index",
    ax: Axes | None = None,
) -> Axes:
    """Draw an index of every parameter along an axis, and thin another one beside it.

    Parameters
    ----------
    result : xarray.Dataset
        One population and outcome, with the index and its interval.
    index : str
        Name of the index.
    beside : DataArray
        The other index, by parameter along the axis.
    along : str
        The axis.
    label : str
        Words on the other axis.
    ax : Axes, optional
        Where to draw.
    """
    ax = ruled_axes(ax, "y")
    ax.axhline(0.0, color=FAINT, lw=0.8)
    place = result[along].values
    for number, name, one, colour in entries(result, "parameter"):
        low, high = one[f"{index}_interval"].transpose("ci_bound", along).values
        value, mark = one[index], mark_of(number)
        ax.plot(place, value, color=colour, lw=1.9, marker=mark, ms=4, label=short(name))
        draw_interval(ax, place, value, low, high, colour=colour, mark=mark)
        ax.plot(place, beside.sel(parameter=name), color=colour, lw=1.1, ls=DASHES)
    if not np.isfinite(result[index]).any():
        say(ax, "does not vary")
    ax.set_ylim(-0.06, 1.05)
    return finish(ax, result[along], label)
