"""How the ranking of the drivers changes along an axis."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from ebbmap.plotting.intervals import draw_interval
from ebbmap.plotting.style import (
    FAINT,
    GRID,
    INK,
    colour_of,
    dress,
    mark_of,
    name_ends,
    own_axes,
    short,
    text_of,
)

#: Least distance of two direct labels, in units of the index.
LABEL_GAP = 0.18

#: Indices that are shown; an interval that goes on above carries a mark at the edge.
SHOWN = (-0.06, 1.1)

#: Unless told otherwise, a driver is named from this index on.
NAMED_ABOVE = 0.05


def plot_drivers(
    ds: xr.Dataset,
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
    ds : xarray.Dataset
        One population of `find_drivers`.
    outcome, along : str
        Outcome, and the axis.
    index : {"total", "first", "pawn"}
        Which index.
    named_above : float
        A driver whose index never reaches this is drawn but not named.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Lines in the order of the parameters, and a hollow triangle at the upper edge where an
        interval goes on beyond it; a hollow mark on an index without an interval; a constant
        outcome leaves a sentence instead.
    """
    ax = own_axes(ax)
    one = ds.sel(outcome=outcome)
    values = one[index].transpose("parameter", along)
    interval = one[f"{index}_interval"].transpose("ci_bound", "parameter", along)
    ax.axhline(0.0, color=FAINT, lw=0.8)
    ax.grid(axis="y", color=GRID, lw=0.8)
    if not np.isfinite(values).any():
        ax.text(0.5, 0.5, "does not vary", transform=ax.transAxes, ha="center", color=FAINT)
    place = ds[along].values
    named = []
    for number, name in enumerate(ds["parameter"].values.astype(str)):
        colour = colour_of(name, number)
        line = values.sel(parameter=name)
        low, high = interval.sel(parameter=name)
        ax.plot(
            place, line, color=colour, lw=1.8, marker=mark_of(number), ms=3.5, label=short(name)
        )
        draw_interval(ax, place, line, low, high, colour=colour, mark=mark_of(number))
        _mark_cut(ax, place, high, colour)
        if np.nanmax(np.append(line.values, -1.0)) > named_above:
            named.append((short(name), colour, _last(line.values)))
    name_ends(ax, named, LABEL_GAP)
    ax.set_ylim(*SHOWN)
    ax.set_xlabel(text_of(ds[along]))
    ax.set_ylabel(f"{index} index")
    ax.title.set_color(INK)
    dress(ax)
    return ax


def _mark_cut(ax: Axes, place: np.ndarray, high: xr.DataArray, colour: str) -> None:
    """Mark at the upper edge where an interval goes on above what is shown."""
    cut = high.values > SHOWN[1]
    if cut.any():
        ax.plot(
            place[cut],
            np.full(cut.sum(), SHOWN[1]),
            "^",
            color=colour,
            ms=7,
            mfc="white",
            clip_on=False,
            label="_cut",
        )


def _last(values: np.ndarray) -> float:
    known = values[np.isfinite(values)]
    return float(known[-1]) if known.size else 0.0
