"""How the ranking of what moves an outcome changes along an axis."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from ebbmap.plotting.intervals import draw_interval
from ebbmap.plotting.style import (
    FAINT,
    Look,
    colour_of,
    finish,
    last_known,
    mark_of,
    name_ends,
    ruled_axes,
    say,
    short,
)

#: Least distance of two direct labels, in units of the index.
LABEL_GAP = 0.18

#: Indices that are shown; an interval that goes on above carries a mark at the edge.
SHOWN = (-0.06, 1.1)

#: Unless told otherwise, a parameter is named from this index on.
NAMED_ABOVE = 0.05


def plot_sobol(
    result: xr.Dataset,
    *,
    outcome: str,
    along: str,
    index: str = "total",
    named_above: float = NAMED_ABOVE,
    ax: Axes | None = None,
) -> Axes:
    """Draw one outcome's indices along an axis, one line per parameter, with intervals.

    Parameters
    ----------
    result : xarray.Dataset
        One population of `sobol`.
    outcome, along : str
        Outcome, and the axis.
    index : {"total", "first", "pawn"}
        Which index.
    named_above : float
        A parameter whose index never reaches this is drawn but not named.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Lines in the order of the parameters, and a hollow triangle at the upper edge where an
        interval goes on beyond it; a hollow mark on an index without an interval; a constant
        outcome leaves a sentence instead.
    """
    ax = ruled_axes(ax, "y")
    of_outcome = result.sel(outcome=outcome)
    values = of_outcome[index].transpose("parameter", along)
    intervals = of_outcome[f"{index}_interval"].transpose("ci_bound", "parameter", along)
    ax.axhline(0.0, color=FAINT, lw=0.8)
    if not np.isfinite(values).any():
        say(ax, "does not vary")
    place = result[along].values
    named = []
    for number, name in enumerate(result["parameter"].values.astype(str)):
        colour, mark = colour_of(name, number), mark_of(number)
        line = values.sel(parameter=name).values
        low, high = intervals.sel(parameter=name).values
        ax.plot(place, line, color=colour, lw=1.8, marker=mark, ms=3.5, label=short(name))
        draw_interval(ax, place, line, low, high, colour=colour, mark=mark)
        _mark_cut(ax, place[high > SHOWN[1]], colour)
        if np.nanmax(np.append(line, -1.0)) > named_above:
            named.append((short(name), colour, last_known(line)))
    name_ends(ax, named, LABEL_GAP)
    ax.set_ylim(*SHOWN)
    return finish(ax, result[along], f"{index} index")


def _mark_cut(ax: Axes, places: np.ndarray, colour: str) -> None:
    """Mark at the upper edge where an interval goes on above what is shown."""
    if places.size:
        look: Look = {"color": colour, "ms": 7, "mfc": "white", "clip_on": False, "label": "_cut"}
        ax.plot(places, np.full(places.size, SHOWN[1]), "^", **look)
