"""How sure the indices are, and how that grew with the number of base rows."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.ticker import FormatStrFormatter, LogLocator, NullFormatter, StrMethodFormatter
from matplotlib.transforms import ScaledTranslation

from ebbmap.plotting.intervals import draw_interval
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

#: Label of the marks where some index has no interval, and how far apart populations' are [pt].
MISSING, MISSING_STEP = "_some index without an interval", 6.0


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
        With the stopping width as a line, and a filled end where a population settled; a hollow
        triangle at the upper edge where some index has no interval at all.
    """
    ax = own_axes(ax)
    ax.grid(color=GRID, lw=0.8)
    for number, name in enumerate(ds["population"].values.astype(str)):
        one = ds.sel(population=name)
        colour = colour_of(name, number)
        width = one["widest_by_size"]
        ax.plot(
            ds["size"],
            width.where(_can_be_drawn(width)),
            color=colour,
            lw=1.8,
            marker=MARKS[number % len(MARKS)],
            ms=5,
            mfc="white",
            label=name,
        )
        _mark_missing(
            ax,
            ds["size"].values[np.isposinf(width.values)],
            colour,
            MISSING_STEP * (number - (ds.sizes["population"] - 1) / 2),
        )
        if str(one["verdict"].item()) == "settled":
            end = one.sel(size=int(one["rows"]))
            ax.plot(
                [int(one["rows"])],
                [float(end["widest_by_size"])],
                color=colour,
                marker=MARKS[number % len(MARKS)],
                ms=7,
            )
    wanted = float(ds.attrs["stopping_width"])
    if np.isfinite(wanted):
        ax.axhline(wanted, color=INK, lw=1.2, ls=(0, (5, 3)))
        ax.annotate(
            "wanted",
            (0.0, wanted),
            xycoords=("axes fraction", "data"),
            xytext=(4, 3),
            textcoords="offset points",
            fontsize=9,
            color=INK,
        )
    ax.set_xscale("log", base=2)
    _log_widths(ax, ds)
    ax.xaxis.set_major_formatter(StrMethodFormatter("{x:,.0f}"))
    ax.set_xlabel("base rows N")
    ax.set_ylabel("widest interval")
    _name_ends(ax, ds)
    dress(ax)
    return ax


def _can_be_drawn(width):
    """Tell widths that have a place on a logarithmic axis."""
    return (width > 0.0) & np.isfinite(width)


def _log_widths(ax: Axes, ds: xr.Dataset) -> None:
    """Set the widths on a logarithmic axis; where none is known, on one without numbers."""
    sizes = ds["size"].values
    if not _can_be_drawn(ds["widest_by_size"]).any():
        ax.set_ylim(0.01, 1.0)
        ax.set_xlim(sizes.min() / 1.1, sizes.max() * 1.1)
        ax.text(0.5, 0.5, "no interval to draw", transform=ax.transAxes, ha="center", color=FAINT)
    ax.set_yscale("log")
    ax.yaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
    ax.yaxis.set_major_formatter(FormatStrFormatter("%g"))
    ax.yaxis.set_minor_formatter(NullFormatter())


def _mark_missing(ax: Axes, sizes: np.ndarray, colour: str, shift: float) -> None:
    """Mark at the upper edge, moved aside [pt], where some index has no interval."""
    if sizes.size:
        inches = ax.figure.dpi_scale_trans
        aside = ScaledTranslation(shift / 72.0, 0.0, inches)
        ax.plot(
            sizes,
            np.ones(sizes.size),
            "^",
            color=colour,
            ms=7,
            mfc="white",
            clip_on=False,
            transform=ax.get_xaxis_transform() + aside,
            label=MISSING,
        )


def _name_ends(ax: Axes, ds: xr.Dataset) -> None:
    """Name each population beside the last point of its line, kept apart."""
    known = []
    for number, name in enumerate(ds["population"].values.astype(str)):
        widths = ds["widest_by_size"].sel(population=name).values
        widths = widths[_can_be_drawn(widths)]
        if widths.size:
            known.append((words(name), colour_of(name, number), widths[-1]))
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
        One line with a band per parameter, hollow marks where it has none; a page that draws
        several names them once.
    """
    ax = own_axes(ax)
    ax.grid(axis="y", color=GRID, lw=0.8)
    ax.axhline(0.0, color=FAINT, lw=0.8)
    for number, name in enumerate(ds["parameter"].values.astype(str)):
        one = ds.sel(parameter=name)
        value = one[f"{index}_by_size"].values
        half = one[f"{index}_width_by_size"].values / 2
        colour = colour_of(name, number)
        ax.plot(
            ds["size"], value, color=colour, lw=1.8, marker=mark_of(number), ms=4, label=short(name)
        )
        draw_interval(
            ax, ds["size"], value, value - half, value + half, colour=colour, mark=mark_of(number)
        )
    ax.set_xscale("log", base=2)
    ax.xaxis.set_major_formatter(StrMethodFormatter("{x:,.0f}"))
    ax.set_xlabel("base rows N")
    ax.set_ylabel(f"{index} index")
    dress(ax)
    return ax
