"""Pages of the boxes that hold the unsafe cases."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import xarray as xr
from matplotlib.figure import Figure

from ebbmap.analyses.common.events import TOO_HIGH, TOO_LOW, UNSAFE, event_words
from ebbmap.digits import share_text
from ebbmap.plotting.boxes import plot_box, plot_boxes
from ebbmap.plotting.pages.caption import Page, add_caption
from ebbmap.plotting.pages.layout import LINE_HEIGHT, text_size
from ebbmap.plotting.style import colour_of, judged_by, words
from ebbmap.registries.parameters import PARAMETERS


def pages(result: xr.Dataset) -> Iterator[Page]:
    """Draw the boxes that hold the unsafe cases, and the peels that led to them."""
    along = str(result.attrs["along"])
    for rule in result["rule"].values.astype(str):
        fig, details = _box_figure(result.sel(rule=rule), along)
        add_caption(
            fig,
            f"Judged by: {judged_by(rule)}. Above, each peel: the share of the cases in the box "
            f"that have the event (density; dotted: "
            f"{share_text(result.attrs['wanted_density'])} wanted) "
            "against the share of the cases with the event that lie in it (coverage), and the "
            f"chosen box (mark: on its own cases; cross: {share_text(result.attrs['ci_level'])} "
            "intervals "
            "on cases left out). Below, the box: edges, each with the share of "
            f"{result.attrs['resamples']} resamples that restrict it, whiskers: where the edge "
            "lies in these; properties that no box of a population restricts are left out. "
            f"{result.attrs['lungs']:,} lungs in each population at {result.attrs['tried']}. "
            f"{_base_text(result.sel(rule=rule))}",
            result,
            rule=rule,
        )
        yield f"{along}_boxes_{rule}", fig, " ".join(details)


def _box_figure(one: xr.Dataset, along: str) -> tuple[Figure, list[str]]:
    """Draw one rule's peels and boxes, and say each box."""
    populations = one["population"].values.astype(str)
    events = (TOO_LOW, TOO_HIGH)
    shown = [_restricted(one.sel(event=list(events), population=name)) for name in populations]
    ranges = _ranges(one)
    wide, peel = 12.0, 4.0
    row = 3.9 * LINE_HEIGHT * text_size(wide)
    tall = [row * max(part.sizes["parameter"], 1) + 0.5 for part in shown]
    fig = Figure(figsize=(wide, peel + sum(tall)), layout="constrained")
    grid = fig.add_gridspec(1 + len(populations), 2, height_ratios=(peel, *tall))
    details: list[str] = []
    for column, event in enumerate(events):
        ax = plot_boxes(one.sel(event=event), ax=fig.add_subplot(grid[0, column]))
        ax.set_title(event_words(event, along), fontsize=13)
        ax.axhline(float(one.attrs["wanted_density"]), lw=0.8, ls=":", color="black")
        ax.set_ylabel("density" if column == 0 else "")
        if ax.get_legend_handles_labels()[0]:
            ax.legend(frameon=False, fontsize=9, loc="lower left")
        for number, name in enumerate(populations):
            part = shown[number].sel(event=event)
            box = plot_box(part, ranges=ranges, ax=fig.add_subplot(grid[1 + number, column]))
            box.set_title(words(name), color=colour_of(name, number), fontsize=10, loc="left")
            if column:
                box.set_yticklabels([])
            details.append(f"{name}: {one['sentence'].sel(event=event, population=name).item()}.")
    return fig, details


def _restricted(one: xr.Dataset) -> xr.Dataset:
    """Keep the parameters that a box of one population restricts, whichever the event."""
    edges = one["edge"]
    some = (edges.notnull() & (abs(edges) < np.inf)).any(["event", "bound_side"])
    return one.isel(parameter=np.flatnonzero(some.values))


def _base_text(one: xr.Dataset) -> str:
    """Return the share of all cases that is unsafe, in words."""
    unsafe = one["share"].sel(event=UNSAFE)
    said = (
        f"{words(str(n))} {share_text(float(unsafe.sel(population=n)))}"
        for n in one["population"].values
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
