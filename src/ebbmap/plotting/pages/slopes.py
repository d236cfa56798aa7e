"""Pages of bounds of sensitivity from slopes."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import xarray as xr

from ebbmap.digits import share_text
from ebbmap.plotting.pages.caption import Page, add_caption
from ebbmap.plotting.pages.common import (
    driven_words,
    place_text,
    property_panels,
    shown_outcomes,
)
from ebbmap.plotting.slopes import plot_slopes
from ebbmap.plotting.style import words


def pages(result: xr.Dataset) -> Iterator[Page]:
    """Draw between which bounds the indices of each property lie."""
    along = str(result.attrs["along"])
    shown = shown_outcomes(result["outcome"])
    fig, populations = property_panels(result, shown, plot_slopes)
    place = place_text(along, float(result[along][result.sizes[along] // 2]))
    found = (leader_words(result.sel(population=name), shown[0]) for name in populations)
    told = "; ".join(f"{n}: {said}" for n, said in zip(populations, found, strict=True))
    title = driven_words(shown[0]).replace("\n", " ")
    add_caption(
        fig,
        "Bars: from what a property explains at least (squared mean slope over the variance, at "
        "most its first-order Sobol index) to that in which it has a part at most (mean squared "
        "slope over the variance, at least its total index), at "
        f"{place}; lines: {share_text(result.attrs['ci_level'])} intervals of both, "
        f"{result.attrs['lungs']:,} lungs in each population, properties drawn independently. "
        f"Slopes: {result.attrs['derivatives']}. Largest in {title}: {told}.",
        result,
        rule="*",
    )
    text = f"Bounds of what each property explains at {place}. Largest in {title}: {told}."
    yield f"{along}_slopes", fig, text


def leader_words(own: xr.Dataset, outcome: str) -> str:
    """Return the property with the largest share in the middle of the axis, and its bounds."""
    along = str(own.attrs["along"])
    middle = own.sel(outcome=outcome).isel({along: own.sizes[along] // 2})
    most = middle["most"].values
    if not np.isfinite(most).any():
        return "does not vary"
    top = middle.isel(parameter=int(np.nanargmax(most)))
    name = words(str(top["parameter"].item()))
    return f"{name} {float(top['least']):.2f} to {float(top['most']):.2f}"
