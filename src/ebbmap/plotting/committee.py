"""The pictures of a committee's report: each takes results and returns a Figure."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from ebbmap.plotting.drivers import plot_drivers
from ebbmap.plotting.maps import (
    failing_bounds,
    legend_of_bounds,
    plot_failing_limit,
    plot_safe_region,
)
from ebbmap.plotting.style import (
    COLOURS,
    CYCLE,
    GRID,
    INK,
    MARKS,
    colour_of,
    dress,
    own_axes,
    text_of,
)

#: The four verdicts; light and dark alternate, hatches tell them apart without colour.
VERDICT_COLOURS = {
    "safe": ("#2f8f6b", ""),
    "caution": ("#f0c66b", "//"),
    "unsafe": ("#b3322e", ""),
    "undetermined": ("#ffffff", ".."),
}

#: A share is written into its bar from this width on.
WRITTEN_FROM = 0.07

ALL = "all"


def colour_of_group(name: str, number: int) -> str:
    """Colour of a group; the whole is drawn in ink."""
    return INK if name == ALL else colour_of(name, number)


def plot_verdicts(ds: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Draw the share of combinations with each verdict, one bar per group.

    Parameters
    ----------
    ds : xarray.Dataset
        `verdict` of a check.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Bars add up to one; a tick marks what is wanted.
    """
    ax = own_axes(ax)
    names = ds["group"].values.astype(str)
    left = np.zeros(names.size)
    for verdict in ds["verdict"].values.astype(str):
        share = np.nan_to_num(ds["verdict_share"].sel(verdict=verdict).values)
        colour, hatch = VERDICT_COLOURS[verdict]
        ax.barh(
            names,
            share,
            left=left,
            color=colour,
            hatch=hatch,
            edgecolor=INK,
            lw=0.6,
            height=0.62,
            label=verdict,
        )
        for row, (start, width) in enumerate(zip(left, share, strict=True)):
            if width >= WRITTEN_FROM:
                dark = verdict in ("unsafe", "safe")
                ax.text(
                    start + width / 2,
                    row,
                    f"{width:.0%}",
                    ha="center",
                    va="center",
                    fontsize=9,
                    color="white" if dark else INK,
                    bbox=None if dark else {"fc": "white", "ec": "none", "pad": 1.0},
                )
        left = left + share
    for row, wanted in enumerate(ds["wanted_share"].values):
        ax.plot(
            [wanted, wanted],
            [row - 0.42, row + 0.42],
            color=INK,
            lw=2.2,
            label="wanted" if row == 0 else None,
        )
    ax.invert_yaxis()
    ax.set_xlim(0, 1)
    ax.set_xlabel("share of lung and setting combinations")
    dress(ax)
    ax.legend(ncols=5, loc="lower center", bbox_to_anchor=(0.5, 1.0), frameon=False, fontsize=9)
    return ax


