"""Gas trapping building up, cycle by cycle."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from ebbmap.plotting.style import FAINT, GRID, colour_of, dress, name_ends, own_axes, text_of, words

#: Line of each course: as set, and with one longer release.
STYLES = ("-", (0, (2, 1.5)))
WIDTHS = (2.4, 1.6)


def plot_first_cycles(ds: xr.Dataset, *, outcome: str, ax: Axes | None = None) -> Axes:
    """Draw an outcome of each of the first cycles, one line per population and course.

    Parameters
    ----------
    ds : xarray.Dataset
        Result of `follow_start`.
    outcome : str
        One of those that it keeps.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Lines labelled "population, course", and dotted lines where the settings lead to.
    """
    ax = own_axes(ax)
    ax.grid(color=GRID, lw=0.8)
    cycle = ds["cycle"].values
    names = ds["population"].values.astype(str)
    ends: list[tuple[str, str, float]] = []
    gap = 0.1 * float(ds[outcome].max() - min(0.0, float(ds[outcome].min())))
    for number, name in enumerate(names):
        one = ds.sel(population=name)
        colour = colour_of(name, number)
        for course, style, width in zip(one["course"].values, STYLES, WIDTHS, strict=False):
            ax.plot(
                cycle,
                one[outcome].sel(course=course),
                ls=style,
                color=colour,
                lw=width,
                marker="o",
                ms=5,
                label=f"{name}, {course}",
            )
        ax.axhline(float(one[f"settled_{outcome}"]), color=colour, lw=1.2, ls=":")
        last = float(one[outcome][0, -1])
        if np.isfinite(last):
            ends.append((words(name), colour, last))
    name_ends(ax, ends, gap if np.isfinite(gap) else 0.0)
    ax.set_xticks(cycle[:: max(1, -(-cycle.size // 7))])
    ax.set_ylim(bottom=min(0.0, float(ds[outcome].min())))
    ax.set_xlabel("cycle")
    ax.set_ylabel(text_of(ds[outcome]))
    dress(ax)
    return ax


def plot_first_waves(
    ds: xr.Dataset, *, signal: str = "alveolar_pressure", course: int = 0, ax: Axes | None = None
) -> Axes:
    """Draw a signal over the first cycles, one line per population, and the airway pressure.

    Parameters
    ----------
    ds : xarray.Dataset
        Result of `follow_start`.
    signal : str
        What to draw.
    course : int
        0 as set, 1 with one longer release.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        One line per population, labelled with its name.
    """
    ax = own_axes(ax)
    ax.grid(axis="y", color=GRID, lw=0.8)
    one = ds.isel(course=course)
    if signal == "alveolar_pressure":
        first = one.isel(population=0)
        ax.plot(first["time"], first["airway_pressure"], color=FAINT, lw=0.9, label="airway")
    for number, name in enumerate(ds["population"].values.astype(str)):
        own = one.sel(population=name)
        colour = colour_of(name, number)
        ax.plot(own["time"], own[signal], color=colour, lw=2.2, label=name)
    ax.set_xlim(0.0, float(np.max(one["time"])))
    ax.set_xlabel("time from the start [s]")
    ax.set_ylabel(text_of(ds[signal]))
    dress(ax)
    return ax
