"""Page of weaning paths."""

from __future__ import annotations

from collections.abc import Iterator

import xarray as xr
from matplotlib.figure import Figure

from ebbmap.plotting.pages.caption import Page, add_caption
from ebbmap.plotting.pages.layout import LINE_HEIGHT, broken, first_handles, in_rows, text_size
from ebbmap.plotting.speaking import spoken
from ebbmap.plotting.style import colour_of, judged_by, words
from ebbmap.plotting.wean import FULL, plot_wean

#: Width of a panel [inch].
PANEL = 4.4


def pages(result: xr.Dataset) -> Iterator[Page]:
    """Draw a row for each rule, a column for each population."""
    populations = result["population"].values.astype(str).tolist()
    rules = result["rule"].values.astype(str)
    blocks = in_rows(populations)
    fig = Figure(
        figsize=(max(8.0, 2.2 + PANEL * len(blocks[0])), 5.4 * len(rules) * len(blocks)),
        layout="constrained",
    )
    axes = fig.subplots(
        len(rules) * len(blocks), len(blocks[0]), squeeze=False, sharex=True, sharey=True
    )
    rows = [(rule, block) for block in blocks for rule in rules]
    lines, size = 0, text_size(fig.get_figwidth())
    for row, (rule, block) in enumerate(rows):
        for column, name in enumerate(block):
            ax = plot_wean(result.sel(rule=rule, population=name), ax=axes[row, column])
            details = "\n".join(_result_text(result.sel(rule=rule, population=name)))
            # broken before it is laid out: a long title would leave its panel no width
            title = broken(spoken(f"{words(name)}, {words(rule)}\n{details}"), size, 0.8 * PANEL)
            lines = max(lines, title.count("\n") + 1)
            ax.set_title(
                title,
                fontsize=size,
                loc="left",
                color=colour_of(name, populations.index(name)),
            )
            if column:
                ax.set_ylabel("")
            if row < len(rows) - 1:
                ax.set_xlabel("")
        for ax in axes[row, len(block) :]:
            ax.set_visible(False)
    fig.set_figheight(fig.get_figheight() + len(rows) * lines * LINE_HEIGHT * size)
    fig.colorbar(
        axes[0, 0].collections[0],
        ax=axes,
        label="safety margin (blue: all hard limits kept)",
        pad=0.01,
        ticks=[-FULL, 0, FULL],
        aspect=40,
    )
    add_caption(
        fig,
        f"P high down by {result.attrs['p_high_step']:g} cmH₂O and T high up by "
        f"{result.attrs['seconds_per_pressure']:g} s per cmH₂O. Line: margin zero. Open mark: a "
        "hard limit is broken, or it is not known, and weaning stops. "
        f"{result.attrs['own_breathing']} The middle lung of each population; N = 1 each.",
        result,
        rule="*",
        legend=(*first_handles(axes.flat), ""),
    )
    said = "; ".join(
        f"{name} lung, {judged_by(rule)}: "
        + ", ".join(_result_text(result.sel(rule=rule, population=name)))
        for rule in rules
        for name in populations
    )
    yield "path", fig, f"Weaning paths over P high and T high on the map of safety margins. {said}."


def _result_text(own: xr.Dataset) -> list[str]:
    """Return for each route where it first leaves the safe region."""
    lines = []
    for route in own["route"].values.astype(str):
        here = own.sel(route=route)
        step, leaves = int(here["first_unsafe"]), str(here["leaves"].values)
        details = leaves if step < 0 else f"step {step}, {leaves}"
        lines.append(f"{route}: {details}")
    return lines
