"""How sure the indices are, and how that grew with the number of base rows."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.ticker import FormatStrFormatter, LogLocator, NullFormatter, StrMethodFormatter

from ebbmap.plotting.style import (
    FAINT,
    GRID,
    INK,
    MARKS,
    colour_of,
    dress,
    mark_of,
    name_ends,
    own_axes,
    short,
    words,
)


def plot_convergence(ds: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Draw the width of the widest interval against base rows, one line per population.

    Parameters
    ----------
    ds : xarray.Dataset
        Result of `find_drivers`.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        With the stopping width as a line, and a filled end where a population settled.
    """
    ax = own_axes(ax)
    ax.grid(color=GRID, lw=0.8)
    for number, name in enumerate(ds["population"].values.astype(str)):
        one = ds.sel(population=name)
        colour = colour_of(name, number)
        ax.plot(ds["size"], one["widest_by_size"], color=colour, lw=1.8,
                marker=MARKS[number % len(MARKS)], ms=5, mfc="white", label=name)  # fmt: skip
        if str(one["verdict"].item()) == "settled":
            end = one.sel(size=int(one["rows"]))
            ax.plot([int(one["rows"])], [float(end["widest_by_size"])], color=colour,
                    marker=MARKS[number % len(MARKS)], ms=7)  # fmt: skip
    wanted = float(ds.attrs["stopping_width"])
    if np.isfinite(wanted):
        ax.axhline(wanted, color=INK, lw=1.2, ls=(0, (5, 3)))
        ax.annotate("wanted", (0.0, wanted), xycoords=("axes fraction", "data"), xytext=(4, 3),
                    textcoords="offset points", fontsize=9, color=INK)  # fmt: skip
    ax.set_xscale("log", base=2)
    ax.set_yscale("log")
    ax.yaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
    ax.yaxis.set_major_formatter(FormatStrFormatter("%g"))
    ax.yaxis.set_minor_formatter(NullFormatter())
    ax.xaxis.set_major_formatter(StrMethodFormatter("{x:,.0f}"))
    ax.set_xlabel("base rows N")
    ax.set_ylabel("widest interval")
    _name_ends(ax, ds)
    dress(ax)
    return ax


def _name_ends(ax: Axes, ds: xr.Dataset) -> None:
    """Name each population beside the last point of its line, kept apart."""
    known = []
    for number, name in enumerate(ds["population"].values.astype(str)):
        widths = ds["widest_by_size"].sel(population=name).values
        if np.isfinite(widths).any():
            known.append((words(name), colour_of(name, number), widths[np.isfinite(widths)][-1]))
    name_ends(ax, known, 0.0)


def plot_index_by_size(ds: xr.Dataset, *, index: str = "total", ax: Axes | None = None) -> Axes:
    """Draw one outcome's indices at one place against base rows, with intervals.

    Parameters
    ----------
    ds : xarray.Dataset
        One population, outcome and place of `find_drivers`.
    index : {"total", "first"}
        Which index.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        One line with a band per parameter; a page that draws several names them once.
    """
    ax = own_axes(ax)
    ax.grid(axis="y", color=GRID, lw=0.8)
    ax.axhline(0.0, color=FAINT, lw=0.8)
    for number, name in enumerate(ds["parameter"].values.astype(str)):
        one = ds.sel(parameter=name)
        value = one[f"{index}_by_size"].values
        half = one[f"{index}_width_by_size"].values / 2
        colour = colour_of(name, number)
        ax.fill_between(ds["size"], value - half, value + half, color=colour, alpha=0.18, lw=0)
        ax.plot(ds["size"], value, color=colour, lw=1.8, marker=mark_of(number), ms=4,
                label=short(name))  # fmt: skip
    ax.set_xscale("log", base=2)
    ax.xaxis.set_major_formatter(StrMethodFormatter("{x:,.0f}"))
    ax.set_xlabel("base rows N")
    ax.set_ylabel(f"{index} index")
    dress(ax)
    return ax
