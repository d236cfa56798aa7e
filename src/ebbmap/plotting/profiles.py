"""Outcomes along an axis, side by side for several lungs."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from ebbmap.plotting.style import FAINT, GRID, colour_of, dress, own_axes, text_of, words
from ebbmap.registries.limits import LIMIT_SETS


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
        One line per population.
    """
    ax = own_axes(ax)
    ax.grid(color=GRID, lw=0.8)
    for number, name in enumerate(ds["population"].values.astype(str)):
        line = ds[outcome].sel(population=name)
        ax.plot(ds[along], line, color=colour_of(name, number), lw=2.0, label=words(name))
    ax.set_xlabel(text_of(ds[along]))
    ax.set_ylabel(text_of(ds[outcome]))
    dress(ax)
    return ax


def plot_together(
    ds: xr.Dataset, *, outcomes: list[str], along: str, ax: Axes | None = None
) -> Axes:
    """Draw several outcomes of one lung along an axis, with the range of the bundled limits.

    Parameters
    ----------
    ds : xarray.Dataset
        One population of `profile_outcomes`.
    outcomes : list of str
        Outcomes that share a unit.
    along : str
        The axis.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        One line per outcome; where an outcome is inside its own rule, the line is thick.
    """
    ax = own_axes(ax)
    ax.grid(color=GRID, lw=0.8)
    place = ds[along].values
    for number, name in enumerate(outcomes):
        colour = colour_of(name, number)
        line = ds[name].values
        ax.plot(place, line, color=colour, lw=1.6)
        if name in LIMIT_SETS:
            bounds = LIMIT_SETS[name].hard
            inside = np.all([bound.margin(line) >= 0 for bound in bounds], axis=0)
            ax.plot(place, np.where(inside, line, np.nan), color=colour, lw=5, alpha=0.45)
            for bound in bounds:
                ax.axhline(bound.value, color=FAINT, lw=0.8, ls=(0, (5, 3)))
        ax.annotate(
            words(name),
            (place[-1], line[-1]),
            xytext=(6, 0),
            textcoords="offset points",
            va="center",
            color=colour,
            fontsize=11,
            annotation_clip=False,
        )
    ax.set_xlabel(text_of(ds[along]))
    ax.set_ylabel("fraction")
    ax.set_ylim(0, 1)
    dress(ax)
    return ax
