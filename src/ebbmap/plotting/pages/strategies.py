"""Pages of published strategies as wholes."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import xarray as xr
from matplotlib.figure import Figure

from ebbmap.digits import share_text
from ebbmap.plotting.pages.caption import Page, add_caption
from ebbmap.plotting.pages.layout import first_handles
from ebbmap.plotting.strategies import SHARES, plot_strategies
from ebbmap.plotting.style import words
from ebbmap.registries.parameters import PARAMETERS, SPONTANEOUS
from ebbmap.units import display


def pages(result: xr.Dataset) -> Iterator[Page]:
    """Draw a page for each limit set: rows of own breathing."""
    for rule in result["rule"].values.astype(str):
        one = result.sel(rule=rule)
        fig = _figure(one)
        add_caption(
            fig,
            "Each strategy has one source and sets all four settings of every lung as that source "
            "starts it; then it is left alone: nothing is adjusted. Left, judged by one set of "
            "limits on harm, the same for all; right, by the limits and goals that its own source "
            "states (no mark: it states none); one that states little is kept easily. Lines: "
            "Wilson intervals. "
            f"{result.attrs['before']}. N = {result.attrs['lungs']:,} lungs in each population.",
            result,
            rule=rule,
            legend=(*first_handles(fig.axes), ""),
        )
        yield f"{rule}_as_wholes", fig, _told(one)


def _figure(one: xr.Dataset) -> Figure:
    levels = one[SPONTANEOUS].values
    height = 1.0 + 0.42 * one.sizes["strategy"]
    fig = Figure(figsize=(9.6, height * len(levels)), layout="constrained")
    axes = fig.subplots(len(levels), len(SHARES), squeeze=False, sharex=True, sharey=True)
    for line, level in zip(axes, levels, strict=True):
        for ax, share in zip(line, SHARES, strict=True):
            plot_strategies(one.sel({SPONTANEOUS: level}), share=share, ax=ax)
        line[0].set_ylabel(_breathing(level))
    for ax in axes[:-1].flat:
        ax.set_xlabel("")
    return fig


def _breathing(level: float) -> str:
    entry = PARAMETERS[SPONTANEOUS]
    return f"{entry.short_name} {level:g} {display(entry.units)}"


def _told(one: xr.Dataset) -> str:
    """Say for every population which strategy leaves most lungs unharmed, and which fewest."""
    parts = []
    for level in one[SPONTANEOUS].values:
        said = []
        for name in one["population"].values.astype(str):
            shares = one.sel({SPONTANEOUS: level, "population": name})["unharmed_share"]
            order = np.argsort(shares.values, kind="stable")
            most, least = (shares.isel(strategy=int(place)) for place in (order[-1], order[0]))
            said.append(
                f"{words(name)} from {share_text(float(least))} "
                f"({words(str(least['strategy'].values))}) "
                f"to {share_text(float(most))} ({words(str(most['strategy'].values))})"
            )
        parts.append(f"{_breathing(level)}: {', '.join(said)}")
    return f"Share of lungs left unharmed by published strategies, {'; '.join(parts)}."
