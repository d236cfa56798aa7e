"""Pages of factor mapping and of boxes: what is to blame for the unsafe cases."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import xarray as xr
from matplotlib.figure import Figure

from ebbmap.analyses.common.events import TOO_HIGH, TOO_LOW, UNSAFE, event_words
from ebbmap.plotting.boxes import plot_box, plot_boxes
from ebbmap.plotting.mapping import NAMED_ABOVE, plot_mapping
from ebbmap.plotting.pages.caption import Page, add_caption
from ebbmap.plotting.pages.layout import LINE_HEIGHT, first_handles, text_size
from ebbmap.plotting.style import colour_of, words
from ebbmap.registries.parameters import PARAMETERS


def mapping_pages(result: xr.Dataset) -> Iterator[Page]:
    """Draw which property is to blame along the axis, split by the side that is broken."""
    along = str(result.attrs["along"])
    populations = result["population"].values.astype(str)
    events = (TOO_LOW, TOO_HIGH)
    for rule in result["rule"].values.astype(str):
        fig = Figure(figsize=(12.4, 0.6 + 3.0 * len(populations)), layout="constrained")
        axes = fig.subplots(len(populations), 2, squeeze=False, sharex=True, sharey=True)
        told = []
        for row, name in enumerate(populations):
            for column, event in enumerate(events):
                one = result.sel(rule=rule, population=name, event=event)
                ax = plot_mapping(one, along=along, ax=axes[row, column])
                if row == 0:
                    ax.set_title(event_words(event, along), fontsize=13)
                ax.set_ylabel(
                    f"{words(name)}\ndistance" if column == 0 else "",
                    color=colour_of(name, row),
                    fontsize=11,
                )
                if row < len(populations) - 1:
                    ax.set_xlabel("")
                told.append(blame_sentence(one, along))
        limits = {
            event: ", ".join(
                words(str(name))
                for name in result["event"].values[3:]
                if (sign * result["trend"].sel(rule=rule, event=name) > 0).any()
            )
            for event, sign in ((TOO_LOW, 1.0), (TOO_HIGH, -1.0))
        }
        add_caption(
            fig,
            f"Rule: {words(rule)}. Distance (Kolmogorov-Smirnov) between the lungs with and "
            f"without the event, bands: {result.attrs['ci_level']:.0%} intervals, hollow: within "
            f"the noise; named where it exceeds {NAMED_ABOVE:g}, high or low as it is in the "
            f"lungs with the event at its largest; grey: share of the lungs with the event. "
            f"{result.attrs['lungs']:,} lungs in each population, correlations kept. "
            + "".join(
                f"{event_words(event, along)}: {limits[event] or 'no limit'}. " for event in events
            ),
            result,
            rule=rule,
            legend=(*first_handles(axes.flat), ""),
        )
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


def box_pages(result: xr.Dataset) -> Iterator[Page]:
    """Draw the boxes that hold the unsafe cases, and the peels that led to them."""
    along = str(result.attrs["along"])
    for rule in result["rule"].values.astype(str):
        fig, told = _box_figure(result.sel(rule=rule), along)
        add_caption(
            fig,
            f"Rule: {words(rule)}. Above, each peel: the share of the cases in the box that "
            f"have the event (density; dotted: {result.attrs['wanted_density']:.0%} wanted) "
            "against the share of the cases with the event that lie in it (coverage), and the "
            f"chosen box (mark: on its own cases; cross: {result.attrs['ci_level']:.0%} intervals "
            "on cases left out). Below, the box: edges, each with the share of "
            f"{result.attrs['resamples']} resamples that restrict it, whiskers: where the edge "
            "lies in these; properties that no box restricts are left out. "
            f"{result.attrs['lungs']:,} lungs in each population at {result.attrs['tried']}. "
            f"{_base_text(result.sel(rule=rule))}",
            result,
            rule=rule,
        )
        yield f"{along}_boxes_{rule}", fig, " ".join(told)


def _box_figure(one: xr.Dataset, along: str) -> tuple[Figure, list[str]]:
    """Draw one rule's peels and boxes, and say each box."""
    populations = one["population"].values.astype(str)
    events = (TOO_LOW, TOO_HIGH)
    edges = one["edge"].sel(event=list(events))
    some = edges.notnull() & (abs(edges) < np.inf)
    some = some.any([dim for dim in edges.dims if dim != "parameter"])
    shown = one.isel(parameter=np.flatnonzero(some.values)) if some.any() else one
    ranges = _ranges(shown)
    wide, peel = 12.0, 4.0
    row = 3.9 * LINE_HEIGHT * text_size(wide)
    tall = [row * max(shown.sizes["parameter"], 1) + 0.5] * len(populations)
    fig = Figure(figsize=(wide, peel + sum(tall)), layout="constrained")
    grid = fig.add_gridspec(1 + len(populations), 2, height_ratios=(peel, *tall))
    told: list[str] = []
    for column, event in enumerate(events):
        ax = plot_boxes(one.sel(event=event), ax=fig.add_subplot(grid[0, column]))
        ax.set_title(event_words(event, along), fontsize=13)
        ax.axhline(float(one.attrs["wanted_density"]), lw=0.8, ls=":", color="black")
        ax.set_ylabel("density" if column == 0 else "")
        if ax.get_legend_handles_labels()[0]:
            ax.legend(frameon=False, fontsize=9, loc="lower left")
        for number, name in enumerate(populations):
            part = shown.sel(event=event, population=name)
            box = plot_box(part, ranges=ranges, ax=fig.add_subplot(grid[1 + number, column]))
            box.set_title(words(name), color=colour_of(name, number), fontsize=10, loc="left")
            if column:
                box.set_yticklabels([])
            told.append(f"{name}: {one['sentence'].sel(event=event, population=name).item()}.")
    return fig, told


def _base_text(one: xr.Dataset) -> str:
    """Say how many of all cases are unsafe."""
    unsafe = one["share"].sel(event=UNSAFE)
    said = (
        f"{words(str(n))} {float(unsafe.sel(population=n)):.0%}" for n in one["population"].values
    )
    return f"Unsafe in all: {', '.join(said)}."


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
