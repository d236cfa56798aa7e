"""The pictures of a committee's report: each takes results and returns a Figure."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from ebbmap.digits import share_text
from ebbmap.plotting.colours import VERDICTS, fixed_colour
from ebbmap.plotting.map import failing_bounds, legend_of_bounds, plot_map, plot_map_failures
from ebbmap.plotting.sobol import plot_sobol
from ebbmap.plotting.style import (
    CYCLE,
    INK,
    MARKS,
    PERCENT,
    T_LOW_TICKS,
    Look,
    add_share_scale,
    colour_of,
    dress,
    entries,
    finish,
    own_axes,
    place_ticks,
    ruled_axes,
)
from ebbmap.plotting.window import draw_served

#: The four verdicts; light and dark alternate, hatches tell them apart without colour.
VERDICT_COLOURS = {
    "safe": (VERDICTS["safe"], ""),
    "caution": (VERDICTS["caution"], "//"),
    "unsafe": (VERDICTS["unsafe"], ""),
    "undetermined": (VERDICTS["undetermined"], ".."),
}

#: A share is written into its bar from this width on.
WRITTEN_FROM = 0.07

ALL = "all"

#: Look of every legend.
LEGEND: Look = {"frameon": False, "fontsize": 9}


def colour_of_group(name: str, number: int) -> str:
    """Return the colour of a group; the whole is drawn in ink."""
    return INK if name == ALL else colour_of(name, number)


def plot_verdicts(result: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Draw the share of combinations with each verdict, one bar per group.

    Parameters
    ----------
    result : xarray.Dataset
        `verdict` of a check.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Bars add up to one; a tick marks what is wanted.
    """
    ax = own_axes(ax)
    names = result["group"].values.astype(str)
    left = np.zeros(names.size)
    for verdict in result["verdict"].values.astype(str):
        share = np.nan_to_num(result["verdict_share"].sel(verdict=verdict).values)
        _draw_bars(ax, names, left, share, verdict)
        left = left + share
    for row, wanted in enumerate(result["wanted_share"].values):
        label = None if row else "wanted"
        ax.plot([wanted] * 2, [row - 0.42, row + 0.42], color=INK, lw=2.2, label=label)
    ax.invert_yaxis()
    ax.set_xlim(0, 1)
    ax.xaxis.set_major_formatter(PERCENT)
    ax.set_xlabel("share of combinations of lung and setting")
    dress(ax)
    ax.legend(ncols=5, loc="lower center", bbox_to_anchor=(0.5, 1.0), **LEGEND)
    return ax


def _draw_bars(
    ax: Axes, names: np.ndarray, left: np.ndarray, share: np.ndarray, verdict: str
) -> None:
    """Draw one verdict's part of every group's bar, with its share where it is wide enough."""
    colour, hatch = VERDICT_COLOURS[verdict]
    look: Look = {"color": colour, "hatch": hatch, "edgecolor": INK, "lw": 0.6, "height": 0.62}
    ax.barh(names, share, left=left, label=verdict, **look)
    dark = verdict in ("unsafe", "safe")
    box = None if dark else {"fc": "white", "ec": "none", "pad": 1.0}
    text: Look = {"ha": "center", "va": "center", "fontsize": 9, "color": "white" if dark else INK}
    for row in np.flatnonzero(share >= WRITTEN_FROM).tolist():
        middle = left[row] + share[row] / 2
        ax.text(middle, row, f"{share_text(share[row])}", bbox=box, **text)