def plot_trade_off(ds: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Draw how large a box can be against the share of lungs it serves.

    Parameters
    ----------
    ds : xarray.Dataset
        One scope of `boxes` of a check.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        One stepped line per group.
    """
    ax = own_axes(ax)
    ax.grid(color=GRID, lw=0.8)
    for number, name in enumerate(ds["group"].values.astype(str)):
        values = ds["trade_off"].sel(group=name).values
        ax.plot(
            ds["served"],
            values,
            color=colour_of_group(name, number),
            lw=1.8,
            marker=MARKS[number % len(MARKS)],
            ms=4,
            label=name,
        )
    ax.set_xlim(0, 1)
    ax.set_ylim(bottom=0)
    ax.set_xlabel("share of lungs served")
    ax.set_ylabel("largest box, share of the ranges")
    dress(ax)
    return ax


def plot_ways(ds: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Draw what each way of choosing T low serves, against the error of measurement.

    Parameters
    ----------
    ds : xarray.Dataset
        One group of `ways` of a check.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        One line with intervals per way.
    """
    ax = own_axes(ax)
    ax.grid(axis="y", color=GRID, lw=0.8)
    for number, way in enumerate(ds["way"].values.astype(str)):
        one = ds.sel(way=way)
        share = one["served_share"].values
        low, high = one["served_share_interval"].transpose("ci_bound", "error").values
        # side by side, so that lines that coincide can be told apart
        error = ds["error"].values + 0.003 * (number - ds.sizes["way"] / 2)
        ax.errorbar(
            error,
            share,
            yerr=[share - low, high - share],
            lw=1.6,
            capsize=2,
            color=CYCLE[number % len(CYCLE)],
            marker=MARKS[number % len(MARKS)],
            ms=5,
            label=way,
        )
    ax.set_xticks(ds["error"].values, [f"{e:.0%}" for e in ds["error"].values])
    ax.set_xlabel("error of the time constant")
    ax.set_ylabel("share of lungs served")
    ax.set_ylim(bottom=0)
    dress(ax)
    return ax


def plot_group_served(ds: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Draw the share of each group's lungs that a T low serves.

    Parameters
    ----------
    ds : xarray.Dataset
        `windows` of a check.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        One line per group with its interval; a mark at its best T low.
    """
    ax = own_axes(ax)
    ax.grid(axis="y", color=GRID, lw=0.8)
    place = ds["t_low"].values
    for number, name in enumerate(ds["group"].values.astype(str)):
        colour = colour_of_group(name, number)
        one = ds.sel(group=name)
        low, high = one["served_share_interval"].transpose("ci_bound", "t_low").values
        ax.fill_between(place, low, high, color=colour, alpha=0.2, lw=0)
        ax.plot(
            place,
            one["served_share"],
            color=colour,
            lw=1.8,
            label=name,
            ls="--" if name == ALL else "-",
        )
        best = float(one["best_t_low"])
        if np.isfinite(best):
            height = float(np.interp(best, place, one["served_share"].values))
            ax.plot([best], [height], MARKS[number % len(MARKS)], color=colour, ms=7)
    ax.set_xscale("log")
    ticks = [0.1, 0.2, 0.3, 0.5, 1.0, 2.0, 4.0]
    ax.set_xticks(ticks, [f"{tick:g}" for tick in ticks])
    ax.minorticks_off()
    ax.set_ylim(bottom=0)
    ax.set_xlabel(text_of(ds["t_low"]))
    ax.set_ylabel("share of lungs served")
    ax.legend(frameon=False, fontsize=9)
    dress(ax)
    return ax


def verdict_figure(ds: xr.Dataset) -> Figure:
    """Draw the verdicts of all groups."""
    fig = Figure(figsize=(8.0, 1.6 + 0.55 * ds.sizes["group"]), layout="constrained")
    plot_verdicts(ds, ax=fig.subplots())
    return fig


def trade_off_figure(ds: xr.Dataset) -> Figure:
    """Draw the trade-off of every scope."""
    fig = Figure(figsize=(8.6, 3.8), layout="constrained")
    axes = fig.subplots(1, ds.sizes["scope"], sharex=True, squeeze=False)[0]
    for ax, scope in zip(axes, ds["scope"].values.astype(str), strict=True):
        plot_trade_off(ds.sel(scope=scope), ax=ax)
        ax.set_title(scope, fontsize=11, loc="left")
    axes[0].legend(frameon=False, fontsize=9)
    return fig


def ways_figure(ds: xr.Dataset) -> Figure:
    """Draw the ways of choosing T low for every group."""
    names = ds["group"].values.astype(str)
    fig = Figure(figsize=(1.0 + 3.0 * names.size, 4.6), layout="constrained")
    axes = fig.subplots(1, names.size, sharey=True, squeeze=False)[0]
    for number, (ax, name) in enumerate(zip(axes, names, strict=True)):
        plot_ways(ds.sel(group=name), ax=ax)
        ax.set_title(name, color=colour_of(name, number), fontsize=11)
        if number:
            ax.set_ylabel("")
    handles, labels = axes[0].get_legend_handles_labels()
    fig.legend(handles, labels, loc="outside lower center", ncols=2, frameon=False, fontsize=9)
    return fig


def served_figure(ds: xr.Dataset) -> Figure:
    """Draw the share of lungs served along T low."""
    fig = Figure(figsize=(8.0, 4.0), layout="constrained")
    plot_group_served(ds, ax=fig.subplots())
    return fig


def map_figure(ds: xr.Dataset, ranges: dict[str, tuple[float, float]]) -> Figure:
    """Draw the safe share of every group and what fails elsewhere, with the draft's ranges.

    Parameters
    ----------
    ds : xarray.Dataset
        `map` of a check.
    ranges : dict of str to tuple of float
        Low and high of the draft, by parameter.
    """
    y, x = (str(dim) for dim in ds["safe_share"].dims[1:])
    names = ds["group"].values.astype(str)
    fig = Figure(figsize=(1.4 + 2.8 * names.size, 6.4), layout="constrained")
    axes = fig.subplots(2, names.size, squeeze=False, sharex=True, sharey=True)
    bounds = failing_bounds(ds)
    drawn = None
    for column, name in enumerate(names):
        one = ds.sel(group=name)
        if np.isfinite(one["safe_share"]).any():
            plot_safe_region(one, x=x, y=y, ax=axes[0, column])
            drawn = axes[0, column].collections[0]
            plot_failing_limit(one, x=x, y=y, bounds=bounds, ax=axes[1, column])
        axes[0, column].set_title(name, color=COLOURS.get(name, INK), fontsize=11)
        axes[0, column].set_xlabel("")
        for ax in axes[:, column]:
            (left, right), (low, high) = ranges[x], ranges[y]
            ax.add_patch(
                Rectangle(
                    (left, low), right - left, high - low, fill=False, ec=INK, lw=2.0, ls="--"
                )
            )
            if column:
                ax.set_ylabel("")
    if drawn is not None:
        fig.colorbar(drawn, ax=axes[0], label="share of lungs that are safe", pad=0.01)
    fig.legend(
        handles=legend_of_bounds(bounds),
        loc="outside lower center",
        ncols=2,
        frameon=False,
        fontsize=9,
        title="limit broken most often",
        title_fontsize=9,
    )
    return fig


def drivers_figure(ds: xr.Dataset) -> Figure:
    """Draw the drivers of the margin along T low for every group."""
    along = next(
        str(d) for d in ds["total"].dims if d not in ("population", "outcome", "parameter")
    )
    outcome = str(ds["outcome"].values[0])
    names = ds["population"].values.astype(str)
    fig = Figure(figsize=(0.6 + 4.2 * names.size, 3.6), layout="constrained")
    axes = fig.subplots(1, names.size, squeeze=False, sharey=True)[0]
    for number, (ax, name) in enumerate(zip(axes, names, strict=True)):
        plot_drivers(ds.sel(population=name), outcome=outcome, along=along, ax=ax)
        ax.set_title(name, color=colour_of(name, number), fontsize=11)
        ax.set_ylabel("" if number else "total index")
    return fig
