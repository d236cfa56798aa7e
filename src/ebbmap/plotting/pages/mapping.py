"""Pages of factor mapping: which property sets the unsafe cases apart."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import xarray as xr
from matplotlib.figure import Figure

from ebbmap.analyses.common.events import TOO_HIGH, TOO_LOW, event_words
from ebbmap.digits import share_text
from ebbmap.plotting.mapping import NAMED_ABOVE, plot_mapping
from ebbmap.plotting.pages.caption import Page, add_caption
from ebbmap.plotting.pages.layout import first_handles
from ebbmap.plotting.style import colour_of, judged_by, words
from ebbmap.registries.parameters import PARAMETERS


def pages(result: xr.Dataset) -> Iterator[Page]:
    """Draw which property is to blame along the axis, split by the side that is broken."""
    along = str(result.attrs["along"])
    populations = result["population"].values.astype(str)
    events = (TOO_LOW, TOO_HIGH)
    for rule in result["rule"].values.astype(str):
        fig = Figure(figsize=(12.4, 0.6 + 3.0 * len(populations)), layout="constrained")
        axes = fig.subplots(len(populations), 2, squeeze=False, sharex=True, sharey=True)
        details = []
        for row, name in enumerate(populations):
            for column, event in enumerate(events):
                own = result.sel(rule=rule, population=name, event=event)
                ax = plot_mapping(own, along=along, ax=axes[row, column])
                if row == 0:
                    ax.set_title(event_words(event, along), fontsize=13)
                ax.set_ylabel(
                    f"{words(name)}\ndistance" if column == 0 else "",
                    color=colour_of(name, row),
                    fontsize=11,
                )
                if row < len(populations) - 1:
                    ax.set_xlabel("")
                details.append(blame_sentence(own, along))
        limits = {
            event: ", ".join(
                words(str(name))
                for name in result["event"].values[3:]
                if (sign * result["trend"].sel(rule=rule, event=name) > 0).any()
            )
            for event, sign in ((TOO_LOW, 1.0), (TOO_HIGH, -1.0))
        }
        add_caption(
            fig,
            f"Judged by: {judged_by(rule)}. Distance (Kolmogorov-Smirnov) between the lungs with "
            f"and without the event, bands: {share_text(result.attrs['ci_level'])} intervals, "
            "hollow: "
            f"within the noise; named where it exceeds {NAMED_ABOVE:g}, high or low as in "
            f"the lungs with the event at its largest; grey: share of the lungs with the event. "
            f"{result.attrs['lungs']:,} lungs in each population, correlations kept. "
            + "".join(
                f"{event_words(event, along)}: {limits[event] or 'no limit'}. " for event in events
            ),
            result,
            rule=rule,
            legend=(*first_handles(axes.flat), ""),
        )
        yield f"{along}_blame_{rule}", fig, " ".join(details)


def blame_sentence(own: xr.Dataset, along: str) -> str:
    """Return which property sets an event apart most, where it splits the lungs most evenly."""
    event, name = str(own["event"].item()), str(own["population"].item())
    what = event_words(event, along)
    if not np.isfinite(own["distance"]).any():
        return f"{name}, {what}: too few cases on one side everywhere."
    known = own["distance"].notnull().any("parameter")
    place = int(np.nanargmin(abs(own["share"] - 0.5).where(known).values))
    at = own.isel({along: place})
    top = int(np.nanargmax(at["distance"].values))
    worst = at.isel(parameter=top)
    low, high = worst["distance_interval"].values
    word = "high" if float(worst["direction"]) > 0 else "low"
    return (
        f"{name}, {PARAMETERS[along].say(round(float(own[along][place]), 3))}: "
        f"{share_text(float(at['share']))} {what}, most apart in {word} "
        f"{words(str(worst['parameter'].item()))}, distance {float(worst['distance']):.2f} "
        f"({low:.2f} to {high:.2f})."
    )
