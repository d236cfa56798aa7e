"""Pages of the trade of a release."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import xarray as xr
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from ebbmap.digits import share_text
from ebbmap.plotting.pages.caption import Page, add_caption
from ebbmap.plotting.pages.layout import first_handles, in_rows
from ebbmap.plotting.style import colour_of, judged_by, words
from ebbmap.plotting.trade import DRAWN_SHARE, plot_trade


def pages(result: xr.Dataset) -> Iterator[Page]:
    """Draw every setting by two costs: a row for each rule, a column for each population."""
    x, y = result.attrs["costs"].split()[:2]
    populations = result["population"].values.astype(str).tolist()
    rules = result["rule"].values.astype(str)
    blocks = in_rows(populations)
    fig = Figure(
        figsize=(max(7.4, 1.4 + 3.5 * len(blocks[0])), 4.4 * len(rules) * len(blocks)),
        layout="constrained",
    )
    axes = fig.subplots(len(rules) * len(blocks), len(blocks[0]), squeeze=False)
    rows = [(rule, block) for block in blocks for rule in rules]
    for line, (rule, block) in zip(axes, rows, strict=True):
        for column, (ax, name) in enumerate(zip(line, block, strict=False)):
            one, colour = result.sel(rule=rule, population=name), populations.index(name)
            plot_trade(one, x=x, y=y, colour=colour_of(name, colour), ax=ax)
            ax.set_title(
                f"{words(name)}, {words(rule)}\n{one['answer'].values}",
                fontsize=9,
                color=colour_of(name, colour),
            )
            if column:
                ax.set_ylabel("")
        for ax in line[len(block) :]:
            ax.set_visible(False)
        _share(line[: len(block)])
    grid = " by ".join(
        f"{result.sizes[dim]} {words(str(dim))}" for dim in result["verdict"].dims[2:]
    )
    add_caption(
        fig,
        f"Each dot is one setting ({grid}) in the middle lung of a population, on axes that all "
        "share. Lines: no setting, or none without a broken limit, is better in both. At most "
        f"{share_text(1 - DRAWN_SHARE)} lie beyond each axis. Above each panel: whether any "
        "setting keeps all limits in this one lung.",
        result,
        rule="*",
        legend=(*first_handles(axes.flat), ""),
    )
    details = "; ".join(
        f"{name} lung, {judged_by(rule)}: "
        + str(result["answer"].sel(rule=rule, population=name).values)
        for rule in rules
        for name in populations
    )
    yield (
        f"{x}_{y}_trade",
        fig,
        f"{words(x)} against {words(y)} for every setting. Does any keep all limits? {details}.",
    )


def _share(axes: Sequence[Axes]) -> None:
    """Give panels the same axes, so that lungs can be told apart by where they lie."""
    for ends, put in ((Axes.get_xlim, Axes.set_xlim), (Axes.get_ylim, Axes.set_ylim)):
        lows, highs = zip(*map(ends, axes), strict=True)
        for ax in axes:
            put(ax, min(lows), max(highs))
