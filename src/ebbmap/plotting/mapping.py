"""Which property the cases with an event have in common, as a picture."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from ebbmap.plotting.style import entries, finish, mark_of, name_ends, ruled_axes, say, short

#: A property whose distance never reaches this is drawn but not named.
NAMED_ABOVE = 0.25

LABEL_GAP = 0.13


def plot_mapping(result: xr.Dataset, *, along: str, ax: Axes | None = None) -> Axes:
    """Draw how far each property lies apart in cases with an event, along an axis.

    Parameters
    ----------
    result : xarray.Dataset
        One population, rule and event of `mapping`.
    along : str
        The axis.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        One line with its interval per property, filled marks above the noise and hollow ones
        within it; the share of cases with the event as a grey area.
    """
    ax = ruled_axes(ax, "y")
    place, noise = result[along].values, result["noise"].values
    ax.fill_between(place, 0.0, result["share"].values, color="#d9dcdd", lw=0, zorder=0)
    named = []
    for number, name, contrast, colour in entries(result, "parameter"):
        value, mark = contrast["distance"].values, mark_of(number)
        known = np.isfinite(value)
        if not known.any():
            continue
        low, high = contrast["distance_interval"].transpose("ci_bound", along).values
        ax.fill_between(place, low, high, color=colour, alpha=0.18, lw=0)
        ax.plot(place, value, color=colour, lw=1.8)
        ax.plot([], [], mark, ls="-", color=colour, lw=1.8, ms=4.5, label=short(name))
        sure, unsure = known & (value > noise), known & ~(value > noise)
        ax.plot(place[sure], value[sure], mark, color=colour, ms=4.5)
        ax.plot(place[unsure], value[unsure], mark, mec=colour, mfc="white", ms=4.5)
        if np.nanmax(value) > NAMED_ABOVE:
            top = int(np.nanargmax(value))
            word = "high" if contrast["direction"].values[top] > 0 else "low"
            named.append((f"{word} {short(name)}", colour, value[known][-1]))
    name_ends(ax, named, LABEL_GAP)
    if not np.isfinite(result["distance"]).any():
        say(ax, "too few cases on one side", 0.55)
    ax.set_ylim(0.0, 1.02)
    return finish(ax, result[along], "distance")
