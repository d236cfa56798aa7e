"""How much of what knowledge leaves open each number accounts for, as bars."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from ebbmap.plotting.style import FAINT, INK, finish, ruled_axes, say


def plot_unknowns(
    result: xr.Dataset, *, labels: dict[str, str], colour: str = INK, ax: Axes | None = None
) -> Axes:
    """Draw the effect of some numbers on one conclusion, each with two standard errors.

    Parameters
    ----------
    result : xarray.Dataset
        One rule, population and conclusion of `unknowns`.
    labels : dict of str to str
        The numbers to draw, from the top down, and what stands beside each.
    colour : str
        Of the bars.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        A bar for each number, and a line for two standard errors to either side.
    """
    ax = ruled_axes(ax, "x")
    if not labels:
        say(ax, "nothing moves it")
    own = result.sel(number=list(labels))
    rows = np.arange(len(labels))
    effect = own["effect"].values
    ax.barh(rows, effect, color=colour, alpha=0.75, height=0.6)
    ax.errorbar(effect, rows, xerr=2.0 * own["effect_error"].values, fmt="none", ecolor=INK, lw=1.2)
    ax.set_yticks(rows, list(labels.values()))
    ax.set_ylim(max(len(labels), 1) - 0.4, -0.6)
    ax.axvline(0.0, color=FAINT, lw=0.8)
    return finish(ax, result["effect"], "")
