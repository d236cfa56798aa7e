"""Shares of a variance, and effects of many parameters, as pictures."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from ebbmap.plotting.intervals import draw_interval
from ebbmap.plotting.style import (
    CYCLE,
    FAINT,
    GRID,
    INK,
    dress,
    mark_of,
    own_axes,
    short,
    text_of,
)

#: Largest relative effect that is shown; an interval that goes on carries a mark at the edge.
SHOWN_RIGHT = 1.5


def plot_shapley(ds: xr.Dataset, *, along: str, ax: Axes | None = None) -> Axes:
    """Draw Shapley effects along an axis: with the correlations, and thin without them.

    Parameters
    ----------
    ds : xarray.Dataset
        One population and outcome of `find_shapley`.
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
    ax = own_axes(ax)
    ax.axhline(0.0, color=FAINT, lw=0.8)
    ax.grid(axis="y", color=GRID, lw=0.8)
    place = ds[along].values
    with_it, without = (ds.sel(dependence=one) for one in ("correlated", "independent"))
    for number, name in enumerate(ds["parameter"].values.astype(str)):
        colour = CYCLE[number % len(CYCLE)]
        one = with_it.sel(parameter=name)
        low, high = one["effect_interval"].transpose("ci_bound", along).values
        ax.plot(
            place,
            one["effect"],
            color=colour,
            lw=1.9,
            marker=mark_of(number),
            ms=4,
            label=short(name),
        )
        draw_interval(ax, place, one["effect"], low, high, colour=colour, mark=mark_of(number))
        alone = without["effect"].sel(parameter=name)
        ax.plot(place, alone, color=colour, lw=1.1, ls=(0, (4, 3)))
    if not np.isfinite(ds["effect"]).any():
        ax.text(0.5, 0.5, "does not vary", transform=ax.transAxes, ha="center", color=FAINT)
    ax.set_ylim(-0.06, 1.05)
    ax.set_xlabel(text_of(ds[along]))
    ax.set_ylabel("Shapley effect")
    dress(ax)
    return ax


def plot_screening(ds: xr.Dataset, *, along: str, ax: Axes | None = None) -> Axes:
    """Draw the size of each parameter's effects over the largest, where it matters most.

    Parameters
    ----------
    ds : xarray.Dataset
        One population and outcome of `find_screening`.
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
    ax = own_axes(ax)
    ax.grid(axis="x", color=GRID, lw=0.8)
    limit = float(ds.attrs["fix_below"])
    ends = ds["relative_interval"].values
    right = SHOWN_RIGHT if (ends > SHOWN_RIGHT).any() else None
    names = ds["parameter"].values.astype(str)
    for row, name in enumerate(names):
        one = ds.sel(parameter=name)
        upper = one["relative_interval"].sel(ci_bound="upper")
        if not np.isfinite(upper).any():
            continue
        at = one.isel({along: int(np.nanargmax(upper.values))})
        low, high = at["relative_interval"].transpose("ci_bound").values
        colour = CYCLE[row % len(CYCLE)]
        ax.plot([low, high], [row, row], color=colour, lw=1.6)
        fixed = high < limit
        ax.plot(
            [float(at["relative"])],
            [row],
            mark_of(row),
            mec=colour,
            ms=7,
            mfc="white" if fixed else colour,
        )
        if right is not None and high > right:
            ax.plot([right], [row], ">", color=colour, ms=7, mfc="white", clip_on=False)
    ax.axvline(limit, color=INK, lw=1.0, ls=(0, (5, 3)))
    ax.set_yticks(range(len(names)), [short(name) for name in names])
    ax.set_ylim(len(names) - 0.5, -0.5)
    ax.set_xlim(-0.05, right)
    ax.set_xlabel("size of the effects over the largest")
    dress(ax)
    return ax
