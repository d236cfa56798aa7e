"""PaCO2 after a change, as a picture."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from ebbmap.plotting.style import entries, finish, name_ends, ruled_axes, words


def plot_course(result: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Draw PaCO2 against time after a change, one line per population, and each balance.

    Parameters
    ----------
    result : xarray.Dataset
        Result of `course`.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Lines labelled with the populations' names; dotted where the change leads to.
    """
    ax = ruled_axes(ax)
    minutes = result["time"].values / 60.0
    ends: list[tuple[str, str, float]] = []
    for _, name, lung, colour in entries(result, "population"):
        ax.plot(minutes, lung["paco2"], color=colour, lw=2.0, label=name)
        balance, last = float(lung["paco2_end"]), float(lung["paco2"][-1])
        if np.isfinite(balance):
            ax.plot(minutes[[0, -1]], [balance, balance], ":", color=colour, lw=1.2)
        if np.isfinite(last):
            ends.append((words(name), colour, last))
    name_ends(ax, ends, 0.0)
    return finish(ax, "time after the change [min]", result["paco2"])
