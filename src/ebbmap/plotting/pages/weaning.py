"""Page of weaning paths."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

import xarray as xr
from matplotlib.figure import Figure

from ebbmap.plotting.pages.caption import Page, add_caption
from ebbmap.plotting.style import colour_of, words
from ebbmap.plotting.weaning import FULL, plot_weaning


def wean_pages(result: xr.Dataset) -> Iterator[Page]:
    """Draw a row for each rule, a column for each population."""
    populations = result["population"].values.astype(str)
    rules = result["rule"].values.astype(str)
    fig = Figure(
        figsize=(max(8.0, 2.2 + 4.4 * len(populations)), 2.6 + 4.4 * len(rules)),
        layout="constrained",
    )
    axes = fig.subplots(len(rules), len(populations), squeeze=False, sharex=True, sharey=True)
    for row, rule in enumerate(rules):
        for column, name in enumerate(populations):
            ax = plot_weaning(result.sel(rule=rule, population=name), ax=axes[row, column])
            told = "\n".join(_told(result.sel(rule=rule, population=name), 34))
            ax.set_title(f"{name}, {words(rule)}\n{told}", color=colour_of(name, column),
                         loc="left", fontsize=12)  # fmt: skip
            if column:
                ax.set_ylabel("")
            if row < len(rules) - 1:
                ax.set_xlabel("")
    handles, labels = axes[0, 0].get_legend_handles_labels()
    fig.legend(handles, labels, loc="outside upper left", ncols=2, frameon=False)
    fig.colorbar(
        axes[0, 0].collections[0], ax=axes, label="safety margin (green: all limits kept)",
        pad=0.01, ticks=[-FULL, 0, FULL], aspect=40,
    )  # fmt: skip
    add_caption(
        fig,
        f"P high down by {result.attrs['p_high_step']:g} cmH₂O and T high up by "
        f"{result.attrs['seconds_per_pressure']:g} s per cmH₂O, from {result.attrs['fixed']}. Open "
        "marks: a hard limit is broken. Own breathing and oxygen are held. The middle lung of "
        "each population; N = 1 each.",
        result,
    )
    said = "; ".join(
        f"{name} lung, {words(rule)} rule: "
        + ", ".join(_told(result.sel(rule=rule, population=name), 10_000))
        for rule in rules
        for name in populations
    )
    yield "path", fig, f"Weaning paths over P high and T high on the map of safety margins. {said}."


def _told(one: xr.Dataset, width: int) -> list[str]:
    """Say for each route where it first leaves the safe region."""
    lines = []
    for route in one["route"].values.astype(str):
        here = one.sel(route=route)
        step, leaves = int(here["first_unsafe"]), str(here["leaves"].values)
        told = leaves if step < 0 else f"step {step}, {leaves}"
        lines += textwrap.wrap(f"{route}: {told}", width)
    return lines
