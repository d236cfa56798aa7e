"""Pages of safe-region maps."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import xarray as xr
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from ebbmap.analyses.common.knowledge import said_share
from ebbmap.analyses.common.stand_in import surrogate_notes
from ebbmap.digits import share_text
from ebbmap.plotting.map import (
    DOTS,
    HALF,
    failing_bounds,
    legend_of_bounds,
    mark_middle,
    plot_map,
    plot_map_failures,
    unsteady_somewhere,
)
from ebbmap.plotting.pages.caption import Page, add_caption
from ebbmap.plotting.pages.layout import in_rows
from ebbmap.plotting.style import INK, add_share_scale, colour_of, judged_by, text_of, words


def pages(result: xr.Dataset) -> Iterator[Page]:
    """Draw a page for each rule: safe shares above, the limit that fails below."""
    y, x = (str(dim) for dim in result["safe_share"].dims[-2:])
    populations = result["population"].values.astype(str)
    for rule in result["rule"].values.astype(str):
        own = result.sel(rule=rule)
        fig, marked = _figure(own, x, y)
        best = own["safe_share"].max((x, y))
        bounds = failing_bounds(own)
        half = [Line2D([], [], color=INK, label="half are safe")] if (best > HALF).any() else []
        handles = [*legend_of_bounds(bounds), *half]
        dotted = "averaged_share" in own
        stood_in = "".join(f" Not solved: {note}." for note in surrogate_notes(own))
        if dotted:
            name = "half are safe, averaged over the limits' uncertainty"
            half.append(Line2D([], [], color=INK, ls=DOTS, label=name))
        add_caption(
            fig,
            f"Judged by: {judged_by(rule)}. Above, the {own['safe_share'].attrs['long_name']}; "
            f"below, the limit broken most often. A cell around each of {result.sizes[x]} by "
            f"{result.sizes[y]} places; {result.attrs['lungs']:,} lungs in each population."
            + (f" Line: {share_text(HALF)} are safe, read between the places." if half else "")
            + (
                f" Stippled: at least {share_text(HALF)} have no steady state of CO₂ or oxygen."
                if unsteady_somewhere(own)
                else ""
            )
            + (" Dotted: the same, averaged over the limits' uncertainty." if dotted else "")
            + (" Dashed: the population's middle lung given what is held." if marked else "")
            + stood_in,
            result,
            rule=rule,
            legend=(
                handles,
                [str(handle.get_label()) for handle in handles],
                "lower panels: limit broken most often" if bounds else "",
            ),
        )
        details = ", ".join(f"{n} {_largest(own.sel(population=n), x, y)}" for n in populations)
        yield (
            f"{x}_{y}_{rule}",
            fig,
            f"Maps of the {own['safe_share'].attrs['long_name']} over {words(x)} and {words(y)} "
            f"under the {judged_by(rule)}; largest share: {details}. Below, the limit broken most "
            f"often.{stood_in}",
        )


def _figure(own: xr.Dataset, x: str, y: str) -> tuple[Figure, bool]:
    """Draw two panels for each population, and say whether a middle lung is marked."""
    names = own["population"].values.astype(str).tolist()
    blocks = in_rows(names)
    bounds = failing_bounds(own)
    fig = Figure(
        figsize=(max(8.0, 1.2 + 3.4 * len(blocks[0])), 8.4 * len(blocks)), layout="constrained"
    )
    axes = fig.subplots(2 * len(blocks), len(blocks[0]), squeeze=False, sharex=True, sharey=True)
    marked = False
    for number, block in enumerate(blocks):
        upper, lower = axes[2 * number], axes[2 * number + 1]
        for column, name in enumerate(block):
            part, colour = own.sel(population=name), colour_of(name, names.index(name))
            plot_map(part, x=x, y=y, ax=upper[column])
            plot_map_failures(part, x=x, y=y, bounds=bounds, ax=lower[column])
            upper[column].set_title(words(name), color=colour, fontsize=13)
            for ax in (upper[column], lower[column]):
                marked |= mark_middle(ax, _middle(part, x, y), x, y, colour)
                ax.set_ylabel(ax.get_ylabel() if column == 0 else "")
            upper[column].set_xlabel("")
        for ax in (*upper[len(block) :], *lower[len(block) :]):
            ax.set_visible(False)
        add_share_scale(upper, text_of(own["safe_share"]))
    return fig, marked


def _largest(own: xr.Dataset, x: str, y: str) -> str:
    """Return the largest share of a map in words."""
    share = own["safe_share"].transpose(y, x).values
    if not np.isfinite(share).any():
        return "none determined"
    row, column = np.unravel_index(int(np.nanargmax(share)), share.shape)
    return said_share(own.isel({y: row, x: column}), "safe_share")


def _middle(own: xr.Dataset, x: str, y: str) -> dict[str, float]:
    """Return the middle lung's place on the axes of one population that are its properties."""
    found = {name: own[f"middle_{name}"] for name in (x, y) if f"middle_{name}" in own}
    return {name: float(place) for name, place in found.items() if np.isfinite(place)}
