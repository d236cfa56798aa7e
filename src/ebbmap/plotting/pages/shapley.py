"""Pages of Shapley effects."""

from __future__ import annotations

from collections.abc import Iterator

import xarray as xr

from ebbmap.digits import share_text
from ebbmap.plotting.intervals import without_interval
from ebbmap.plotting.pages.caption import Page, add_caption
from ebbmap.plotting.pages.common import dress_panel, driven_panels, shown_outcomes
from ebbmap.plotting.pages.layout import first_handles
from ebbmap.plotting.shapley import plot_shapley
from ebbmap.plotting.style import words


def pages(result: xr.Dataset) -> Iterator[Page]:
    """Draw the shares of the variance with the correlations, beside those without."""
    along = str(result.attrs["along"])
    populations = result["population"].values.astype(str)
    shown = shown_outcomes(result["outcome"])
    fig, axes = driven_panels(len(populations), len(shown))
    for row, name in enumerate(populations):
        for column, outcome in enumerate(shown):
            own = result.sel(population=name, outcome=outcome)
            ax = plot_shapley(own, along=along, ax=axes[row, column])
            dress_panel(ax, row, column, len(populations), name, outcome, "Shapley effect")
    details = "; ".join(f"{n}: {result['change'].sel(population=n).item()}" for n in populations)
    add_caption(
        fig,
        f"Shapley effects (they add up to one), bands: {share_text(result.attrs['ci_level'])} "
        f"intervals, N = {result.attrs['base_size']:,} base rows; dashed: the same lungs without "
        f"correlations. {details}.{without_interval(axes.flat)}",
        result,
        rule="*",
        legend=(*first_handles(axes.flat), ""),
    )
    yield f"{along}_shapley", fig, f"Shapley effects along {words(along)}. {details}."
