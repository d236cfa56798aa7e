"""What settings reach for every group, where the best ones lie, and what each group loses."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.patches import Rectangle

from ebbmap.plotting.style import (
    INK,
    PERCENT,
    SHARE_MAP,
    Look,
    colour_of,
    entries,
    finish,
    mark_of,
    own_axes,
    ruled_axes,
    words,
)

#: Mark of the choice for all groups.
FOR_ALL = "P"


def plot_robust(result: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Draw what the best choice of all other settings reaches, and the settings that are chosen.

    Parameters
    ----------
    result : xarray.Dataset
        One rule of `robust`.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        A line along a single setting, a mesh over two; a cross marks the choice for all groups,
        other marks those for each group alone, frames what ranges they span.
    """
    ax = own_axes(ax)
    reached = result["attainable"]
    names = [str(dim) for dim in reached.dims]
    places = [result[name] for name in names]
    line = len(names) == 1
    if line:
        ax.plot(places[0], reached, color=INK, lw=1.6)
        ax.set_ylim(0, 1)
        ax.yaxis.set_major_formatter(PERCENT)
    else:
        mesh = ax.pcolormesh(*places, reached.transpose(), cmap=SHARE_MAP, vmin=0.0, vmax=1.0)
        mesh.set_rasterized(True)
    groups = result["population"].values.astype(str).tolist()
    # the choice for all is drawn last, so that none hides it
    for choice in reversed(result["choice"].values.astype(str)):
        number = groups.index(choice) if choice in groups else -1
        mark, colour = (
            (mark_of(number), colour_of(choice, number)) if number >= 0 else (FOR_ALL, INK)
        )
        one = result.sel(choice=choice)
        low, high = np.array([one[f"chosen_{name}"].values for name in names]).T
        middle = (low + high) / 2.0
        if line:
            at = float(reached.sel({names[0]: middle[0]}, method="nearest"))
            middle = np.array([middle[0], at])
            ax.hlines(at, low[0], high[0], color=colour, lw=2.4)
        elif (high > low).any():
            frame: Look = {"fill": False, "ec": colour, "lw": 1.6}
            ax.add_patch(Rectangle((low[0], low[1]), *(high - low), **frame))
        look: Look = {"mfc": "white" if number < 0 else colour, "mec": INK, "ms": 8, "ls": ""}
        ax.plot(*([value] for value in middle), mark, label=words(choice), **look)
    return finish(ax, places[0], str(result.attrs["goal"]) if line else places[1])


def plot_robust_groups(result: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Draw what the choice for all groups serves of each, beside the group's own best.

    Parameters
    ----------
    result : xarray.Dataset
        One rule of `robust`.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Two marks for each population, a cross for the choice for all; thick lines are intervals
        of lungs, thin capped ones those of knowledge.
    """
    ax = ruled_axes(ax, "x")
    several = result.sizes["choice"] > 1
    for number, name, own, colour in entries(result, "population"):
        for choice in ([name] if several else []) + [str(result["choice"].values[0])]:
            one = own.sel(choice=choice)
            all_groups = choice != name
            height = number + (0.14 if all_groups else -0.14)
            ax.plot(one["reached_share_interval"], [height] * 2, color=colour, lw=3.0, alpha=0.45)
            if "reached_share_knowledge" in one:
                ends = one["reached_share_knowledge"]
                ax.plot(ends, [height] * 2, "|-", color=colour, lw=0.9, ms=6)
            mark = FOR_ALL if all_groups else mark_of(number)
            look: Look = {"mfc": "white" if all_groups else colour, "mec": INK, "ms": 8}
            ax.plot([float(one["reached_share"])], [height], mark, **look)
    names = result["population"].values.astype(str)
    ax.set_yticks(range(len(names)), [words(name) for name in names])
    ax.set_ylim(len(names) - 0.5, -0.5)
    ax.set_xlim(-0.02, 1.02)
    ax.xaxis.set_major_formatter(PERCENT)
    return finish(ax, "share of lungs served", "")
