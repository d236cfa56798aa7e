"""Pages of a screening."""

from __future__ import annotations

from collections.abc import Iterator

import xarray as xr

from ebbmap.digits import percent, share_text
from ebbmap.plotting.pages.caption import Page, add_caption
from ebbmap.plotting.pages.common import property_panels, shown_outcomes
from ebbmap.plotting.screening import plot_screening
from ebbmap.plotting.style import words


def pages(result: xr.Dataset) -> Iterator[Page]:
    """Draw which parameters can be fixed."""
    along = str(result.attrs["along"])
    shown = shown_outcomes(result["outcome"])
    fig, populations = property_panels(result, shown, plot_screening)
    details = "; ".join(f"{n}: {fixable_words(result.sel(population=n))}" for n in populations)
    add_caption(
        fig,
        f"Mean size of the elementary effects over the largest parameter's, at the release "
        f"time where each weighs most, {share_text(result.attrs['ci_level'])} intervals, "
        f"{result.attrs['base_size']} trajectories; dashed: below "
        f"{share_text(result.attrs['fix_below'])} a parameter can be fixed (hollow). {details}.",
        result,
        rule="*",
    )
    yield f"{along}_screening", fig, f"Which parameters can be fixed. {details}."


def fixable_words(own: xr.Dataset) -> str:
    """Return which parameters of a population can be fixed, and on what evidence."""
    names = own["parameter"].values.astype(str)
    fixed = [
        f"{words(name)} ({_at_most(float(own['evidence'].sel(parameter=name)))})"
        # NaN for a factor that this population does not have
        for name in names
        if float(own["fixable"].sel(parameter=name)) == 1.0
    ]
    return "can be fixed: " + ", ".join(fixed) if fixed else "nothing can be fixed"


def _at_most(share: float) -> str:
    """Return a bound in words; an interval may reach below nothing."""
    bound = f"{percent(max(share, 0.0), 1)} %"
    return bound if bound.startswith("<") else f"at most {bound}"
