"""Pages of indices from lungs as they are."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import xarray as xr

from ebbmap.digits import share_text
from ebbmap.plotting.intervals import without_interval
from ebbmap.plotting.pages.caption import Page, add_caption
from ebbmap.plotting.pages.common import dress_panel, driven_panels, driven_words, shown_outcomes
from ebbmap.plotting.pages.layout import first_handles
from ebbmap.plotting.shapley import plot_shares
from ebbmap.plotting.style import words
from ebbmap.registries.parameters import PARAMETERS


def pages(result: xr.Dataset) -> Iterator[Page]:
    """Draw what each property explains with its correlations, and dashed what only it brings."""
    along = str(result.attrs["along"])
    populations = result["population"].values.astype(str)
    shown = shown_outcomes(result["outcome"])
    fig, axes = driven_panels(len(populations), len(shown))
    for row, name in enumerate(populations):
        for column, outcome in enumerate(shown):
            one = result.sel(population=name, outcome=outcome)
            ax = plot_shares(
                one, "first", one["independent_total"], along=along, ax=axes[row, column]
            )
            dress_panel(ax, row, column, len(populations), name, outcome, "first-order index")
    told = "; ".join(_leader(result.sel(population=name), along, shown[0]) for name in populations)
    add_caption(
        fig,
        "First-order indices from lungs as they are, correlations kept: what goes with a property, "
        "also through others (they may add up to more than one); bands: "
        f"{share_text(result.attrs['ci_level'])} intervals, {result.attrs['lungs']:,} lungs in "
        "each "
        "population; dashed: what only the property brings, interactions included."
        f" Largest at {PARAMETERS[along].say(_middle_place(result, along))} in "
        f"{driven_words(shown[0])}: {told}.{without_interval(axes.flat)}",
        result,
        rule="*",
        legend=(*first_handles(axes.flat), ""),
    )
    text = f"First-order indices from lungs as they are along {words(along)}. {told}."
    yield f"{along}_given", fig, text


def _middle_place(result: xr.Dataset, along: str) -> float:
    return round(float(result[along][result.sizes[along] // 2]), 4)


def _leader(found: xr.Dataset, along: str, outcome: str) -> str:
    """Return the property that most goes with an outcome in the middle of the axis."""
    first = found["first"].sel(outcome=outcome).isel({along: found.sizes[along] // 2})
    name = str(found["population"].item())
    if not np.isfinite(first).any():
        return f"{name}: does not vary"
    top = int(np.nanargmax(first.values))
    return f"{name}: {words(str(first['parameter'].values[top]))} {float(first[top]):.2f}"
