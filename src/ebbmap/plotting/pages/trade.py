"""Pages of the trade of a release."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

import xarray as xr
from matplotlib.figure import Figure

from ebbmap.plotting.pages.caption import Page, add_caption
from ebbmap.plotting.style import colour_of, words
from ebbmap.plotting.trade import DRAWN_SHARE, plot_trade


def trade_pages(result: xr.Dataset) -> Iterator[Page]:
    """Draw every setting by two costs: a row for each rule, a column for each population."""
    x, y = result.attrs["costs"].split()[:2]
    populations = result["population"].values.astype(str)
    rules = result["rule"].values.astype(str)
    fig = Figure(
        figsize=(max(7.4, 1.4 + 3.5 * len(populations)), 0.9 + 4.0 * len(rules)),
        layout="constrained",
    )
    axes = fig.subplots(len(rules), len(populations), squeeze=False, sharex="col", sharey="col")
    for row, rule in enumerate(rules):
        for column, name in enumerate(populations):
            ax = axes[row, column]
            one = result.sel(rule=rule, population=name)
            plot_trade(one, x=x, y=y, colour=colour_of(name, column), ax=ax)
            answer = "\n".join(textwrap.wrap(str(one["answer"].values), 27))
            ax.set_title(f"{name}, {words(rule)}\n{answer}", fontsize=9,
                         color=colour_of(name, column))  # fmt: skip
            if column:
                ax.set_ylabel("")
            if row < len(rules) - 1:
                ax.set_xlabel("")
    handles, labels = axes[0, 0].get_legend_handles_labels()
    fig.legend(handles, labels, loc="outside upper center", ncols=len(labels), frameon=False)
    grid = " by ".join(
        f"{result.sizes[dim]} {words(str(dim))}" for dim in result["verdict"].dims[2:]
    )
    add_caption(
        fig,
        f"Each dot is one setting ({grid}) in the middle lung of a population; the worst "
        f"{1 - DRAWN_SHARE:.0%} lie beyond each axis. "
        f"{result.attrs['fixed']}.",
        result,
    )
    told = "; ".join(
        f"{name} lungs, {words(rule)} rule: "
        + str(result["answer"].sel(rule=rule, population=name).values)
        for rule in rules
        for name in populations
    )
    yield (
        f"{x}_{y}_trade", fig,
        f"{words(x)} against {words(y)} for every setting. Does any keep all limits? {told}.",
    )  # fmt: skip
