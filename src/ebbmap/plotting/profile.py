"""Outcomes along an axis, side by side for several lungs."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from ebbmap.plotting.compare import kept_part
from ebbmap.plotting.style import (
    FAINT,
    INK,
    LONG_DASHES,
    Look,
    colour_of,
    entries,
    finish,
    ruled_axes,
    words,
)
from ebbmap.registries.limits import LIMIT_SETS


def plot_profile(result: xr.Dataset, *, outcome: str, along: str, ax: Axes | None = None) -> Axes:
    """Draw one outcome along an axis, one line per population.

    Parameters
    ----------
    result : xarray.Dataset
        Result of `profile`.
    outcome, along : str
        What against what.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        One line per population; dashed where a limit on harm lies within the picture.
    """
    ax = ruled_axes(ax)
    for _, name, lung, colour in entries(result, "population"):
        ax.plot(result[along], lung[outcome], color=colour, lw=2.0, label=words(name))
    low, high = ax.get_ylim()
    for bound in LIMIT_SETS["harm"].hard:
        if bound.outcome == outcome and low < bound.value < high:
            ax.axhline(bound.value, color=INK, lw=1.2, ls=LONG_DASHES, gid="limit")
            lower = bound.side == "low"
            ax.annotate(
                f"at {'least' if lower else 'most'} {bound.value:g}",
                (1.0 if lower else 0.0, bound.value),
                xycoords=("axes fraction", "data"),
                xytext=(-3 if lower else 3, 3),
                textcoords="offset points",
                ha="right" if lower else "left",
                va="bottom",
                color=INK,
            )
    return finish(ax, result[along], result[outcome])


def plot_profile_together(
    result: xr.Dataset, *, outcomes: list[str], along: str, ax: Axes | None = None
) -> Axes:
    """Draw several outcomes of one lung along an axis, with the range of the bundled limits.

    Parameters
    ----------
    result : xarray.Dataset
        One population of `profile`.
    outcomes : list of str
        Outcomes that share a unit.
    along : str
        The axis.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        One line per outcome; where an outcome is inside its own rule, the line is thick.
    """
    ax = ruled_axes(ax)
    place = result[along].values
    beside: Look = {"xytext": (6, 0), "textcoords": "offset points", "va": "center", "fontsize": 11}
    for number, name in enumerate(outcomes):
        colour, line = colour_of(name, number), result[name].values
        ax.plot(place, line, color=colour, lw=1.6)
        if name in LIMIT_SETS:
            inside = np.where(kept_part(line, name), line, np.nan)
            ax.plot(place, inside, color=colour, lw=5, alpha=0.45)
            for bound in LIMIT_SETS[name].hard:
                ax.axhline(bound.value, color=FAINT, lw=0.8, ls=LONG_DASHES)
        end = (place[-1], line[-1])
        ax.annotate(words(name), end, color=colour, annotation_clip=False, **beside)
    ax.set_ylim(0, 1)
    return finish(ax, result[along], "fraction")
