"""The trade of a release, and what follows a change, as pictures."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from ebbmap.kernels.judging import CAUTION, SAFE, UNSAFE
from ebbmap.plotting.style import (
    FAINT,
    GRID,
    INK,
    colour_of,
    dress,
    name_ends,
    own_axes,
    text_of,
    words,
)

#: Share of the settings, from the best on, that an axis of the trade shows.
DRAWN_SHARE = 0.85


def plot_trade(
    ds: xr.Dataset, *, x: str, y: str, colour: str = INK, ax: Axes | None = None
) -> Axes:
    """Draw every setting by two costs, the safe ones filled, and the two fronts.

    Parameters
    ----------
    ds : xarray.Dataset
        One population and rule of `map_trade`.
    x, y : str
        The two costs.
    colour : str
        Colour of the safe settings.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
    """
    ax = own_axes(ax)
    ax.grid(color=GRID, lw=0.8)
    flat = {n: ds[n].values.reshape(-1) for n in (x, y, "verdict", "front", "safe_front")}
    safe = np.isin(flat["verdict"], (SAFE, CAUTION))
    unsafe = flat["verdict"] == UNSAFE
    ax.plot(flat[x][unsafe], flat[y][unsafe], ".", ms=3, color=FAINT, alpha=0.45, label="unsafe")
    ax.plot(flat[x][safe], flat[y][safe], "o", ms=4, color=colour, alpha=0.75, label="safe")
    for which, style, name in (("front", ":", "best of all"), ("safe_front", "-", "best of safe")):
        on = flat[which] == 1
        order = np.argsort(flat[x][on])
        ax.plot(flat[x][on][order], flat[y][on][order], style, color=INK, lw=1.5, label=name)
    ax.set_xlim(*_drawn(flat[x]))
    ax.set_ylim(*_drawn(flat[y]))
    ax.set_xlabel(text_of(ds[x]))
    ax.set_ylabel(text_of(ds[y]))
    dress(ax)
    return ax


def _drawn(values: np.ndarray) -> tuple[float, float]:
    """Range of an axis that leaves out the far tail, which nobody would choose."""
    known = values[np.isfinite(values)]
    if not known.size:
        return 0.0, 1.0
    low, high = float(known.min()), float(np.quantile(known, DRAWN_SHARE))
    room = 0.04 * max(high - low, abs(high), 1e-9)
    return low - room, high + room


def plot_course(ds: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Draw PaCO2 against time after a change, one line per population, and each balance.

    Parameters
    ----------
    ds : xarray.Dataset
        Result of `co2_course`.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
    """
    ax = own_axes(ax)
    ax.grid(color=GRID, lw=0.8)
    minutes = ds["time"].values / 60.0
    ends: list[tuple[str, str, float]] = []
    for number, name in enumerate(ds["population"].values.astype(str)):
        one = ds.sel(population=name)
        colour = colour_of(name, number)
        ax.plot(minutes, one["paco2"], color=colour, lw=2.0, label=name)
        end = float(one["paco2_end"])
        if np.isfinite(end):
            ax.plot(minutes[[0, -1]], [end, end], ":", color=colour, lw=1.2)
        last = float(one["paco2"][-1])
        if np.isfinite(last):
            ends.append((words(name), colour, last))
    name_ends(ax, ends, 0.0)
    ax.set_xlabel("time after the change [min]")
    ax.set_ylabel(text_of(ds["paco2"]))
    dress(ax)
    return ax
