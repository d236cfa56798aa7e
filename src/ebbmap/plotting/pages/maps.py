"""Pages of safe-region maps."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

import numpy as np
import xarray as xr
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from ebbmap.plotting.maps import (
    HALF,
    failing_bounds,
    legend_of_bounds,
    mark_lungs,
    plot_failing_limit,
    plot_safe_region,
)
from ebbmap.plotting.pages.caption import Page, add_caption
from ebbmap.plotting.style import COLOURS, INK, colour_of, words
from ebbmap.populations import POPULATIONS

#: Characters of an axis text that fit below one of three panels.
AXIS_WIDTH = 26


def map_pages(result: xr.Dataset) -> Iterator[Page]:
    """Draw a page for each rule: safe shares above, the limit that fails below."""
    y, x = (str(dim) for dim in result["safe_share"].dims[-2:])
    populations = result["population"].values.astype(str)
    for rule in result["rule"].values.astype(str):
        one = result.sel(rule=rule)
        bounds = failing_bounds(one)
        fig = Figure(figsize=(max(8.0, 1.2 + 3.4 * len(populations)), 10.8), layout="constrained")
        grid = fig.add_gridspec(3, len(populations), height_ratios=(1, 1, 0.3))
        axes = (
            grid[:2, :]
            .subgridspec(2, len(populations))
            .subplots(squeeze=False, sharex=True, sharey=True)
        )
        key = fig.add_subplot(grid[2, :])
        key.axis("off")
        for column, name in enumerate(populations):
            part = one.sel(population=name)
            plot_safe_region(part, x=x, y=y, ax=axes[0, column])
            plot_failing_limit(part, x=x, y=y, bounds=bounds, ax=axes[1, column])
            axes[0, column].set_title(name, color=colour_of(name, column), fontsize=13)
            for ax in axes[:, column]:
                mark_lungs(ax, _middles(y, result), COLOURS)
        for ax in axes[:, 0]:
            ax.set_ylabel(ax.get_ylabel().replace(" [", "\n["))
        for ax in axes[:, 1:].flat:
            ax.set_ylabel("")
        for ax in axes[0]:
            ax.set_xlabel("")
        for ax in axes[1]:
            ax.set_xlabel("\n".join(textwrap.wrap(ax.get_xlabel(), AXIS_WIDTH)))
        fig.colorbar(
            axes[0, 0].collections[0], ax=axes[0], label="share of lungs that are safe", pad=0.01
        )
        best = one["safe_share"].max((x, y))
        half = [Line2D([], [], color=INK, label="half are safe")] if (best > HALF).any() else []
        key.legend(
            handles=[*legend_of_bounds(bounds), *half],
            loc="center", ncols=min(2, len(populations)), frameon=False, fontsize=9,
            title="limit broken most often", title_fontsize=9,
        )  # fmt: skip
        add_caption(
            fig,
            f"Safe share, rule: {words(rule)}. {result.attrs['lungs']} lungs in each "
            f"population, drawn given the value on the vertical axis; dashed: middle lungs. "
            f"{result.attrs['fixed']}.",
            result,
        )
        told = ", ".join(f"{n} {_share(float(best.sel(population=n)))}" for n in populations)
        yield (
            f"{x}_{y}_{rule}", fig,
            f"Maps of the share of safe lungs over {words(x)} and {words(y)} under the "
            f"{words(rule)} rule; largest share: {told}. Below, the limit broken most often.",
        )  # fmt: skip


def _share(value: float) -> str:
    return f"{value:.0%}" if np.isfinite(value) else "none determined"


def _middles(y: str, result: xr.Dataset) -> dict[str, float]:
    names = result["population"].values.astype(str)
    known = [POPULATIONS[name] for name in names if name in POPULATIONS]
    return {group.name: group.median[y] for group in known if y in group.median}
