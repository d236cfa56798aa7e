"""One picture of the window: T low against the time constant, a line for every lung."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection

from ebbmap.plotting.style import GRID, INK, colour_of, dress, own_axes, text_of
from ebbmap.plotting.windows import COMMON_RANGE

#: Ends of the axes [s], beyond the lungs by this factor.
ROOM = 1.15

#: Lungs are drawn in as many layers, populations in turn, so that none covers another.
LAYERS = 12

#: Where lungs without a window stand: below the shortest T low shown, a row for each population.
LOWEST, ROW = 0.115, 0.82


def plot_clouds(ds: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Draw every lung's window of T low against its expiratory time constant, under one rule.

    Parameters
    ----------
    ds : xarray.Dataset
        One rule of `find_population_windows` without an axis.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Upright lines in the colour of each population, from the shortest to the longest safe
        T low of a lung; below them a tick for each lung that has no safe T low; the common
        starting range as a pair of lines.
    """
    ax = own_axes(ax)
    ax.set_xscale("log")
    ax.set_yscale("log")
    ax.grid(color=GRID, lw=0.8)
    for number, name in enumerate(ds["population"].values.astype(str)):
        one = ds.sel(population=name)
        colour = colour_of(name, number)
        tau, low, high = (one[n].values for n in ("time_constant_exp", "lower", "upper"))
        has = np.isfinite(low)
        lines = np.stack([np.stack([tau, low], -1), np.stack([tau, high], -1)], axis=1)[has]
        for layer in range(LAYERS):
            drawn = LineCollection(
                list(lines[layer::LAYERS]), colors=colour, lw=1.3, alpha=0.5, label=name,
                zorder=2 + layer / LAYERS,
            )  # fmt: skip
            drawn.set_rasterized(True)
            ax.add_collection(drawn)
        row = LOWEST * ROW**number
        ax.plot(tau[~has], np.full((~has).sum(), row), "|", color=colour, ms=7, alpha=0.35,
                rasterized=True, label=f"{name}, no safe T low")  # fmt: skip
        ax.annotate(
            f"{name}: {1 - has.mean():.0%} without", (1.01, row),
            xycoords=("axes fraction", "data"), va="center", color=colour, annotation_clip=False,
        )  # fmt: skip
    for edge in COMMON_RANGE:
        ax.axhline(edge, color=INK, lw=1.4, ls=(0, (5, 3)))
    ax.annotate(
        f"common start:\n{COMMON_RANGE[0]:g} to {COMMON_RANGE[1]:g} s",
        (1.01, float(np.sqrt(np.prod(COMMON_RANGE)))), xycoords=("axes fraction", "data"),
        va="center", color=INK, annotation_clip=False,
    )  # fmt: skip
    every = ds["time_constant_exp"]
    if bool(np.isfinite(every).any()):
        ax.set_xlim(float(every.min()) / ROOM, float(every.max()) * ROOM)
    top = float(ds["upper"].max())
    ax.set_ylim(LOWEST * ROW ** ds.sizes["population"], ROOM * max(top, COMMON_RANGE[1]) if
                np.isfinite(top) else 2 * COMMON_RANGE[1])  # fmt: skip
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
