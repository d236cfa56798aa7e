"""Pages of a screening."""

from __future__ import annotations

from collections.abc import Iterator

import xarray as xr

from ebbmap.plotting.pages.caption import Page, add_caption
from ebbmap.plotting.pages.common import dress_panel, driven_panels, shown_outcomes
from ebbmap.plotting.pages.layout import LINE_HEIGHT, text_size
from ebbmap.plotting.screening import plot_screening
from ebbmap.plotting.style import words


def pages(result: xr.Dataset) -> Iterator[Page]:
    """Draw which parameters can be fixed."""
    along = str(result.attrs["along"])
    populations = result["population"].values.astype(str)
    shown = shown_outcomes(result["outcome"])
    wide = 2.2 + 3.3 * len(shown)
    tall = 0.8 + 1.6 * LINE_HEIGHT * text_size(wide) * result.sizes["parameter"]
    fig, axes = driven_panels(len(populations), len(shown), sharex=False, height=max(3.1, tall))
    for row, name in enumerate(populations):
        for column, outcome in enumerate(shown):
            own = result.sel(population=name, outcome=outcome)
            ax = plot_screening(own, along=along, ax=axes[row, column])
            dress_panel(ax, row, column, len(populations), name, outcome, "")
    details = "; ".join(f"{n}: {fixable_words(result.sel(population=n))}" for n in populations)
    add_caption(
        fig,
        f"Mean size of the elementary effects over the largest parameter's, at the release "
        f"time where each weighs most, {result.attrs['ci_level']:.0%} intervals, "
        f"{result.attrs['base_size']} trajectories; dashed: below "
        f"{result.attrs['fix_below']:.0%} a parameter can be fixed (hollow). {details}.",
        result,
        rule="*",
    )
    yield f"{along}_screening", fig, f"Which parameters can be fixed. {details}."


def fixable_words(own: xr.Dataset) -> str:
    """Return which parameters of a population can be fixed, and on what evidence."""
    names = own["parameter"].values.astype(str)
    fixed = [
        f"{words(name)} (at most {max(float(own['evidence'].sel(parameter=name)), 0.0):.1%})"
        # NaN for a factor that this population does not have
        for name in names
        if float(own["fixable"].sel(parameter=name)) == 1.0
    ]
    return "can be fixed: " + ", ".join(fixed) if fixed else "nothing can be fixed"
