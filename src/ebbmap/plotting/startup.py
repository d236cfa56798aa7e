"""Gas trapping building up, cycle by cycle."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from ebbmap.plotting.style import FAINT, Look, entries, finish, name_ends, ruled_axes, words

#: Line of each course: as set, and with one longer release.
STYLES = ("-", (0, (2, 1.5)))
WIDTHS = (2.4, 1.6)


def plot_startup(result: xr.Dataset, *, outcome: str, ax: Axes | None = None) -> Axes:
    """Draw an outcome of each of the first cycles, one line per population and course.

    Parameters
    ----------
    result : xarray.Dataset
        Result of `startup`.
    outcome : str
        One of those that it keeps.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Lines labelled "population, course", and dotted lines where the settings lead to.
    """
    ax = ruled_axes(ax)
    cycle, values = result["cycle"].values, result[outcome]
    lowest = min(0.0, float(values.min()))
    gap = 0.1 * float(values.max() - lowest)
    ends: list[tuple[str, str, float]] = []
    for _, name, lung, colour in entries(result, "population"):
        for course, style, width in zip(lung["course"].values, STYLES, WIDTHS, strict=False):
            line = lung[outcome].sel(course=course)
            look: Look = {"ls": style, "color": colour, "lw": width, "marker": "o", "ms": 5}
            ax.plot(cycle, line, label=f"{name}, {course}", **look)
        ax.axhline(float(lung[f"settled_{outcome}"]), color=colour, lw=1.2, ls=":")
        last = float(lung[outcome][0, -1])
        if np.isfinite(last):
            ends.append((words(name), colour, last))
    name_ends(ax, ends, gap if np.isfinite(gap) else 0.0)
    ax.set_xticks(cycle[:: max(1, -(-cycle.size // 7))])
    ax.set_ylim(bottom=lowest)
    return finish(ax, "cycle", values)


def plot_startup_waves(
    result: xr.Dataset,
    *,
    signal: str = "alveolar_pressure",
    course: int = 0,
    ax: Axes | None = None,
) -> Axes:
    """Draw a signal over the first cycles, one line per population, and the airway pressure.

    Parameters
    ----------
    result : xarray.Dataset
        Result of `startup`.
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
    ax = ruled_axes(ax, "y")
    waves = result.isel(course=course)
    if signal == "alveolar_pressure":
        first = waves.isel(population=0)
        ax.plot(first["time"], first["airway_pressure"], color=FAINT, lw=0.9, label="airway")
    for _, name, lung, colour in entries(waves, "population"):
        ax.plot(lung["time"], lung[signal], color=colour, lw=2.2, label=name)
    ax.set_xlim(0.0, float(np.max(waves["time"])))
    return finish(ax, "time from the start [s]", result[signal])
