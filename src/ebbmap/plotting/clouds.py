"""One picture of the window: T low against the time constant, a line for every lung."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection

from ebbmap.analyses.common.windows import NO_WINDOW
from ebbmap.plotting.style import GRID, INK, colour_of, dress, own_axes, text_of
from ebbmap.plotting.windows import COMMON_RANGE

#: Ends of the axes [s], beyond the lungs by this factor.
ROOM = 1.15

#: Where lungs without a window stand [s]: below the shortest T low shown.
LOWEST = 0.08

#: Windows of all populations, behind.
BEHIND = "#dcd9d2"


def plot_clouds(ds: xr.Dataset, population: str, *, ax: Axes | None = None) -> Axes:
    """Draw every lung's window of T low against its expiratory time constant, under one rule.

    Parameters
    ----------
    ds : xarray.Dataset
        One rule of `find_population_windows` without an axis.
    population : str
        Whose lungs are drawn in colour; those of all populations stand behind them in grey.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Upright lines along every piece of T low that is safe for a lung; below them a tick for
        each lung of the population that surely has no safe T low; the common starting range as a
        pair of lines.
    """
    ax = own_axes(ax)
    ax.set_xscale("log")
    ax.set_yscale("log")
    ax.grid(color=GRID, lw=0.8)
    names = list(ds["population"].values.astype(str))
    behind = np.concatenate([_lines(ds.sel(population=name)) for name in names])
    _draw(behind, BEHIND, "all populations", ax)
    one = ds.sel(population=population)
    colour = colour_of(population, names.index(population))
    _draw(_lines(one), colour, population, ax)
    lost = one["time_constant_exp"].values[one["state"].values == NO_WINDOW]
    ax.plot(
        lost,
        np.full(lost.size, LOWEST),
        "|",
        color=colour,
        ms=7,
        alpha=0.35,
        rasterized=True,
        label=f"{population}, no safe T low",
    )
    for edge in COMMON_RANGE:
        ax.axhline(edge, color=INK, lw=1.4, ls=(0, (5, 3)))
    every = ds["time_constant_exp"]
    if bool(np.isfinite(every).any()):
        ax.set_xlim(float(every.min()) / ROOM, float(every.max()) * ROOM)
    top = float(ds["upper"].max())
    ax.set_ylim(
        LOWEST / ROOM, ROOM * max(top, COMMON_RANGE[1]) if np.isfinite(top) else 2 * COMMON_RANGE[1]
    )
    for axis, ticks in (
        (ax.xaxis, (0.2, 0.5, 1.0, 2.0, 5.0)),
        (ax.yaxis, (0.2, 0.5, 1.0, 2.0, 5.0)),
    ):
        axis.set_ticks(ticks, [f"{tick:g}" for tick in ticks])
        axis.set_ticks([], minor=True)
    ax.set_xlabel(text_of(ds["time_constant_exp"]))
    ax.set_ylabel("T low [s]")
    dress(ax)
    return ax


def _lines(one: xr.Dataset) -> np.ndarray:
    """Return both ends of every piece of a window there is, shape (pieces, 2, 2)."""
    low, high = (one[n].transpose("sample", "piece").values for n in ("lower", "upper"))
    tau = np.broadcast_to(one["time_constant_exp"].values[:, None], low.shape)
    ends = np.stack([np.stack([tau, low], -1), np.stack([tau, high], -1)], axis=-2)
    return ends[np.isfinite(low)]


def _draw(lines, colour: str, label: str, ax: Axes) -> None:
    drawn = LineCollection(list(lines), colors=colour, lw=1.0, alpha=0.8, label=label)
    drawn.set_rasterized(True)
    ax.add_collection(drawn)
