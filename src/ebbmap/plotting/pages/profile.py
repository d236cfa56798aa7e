"""Pages of outcomes along an axis."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import xarray as xr
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from ebbmap.plotting.pages.caption import Page, add_caption
from ebbmap.plotting.pages.layout import first_handles
from ebbmap.plotting.profile import plot_profile, plot_profile_together
from ebbmap.plotting.style import words


def pages(result: xr.Dataset) -> Iterator[Page]:
    """Draw the outcomes along the axis, together where they are shares of one lung."""
    outcomes = [str(name) for name in result.data_vars if name != "status"]
    along = next(str(d) for d in result[outcomes[0]].dims if d != "population")
    shares = all(result[name].attrs["units"] == "1" for name in outcomes)
    legend = None
    if result.sizes["population"] == 1 and shares:
        fig = Figure(figsize=(7.4, 5.2), layout="constrained")
        plot_profile_together(
            result.isel(population=0), outcomes=outcomes, along=along, ax=fig.subplots()
        )
    else:
        fig = Figure(figsize=(max(7.4, 1.0 + 4.0 * len(outcomes)), 5.2), layout="constrained")
        axes = fig.subplots(1, len(outcomes), squeeze=False)
        for ax, outcome in zip(axes[0], outcomes, strict=True):
            plot_profile(result, outcome=outcome, along=along, ax=ax)
        legend = (*first_handles(axes.flat), "")
    add_caption(
        fig,
        f"Outcomes along {words(along)}."
        + (
            " Thick: inside the bundled range of its rule; dashed: the ends of that range."
            if legend is None
            else f"{_limits_words(axes.flat)} The middle lung of each population; N = 1 each."
        ),
        result,
        legend=legend,
    )
    yield (
        f"{along}_profile",
        fig,
        f"{', '.join(words(name) for name in outcomes)} along {words(along)}.",
    )


def _limits_words(axes: Iterable[Axes]) -> str:
    """Return what the dashed lines are, where any is drawn."""
    drawn = any(line.get_gid() == "limit" for ax in axes for line in ax.get_lines())
    return " Dashed: limits on harm." if drawn else ""
