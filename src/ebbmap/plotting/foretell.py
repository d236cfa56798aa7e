"""The share of lungs left unharmed by every threshold of a way of choosing T low."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from ebbmap.plotting.intervals import draw_interval
from ebbmap.plotting.style import FAINT, colour_of, entries, finish, mark_of, ruled_axes, words
from ebbmap.registries.limits import LIMIT_SETS


def plot_foretell(result: xr.Dataset, *, way: str, ax: Axes | None = None) -> Axes:
    """Draw the unharmed share against the threshold, a line for each population.

    Parameters
    ----------
    result : xarray.Dataset
        One lung model, level of own breathing and limit set of `foretell`.
    way : str
        The way of choosing T low.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Lines with bands for the intervals; a large mark where a line is highest; dotted lines at
        the published ends of the rule, if the way has any.
    """
    ax = ruled_axes(ax)
    for bound in LIMIT_SETS[way].hard if way in LIMIT_SETS else ():
        ax.axvline(bound.value, color=FAINT, lw=1.0, ls=(0, (1, 2)))
    for number, name, found, colour in entries(result.sel(way=way), "population"):
        one = found.dropna("step", subset=["threshold"])
        place, share = one["threshold"].values, one["unharmed_share"].values
        mark = mark_of(number)
        ax.plot(place, share, color=colour, marker=mark, ms=3.5, lw=1.8, label=words(name))
        ends = one["unharmed_share_interval"].transpose("ci_bound", "step").values
        draw_interval(ax, place, share, *ends, colour=colour, mark=mark)
        top = int(np.nanargmax(share))
        ax.plot(place[top], share[top], color=colour_of(name, number), marker=mark, ms=9)
    ax.set_ylim(-0.02, 1.02)
    return finish(ax, words(way), "share of lungs unharmed")
