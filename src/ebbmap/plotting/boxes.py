"""The box that holds the cases with an event, as pictures."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from ebbmap.digits import share_text
from ebbmap.plotting.style import (
    CYCLE,
    GRID,
    INK,
    MARKS,
    Look,
    dress,
    entries,
    finish,
    own_axes,
    ruled_axes,
    short,
    words,
)
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.units import display


def plot_boxes(result: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Draw density against coverage along the peels, and the chosen box with its intervals.

    Parameters
    ----------
    result : xarray.Dataset
        One rule and event of `boxes`, with dim `population`.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        One line per population; the mark is the chosen box on the cases it was fitted to, the
        cross the intervals of what it is worth on other cases.
    """
    ax = ruled_axes(ax)
    for number, name, box, colour in entries(result, "population"):
        if not np.isfinite(box["coverage"]):
            continue
        ax.plot(box["path_coverage"], box["path_density"], color=colour, lw=1.4, label=words(name))
        coverage, density = float(box["coverage"]), float(box["density"])
        across, up = box["coverage_interval"].values, box["density_interval"].values
        ax.plot(across, [density] * 2, color=colour, lw=0.9)
        ax.plot([coverage] * 2, up, color=colour, lw=0.9)
        ax.plot([coverage], [density], MARKS[number % len(MARKS)], color=colour, ms=7)
    ax.set_xlim(-0.02, 1.04)
    ax.set_ylim(-0.02, 1.04)
    return finish(ax, "coverage", "density")


def plot_box(
    result: xr.Dataset, *, ranges: dict[str, tuple[float, float]], ax: Axes | None = None
) -> Axes:
    """Draw a box's range of each parameter within the range that is shown.

    Parameters
    ----------
    result : xarray.Dataset
        One population, rule and event of `boxes`.
    ranges : dict of str to tuple of float
        Lowest and highest value shown, by parameter.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        A bar per parameter within its shown range, with that range beside the name; whiskers are
        the intervals of the edges, numbers the edges, each with the share of resamples that
        restrict it.
    """
    ax = own_axes(ax)
    names = result["parameter"].values.astype(str)
    for row, name, side, _ in entries(result, "parameter"):
        ax.plot([0, 1], [row, row], color=GRID, lw=7, solid_capstyle="butt", zorder=0)
        _draw_range(ax, row, side, *ranges[name])
    ax.set_yticks(range(len(names)), [_range_text(name, *ranges[name]) for name in names])
    ax.set_xticks([])
    ax.set_xlim(-0.02, 1.02)
    ax.set_ylim(len(names) - 0.4, -0.75)
    dress(ax)
    ax.spines["bottom"].set_visible(False)
    return ax


def _draw_range(ax: Axes, row: int, side: xr.Dataset, bottom: float, top: float) -> None:
    """Draw one parameter's side of a box as a bar of the shown range, in a row of axes."""

    def scaled(value: np.ndarray) -> np.ndarray:
        return np.clip((value - bottom) / (top - bottom), 0.0, 1.0)

    edges = side["edge"].values
    if not np.isfinite(edges).any():
        return
    ax.plot(scaled(edges), [row, row], color=CYCLE[0], lw=7, solid_capstyle="butt", alpha=0.75)
    for end in np.flatnonzero(np.isfinite(edges)):
        interval = side["edge_interval"].values[end]
        if np.isfinite(interval).all():
            ax.plot(scaled(interval), [row + 0.24] * 2, color=INK, lw=1.2)
        restricted = float(side["restricted"].values[end])
        text = f"{('from', 'to')[end]} {edges[end]:.3g} ({share_text(restricted)})"
        look: Look = {"ha": ("left", "right")[end], "va": "bottom", "fontsize": 8, "color": INK}
        ax.text(int(end), row - 0.2, text, **look)


def _range_text(name: str, bottom: float, top: float) -> str:
    """Name a parameter with the range that its bar spans."""
    unit = display(PARAMETERS[name].units)
    return f"{short(name)}\n{bottom:.3g} to {top:.3g} {unit}".rstrip()
