"""Pages of how much each limit decides."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import xarray as xr
from matplotlib.figure import Figure

from ebbmap.digits import share_text
from ebbmap.plotting.limits import plot_limits
from ebbmap.plotting.pages.caption import Page, add_caption
from ebbmap.plotting.pages.layout import first_handles, in_rows
from ebbmap.plotting.style import colour_of, words


def pages(result: xr.Dataset) -> Iterator[Page]:
    """Draw a page for each rule: a panel for each population."""
    for rule in result["rule"].values.astype(str):
        one = result.sel(rule=rule)
        one = one.isel(bound=np.flatnonzero(one["limit"].values.astype(str) != ""))
        fig = _figure(one)
        add_caption(
            fig,
            "Broad bars: lungs that surely break a limit. Narrow bars: lungs that only this limit "
            "keeps from being safe, so that they would be safe without it. Lines: Wilson "
            f"intervals. N = {result.attrs['lungs']:,} lungs in each population.",
            result,
            rule=rule,
            legend=(*first_handles(fig.axes), ""),
        )
        yield f"{rule}_decided", fig, _told(one)


def _figure(one: xr.Dataset) -> Figure:
    names = one["population"].values.astype(str).tolist()
    blocks = in_rows(names)
    height = 1.0 + 0.34 * one.sizes["bound"]
    fig = Figure(figsize=(4.0 + 2.6 * len(blocks[0]), height * len(blocks)), layout="constrained")
    axes = fig.subplots(len(blocks), len(blocks[0]), squeeze=False, sharex=True, sharey=True)
    for line, block in zip(axes, blocks, strict=True):
        for ax, name in zip(line, block, strict=False):
            colour = colour_of(name, names.index(name))
            plot_limits(one.sel(population=name), colour=colour, ax=ax)
            ax.set_title(words(name), color=colour, fontsize=13)
        for ax in line[len(block) :]:
            ax.set_visible(False)
    for ax in axes[:-1].flat:
        ax.set_xlabel("")
    return fig


def _told(one: xr.Dataset) -> str:
    """Say for each population how many lungs are safe, and which limit decides most."""
    said = []
    for name in one["population"].values.astype(str):
        part = one.sel(population=name)
        top = part.isel(bound=int(part["gained_share"].values.argmax()))
        decides = (
            f"{words(str(top['bound'].values))} decides {share_text(float(top['gained_share']))}"
            if float(top["gained_share"]) > 0
            else "no limit decides anything alone"
        )
        said.append(f"{words(name)} {share_text(float(part['safe_share']))} safe, {decides}")
    return f"Share of lungs that each limit alone keeps from being safe: {'; '.join(said)}."
