"""Pages of factor mapping and of boxes: what is to blame for the unsafe cases."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import xarray as xr
from matplotlib.figure import Figure

from ebbmap.analysis.events import TOO_HIGH, TOO_LOW, UNSAFE, event_words
from ebbmap.parameters import PARAMETERS
from ebbmap.plotting.blame import plot_blame, plot_box, plot_trajectory
from ebbmap.plotting.pages.caption import Page, add_caption
from ebbmap.plotting.style import colour_of, words


def mapping_pages(result: xr.Dataset) -> Iterator[Page]:
    """Draw which property is to blame along the axis, split by the side that is broken."""
    along = str(result.attrs["along"])
    populations = result["population"].values.astype(str)
    events = (TOO_LOW, TOO_HIGH)
    for rule in result["rule"].values.astype(str):
        fig = Figure(figsize=(12.4, 2.6 + 2.8 * len(populations)), layout="constrained")
        axes = fig.subplots(len(populations), 2, squeeze=False, sharex=True, sharey=True)
        told = []
        for row, name in enumerate(populations):
            for column, event in enumerate(events):
                one = result.sel(rule=rule, population=name, event=event)
                ax = plot_blame(one, along=along, ax=axes[row, column])
                if row == 0:
                    ax.set_title(event_words(event, along), fontsize=13)
                ax.set_ylabel(f"{name}\ndistance" if column == 0 else "",
                              color=colour_of(name, row), fontsize=11)  # fmt: skip
                if row < len(populations) - 1:
                    ax.set_xlabel("")
                told.append(blame_sentence(one, along))
        handles, labels = _all_handles(axes)
        fig.legend(handles, labels, loc="outside upper center", ncols=len(labels), frameon=False)
        limits = {
            event: ", ".join(
                words(str(name)) for name in result["event"].values[3:]
                if (sign * result["trend"].sel(rule=rule, event=name) > 0).any()
            ) for event, sign in ((TOO_LOW, 1.0), (TOO_HIGH, -1.0))
        }  # fmt: skip
        add_caption(
            fig, f"Rule: {words(rule)}. Distance (Kolmogorov-Smirnov) between the lungs with and "
            f"without the event, bands: {result.attrs['ci_level']:.0%} intervals, hollow: within "
            f"the noise; grey: share of the lungs with the event. {result.attrs['lungs']:,} lungs "
            f"in each population, correlations kept. {event_words(TOO_LOW, along)}: "
            f"{limits[TOO_LOW]}. {event_words(TOO_HIGH, along)}: {limits[TOO_HIGH]}. "
            f"{result.attrs['fixed']}.", result,
        )  # fmt: skip
        yield f"{along}_blame_{rule}", fig, " ".join(told)


def blame_sentence(one: xr.Dataset, along: str) -> str:
    """Say which property sets an event apart most, where the event splits the lungs most evenly."""
    event, name = str(one["event"].item()), str(one["population"].item())
    what = event_words(event, along)
    if not np.isfinite(one["distance"]).any():
        return f"{name}, {what}: too few cases on one side everywhere."
    known = one["distance"].notnull().any("parameter")
    place = int(np.nanargmin(abs(one["share"] - 0.5).where(known).values))
    at = one.isel({along: place})
    top = int(np.nanargmax(at["distance"].values))
    worst = at.isel(parameter=top)
    low, high = worst["distance_interval"].values
    word = "high" if float(worst["direction"]) > 0 else "low"
    return (
        f"{name}, {PARAMETERS[along].say(round(float(one[along][place]), 3))}: "
        f"{float(at['share']):.0%} {what}, most apart in {word} "
        f"{words(str(worst['parameter'].item()))}, distance {float(worst['distance']):.2f} "
        f"({low:.2f} to {high:.2f})."
    )


def _all_handles(axes):
    """Legend entries of the first panel that has any."""
    for ax in axes.flat:
        handles, labels = ax.get_legend_handles_labels()
        if handles:
            return handles, labels
    return [], []


def box_pages(result: xr.Dataset) -> Iterator[Page]:
    """Draw the boxes that hold the unsafe cases, and the peels that led to them."""
    along = str(result.attrs["along"])
    populations = result["population"].values.astype(str)
    events = (TOO_LOW, TOO_HIGH)
    ranges = _ranges(result)
    for rule in result["rule"].values.astype(str):
        one = result.sel(rule=rule)
        fig = Figure(figsize=(13.0, 5.2 + 4.6 * len(populations)), layout="constrained")
        grid = fig.add_gridspec(
            1 + len(populations), 2, height_ratios=(1.5, *(1,) * len(populations))
        )
        told = []
        for column, event in enumerate(events):
            ax = plot_trajectory(one.sel(event=event), ax=fig.add_subplot(grid[0, column]))
            ax.set_title(event_words(event, along), fontsize=13)
            ax.axhline(float(result.attrs["wanted_density"]), lw=0.8, ls=":", color="black")
            if ax.get_legend_handles_labels()[0]:
                ax.legend(frameon=False, fontsize=9, loc="lower left")
            for row, name in enumerate(populations):
                part = one.sel(event=event, population=name)
                box = plot_box(part, ranges=ranges, ax=fig.add_subplot(grid[1 + row, column]))
                box.set_title(name, color=colour_of(name, row), fontsize=10, loc="left")
                told.append(f"{name}: {part['sentence'].item()}.")
        base = ", ".join(
            f"{n} {float(one['share'].sel(population=n, event=UNSAFE)):.0%}" for n in populations
        )
        add_caption(
            fig, f"Rule: {words(rule)}. Above, each peel, and the chosen box (mark: on its own "
            f"cases; cross: {result.attrs['ci_level']:.0%} intervals on cases left out). Below, "
            f"the box: edges with the share of {result.attrs['resamples']} resamples that "
            f"restrict them, whiskers: where the edge lies in these. {result.attrs['lungs']:,} "
            f"lungs in each population at {result.attrs['tried']}. Unsafe in all: {base}. "
            f"{result.attrs['fixed']}.", result,
        )  # fmt: skip
        yield f"{along}_boxes_{rule}", fig, " ".join(told)


def _ranges(result: xr.Dataset) -> dict[str, tuple[float, float]]:
    """Range to show of each parameter: all edges of all peels, with the usual range."""
    shown = {}
    for name in result["parameter"].values.astype(str):
        edges = result["path_edge"].sel(parameter=name).values
        edges = edges[np.isfinite(edges)]
        entry = PARAMETERS[name]
        shown[name] = (
            float(min(edges.min(initial=entry.usual_low), entry.usual_low)),
            float(max(np.quantile(edges, 0.98) if edges.size else 0.0, entry.usual_high)),
        )
    return shown
