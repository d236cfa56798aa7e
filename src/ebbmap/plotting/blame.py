"""Which property is to blame for the unsafe cases, and the box that holds them."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from ebbmap.plotting.style import (
    CYCLE,
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
    text_of,
    words,
)
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.units import display

#: A property whose distance never reaches this is drawn but not named.
NAMED_ABOVE = 0.25

LABEL_GAP = 0.13


def plot_blame(ds: xr.Dataset, *, along: str, ax: Axes | None = None) -> Axes:
    """Draw how far each property lies apart in cases with an event, along an axis.

    Parameters
    ----------
    ds : xarray.Dataset
        One population, rule and event of `map_factors`.
    along : str
        The axis.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        One line with its interval per property, filled marks above the noise and hollow ones
        within it; the share of cases with the event as a grey area.
    """
    ax = own_axes(ax)
    ax.grid(axis="y", color=GRID, lw=0.8)
    place = ds[along].values
    ax.fill_between(place, 0.0, ds["share"].values, color="#d9dcdd", lw=0, zorder=0)
    noise = ds["noise"].values
    named = []
    for number, name in enumerate(ds["parameter"].values.astype(str)):
        one = ds.sel(parameter=name)
        value = one["distance"].values
        known = np.isfinite(value)
        if not known.any():
            continue
        colour = CYCLE[number % len(CYCLE)]
        mark = mark_of(number)
        low, high = one["distance_interval"].transpose("ci_bound", along).values
        ax.fill_between(place, low, high, color=colour, alpha=0.18, lw=0)
        ax.plot(place, value, color=colour, lw=1.8)
        ax.plot([], [], mark, ls="-", color=colour, lw=1.8, ms=4.5, label=short(name))
        sure = known & (value > noise)
        ax.plot(place[sure], value[sure], mark, color=colour, ms=4.5)
        ax.plot(place[known & ~sure], value[known & ~sure], mark, mec=colour, mfc="white", ms=4.5)
        if np.nanmax(value) > NAMED_ABOVE:
            top = int(np.nanargmax(value))
            word = "high" if one["direction"].values[top] > 0 else "low"
            named.append((f"{word} {short(name)}", colour, value[known][-1]))
    name_ends(ax, named, LABEL_GAP)
    if not np.isfinite(ds["distance"]).any():
        ax.text(
            0.5, 0.55, "too few cases on one side", transform=ax.transAxes, ha="center", color=FAINT
        )
    ax.set_ylim(0.0, 1.02)
    ax.set_xlabel(text_of(ds[along]))
    ax.set_ylabel("distance")
    dress(ax)
    return ax


def plot_trajectory(ds: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Draw density against coverage along the peels, and the chosen box with its intervals.

    Parameters
    ----------
    ds : xarray.Dataset
        One rule and event of `find_boxes`, with dim `population`.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        One line per population; the mark is the chosen box on the cases it was fitted to, the
        cross the intervals of what it is worth on other cases.
    """
    ax = own_axes(ax)
    ax.grid(color=GRID, lw=0.8)
    for number, name in enumerate(ds["population"].values.astype(str)):
        one = ds.sel(population=name)
        if not np.isfinite(one["coverage"]):
            continue
        colour = colour_of(name, number)
        ax.plot(one["path_coverage"], one["path_density"], color=colour, lw=1.4, label=words(name))
        coverage, density = float(one["coverage"]), float(one["density"])
        across, up = one["coverage_interval"].values, one["density_interval"].values
        ax.plot(across, [density] * 2, color=colour, lw=0.9)
        ax.plot([coverage] * 2, up, color=colour, lw=0.9)
        ax.plot([coverage], [density], MARKS[number % len(MARKS)], color=colour, ms=7)
    ax.set_xlim(-0.02, 1.04)
    ax.set_ylim(-0.02, 1.04)
    ax.set_xlabel("coverage")
    ax.set_ylabel("density")
    dress(ax)
    return ax


def plot_box(ds: xr.Dataset, *, ranges: dict[str, tuple[float, float]], ax: Axes | None = None):
    """Draw a box's range of each parameter within the range that is shown.

    Parameters
    ----------
    ds : xarray.Dataset
        One population, rule and event of `find_boxes`.
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
    names = ds["parameter"].values.astype(str)
    for row, name in enumerate(names):
        one = ds.sel(parameter=name)
        bottom, top = ranges[name]

        def scaled(value, bottom=bottom, top=top):
            return np.clip((value - bottom) / (top - bottom), 0.0, 1.0)

        edges = one["edge"].values
        ax.plot([0, 1], [row, row], color=GRID, lw=7, solid_capstyle="butt", zorder=0)
        if not np.isfinite(edges).any():
            continue
        ax.plot(scaled(edges), [row, row], color=CYCLE[0], lw=7, solid_capstyle="butt", alpha=0.75)
        for side in np.flatnonzero(np.isfinite(edges)):
            spread = one["edge_interval"].values[side]
            if np.isfinite(spread).all():
                ax.plot(scaled(spread), [row + 0.24] * 2, color=INK, lw=1.2)
            share = float(one["restricted"].values[side])
            word = ("from", "to")[side]
            ax.text(
                int(side),
                row - 0.2,
                f"{word} {edges[side]:.3g} ({share:.0%})",
                ha=("left", "right")[side],
                va="bottom",
                fontsize=8,
                color=INK,
            )
    ax.set_yticks(range(len(names)), [_range_text(name, *ranges[name]) for name in names])
    ax.set_xticks([])
    ax.set_xlim(-0.02, 1.02)
    ax.set_ylim(len(names) - 0.4, -0.75)
    dress(ax)
    ax.spines["bottom"].set_visible(False)
    return ax


def _range_text(name: str, bottom: float, top: float) -> str:
    """Name a parameter with the range that its bar spans."""
    unit = display(PARAMETERS[name].units)
    return f"{short(name)}\n{bottom:.3g} to {top:.3g} {unit}".rstrip()