def plot_trade_off(result: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Draw how large a box can be against the share of lungs it serves.

    Parameters
    ----------
    result : xarray.Dataset
        One scope of `boxes` of a check.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        One stepped line per group.
    """
    ax = ruled_axes(ax)
    for number, name, group, _ in entries(result, "group"):
        look: Look = {"color": colour_of_group(name, number), "marker": MARKS[number % len(MARKS)]}
        ax.plot(result["served"], group["trade_off"], lw=1.8, ms=4, label=name, **look)
    ax.set_xlim(0, 1)
    ax.set_ylim(bottom=0)
    ax.xaxis.set_major_formatter(PERCENT)
    ax.yaxis.set_major_formatter(PERCENT)
    return finish(ax, "share of lungs served", "largest box, share of the ranges")


def plot_ways(result: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Draw what each way of choosing T low serves, against the error of measurement.

    Parameters
    ----------
    result : xarray.Dataset
        One group of `ways` of a check.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        One line with intervals per way.
    """
    ax = ruled_axes(ax, "y")
    errors = result["error"].values
    for number, name, way, _ in entries(result, "way"):
        share = way["served_share"].values
        low, high = way["served_share_interval"].transpose("ci_bound", "error").values
        # side by side, so that lines that coincide can be told apart
        place = errors + 0.003 * (number - result.sizes["way"] / 2)
        look: Look = {"color": CYCLE[number % len(CYCLE)], "marker": MARKS[number % len(MARKS)]}
        around = [share - low, high - share]
        ax.errorbar(place, share, yerr=around, lw=1.6, capsize=2, ms=5, label=name, **look)
    ax.set_xticks(errors, [f"{share_text(error)}" for error in errors])
    ax.set_ylim(bottom=0)
    ax.yaxis.set_major_formatter(PERCENT)
    return finish(ax, "error of the time constant", "share of lungs served")


def plot_group_served(result: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Draw the share of each group's lungs that a T low serves.

    Parameters
    ----------
    result : xarray.Dataset
        `windows` of a check.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        One line per group with its interval; a mark at its best T low.
    """
    ax = ruled_axes(ax, "y")
    place = result["t_low"].values
    for number, name, lungs, _ in entries(result, "group"):
        colour = colour_of_group(name, number)
        draw_served(ax, lungs, colour, label=name, lw=1.8, ls="--" if name == ALL else "-")
        best = float(lungs["best_t_low"])
        if np.isfinite(best):
            height = float(np.interp(best, place, lungs["served_share"].values))
            ax.plot([best], [height], MARKS[number % len(MARKS)], color=colour, ms=7)
    ax.set_xscale("log")
    place_ticks(ax.xaxis, T_LOW_TICKS)
    ax.set_ylim(bottom=0)
    ax.yaxis.set_major_formatter(PERCENT)
    ax.legend(**LEGEND)
    return finish(ax, result["t_low"], "share of lungs served")


def verdict_figure(result: xr.Dataset) -> Figure:
    """Draw the verdicts of all groups."""
    fig = Figure(figsize=(8.0, 1.6 + 0.55 * result.sizes["group"]), layout="constrained")
    plot_verdicts(result, ax=fig.subplots())
    return fig


def trade_off_figure(result: xr.Dataset) -> Figure:
    """Draw the trade-off of every scope."""
    fig = Figure(figsize=(8.6, 3.8), layout="constrained")
    axes = fig.subplots(1, result.sizes["scope"], sharex=True, squeeze=False)[0]
    for ax, scope in zip(axes, result["scope"].values.astype(str), strict=True):
        plot_trade_off(result.sel(scope=scope), ax=ax)
        ax.set_title(scope, fontsize=11, loc="left")
    axes[0].legend(**LEGEND)
    return fig


def ways_figure(result: xr.Dataset) -> Figure:
    """Draw the ways of choosing T low for every group."""
    names = result["group"].values.astype(str)
    fig = Figure(figsize=(1.0 + 3.0 * names.size, 4.6), layout="constrained")
    axes = fig.subplots(1, names.size, sharey=True, squeeze=False)[0]
    for number, (ax, name) in enumerate(zip(axes, names, strict=True)):
        plot_ways(result.sel(group=name), ax=ax)
        ax.set_title(name, color=colour_of(name, number), fontsize=11)
        if number:
            ax.set_ylabel("")
    handles, labels = axes[0].get_legend_handles_labels()
    fig.legend(handles, labels, loc="outside lower center", ncols=2, **LEGEND)
    return fig


def served_figure(result: xr.Dataset) -> Figure:
    """Draw the share of lungs served along T low."""
    fig = Figure(figsize=(8.0, 4.0), layout="constrained")
    plot_group_served(result, ax=fig.subplots())
    return fig


def map_figure(result: xr.Dataset, ranges: dict[str, tuple[float, float]]) -> Figure:
    """Draw the safe share of every group and what fails elsewhere, with the draft's ranges.

    Parameters
    ----------
    result : xarray.Dataset
        `map` of a check.
    ranges : dict of str to tuple of float
        Low and high of the draft, by parameter.
    """
    y, x = (str(dim) for dim in result["safe_share"].dims[1:])
    size = result.sizes["group"]
    fig = Figure(figsize=(1.4 + 2.8 * size, 6.4), layout="constrained")
    axes = fig.subplots(2, size, squeeze=False, sharex=True, sharey=True)
    bounds = failing_bounds(result)
    drawn = False
    for column, name, group, _ in entries(result, "group"):
        top, bottom = axes[:, column]
        if np.isfinite(group["safe_share"]).any():
            plot_map(group, x=x, y=y, ax=top)
            drawn = True
            plot_map_failures(group, x=x, y=y, bounds=bounds, ax=bottom)
        top.set_title(name, color=fixed_colour(name) or INK, fontsize=11)
        top.set_xlabel("")
        for ax in (top, bottom):
            ax.add_patch(_ranges_patch(ranges[x], ranges[y]))
            if column:
                ax.set_ylabel("")
    if drawn:
        add_share_scale(axes[0], "share of lungs that are safe")
    look: Look = LEGEND | {"title": "limit broken most often", "title_fontsize": 9}
    handles = legend_of_bounds(bounds)
    fig.legend(handles=handles, loc="outside lower center", ncols=2, **look)
    return fig


def _ranges_patch(across: tuple[float, float], up: tuple[float, float]) -> Rectangle:
    """Return the frame of a draft's ranges along both axes of a map."""
    (left, right), (low, high) = across, up
    size = right - left, high - low
    return Rectangle((left, low), *size, fill=False, ec=INK, lw=2.0, ls="--")


def drivers_figure(result: xr.Dataset) -> Figure:
    """Draw the drivers of the margin along T low for every group."""
    along = next(
        str(d) for d in result["total"].dims if d not in ("population", "outcome", "parameter")
    )
    outcome = str(result["outcome"].values[0])
    names = result["population"].values.astype(str)
    fig = Figure(figsize=(0.6 + 4.2 * names.size, 3.6), layout="constrained")
    axes = fig.subplots(1, names.size, squeeze=False, sharey=True)[0]
    for number, (ax, name) in enumerate(zip(axes, names, strict=True)):
        plot_sobol(result.sel(population=name), outcome=outcome, along=along, ax=ax)
        ax.set_title(name, color=colour_of(name, number), fontsize=11)
        ax.set_ylabel("" if number else "total index")
    return fig
