"""Published findings and the model's numbers on one axis."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from ebbmap.plotting.style import FAINT, GRID, INK, Look, finish, place_ticks, ruled_axes
from ebbmap.validation.finding import VERDICTS
from ebbmap.validation.words import digits, published_text, verdict_of

#: Mark of each verdict, its colour, and that of its inside; told apart without colour.
MARKS: dict[str, tuple[str, str, str]] = {
    "agrees": ("o", "#123f6d", "#123f6d"),
    "set by it": ("o", "#123f6d", "white"),
    "disagrees": ("X", "#c4572b", "#c4572b"),
}

#: Places on the axis that are numbered: half-widths of the published interval.
TICKS = (-30.0, -5.0, -1.0, 1.0, 5.0, 30.0)

#: How far the two intervals of a number lie from its row.
APART = 0.1

#: Height of a published interval [rows], and look of its bar.
BAR = 0.5
PUBLISHED: Look = {"facecolor": "#cfd6da", "edgecolor": FAINT, "lw": 0.6}


def plot_validation(result: xr.Dataset, *, labels: list[str], ax: Axes | None = None) -> Axes:
    """Draw each finding's published interval, and where the model's number lies.

    Parameters
    ----------
    result : xarray.Dataset
        Of `find_validation`, or some of its findings.
    labels : list of str
        Names of the findings, broken into lines where they are long.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        A bar from -1 to 1 for each published interval, a mark for each number of the model with a
        thick line for the interval of the lungs drawn and a thin one for that of knowledge; to the
        right the numbers themselves.
    """
    ax = ruled_axes(ax, "x")
    heights = np.array([label.count("\n") + 1 for label in labels])
    rows = np.cumsum(heights) - 0.5 * heights
    for row, number in zip(rows, range(result.sizes["finding"]), strict=True):
        _draw_finding(ax, row, result.isel(finding=number))
    ax.set_xscale("symlog", linthresh=1.0, linscale=1.0)
    ax.set_xlim(-reach(result), reach(result))
    place_ticks(ax.xaxis, TICKS)
    ax.set_yticks(rows, labels)
    ax.set_ylim(heights.sum(), 0.0)
    ax.axvline(0.0, color=GRID, lw=0.8, zorder=0)
    finish(ax, result["distance"], "")
    ax.tick_params(axis="y", length=0)
    return ax


def reach(result: xr.Dataset) -> float:
    """Return how far the axis goes to either side, so that every number is on it."""
    places = ("distance", "distance_knowledge")
    most = (np.nan_to_num(np.abs(result[name].values)).max(initial=0.0) for name in places)
    return 1.3 * float(max(TICKS[-1], *most))


def _draw_finding(ax: Axes, row: float, found: xr.Dataset) -> None:
    """Draw one finding in its row, and write its numbers beside the axes."""
    ax.barh(row, 2.0, left=-1.0, height=BAR, **PUBLISHED)
    verdict, units = verdict_of(found), str(found["unit"].values)
    value = float(found["value"])
    if verdict in MARKS:
        mark, edge, inside = MARKS[verdict]
        # above each other, so that neither hides: knowledge thin and capped, lungs thick
        above, below = row - APART, row + APART
        ax.plot(found["distance_knowledge"], [above, above], "|-", color=edge, lw=0.9, ms=5)
        ax.plot(found["distance_drawn"], [below, below], color=edge, lw=2.0, solid_capstyle="butt")
        look: Look = {"mec": edge, "mfc": inside, "ms": 7.5, "zorder": 3}
        ax.plot(float(found["distance"]), row, mark, **look)
        numbers = f"{digits(value)} | {published_text(found, units)}"
    else:
        ax.text(0.0, row, verdict, ha="center", va="center", color=INK)
        numbers = f"– | {published_text(found, units)}"
    beside: Look = {"xycoords": ("axes fraction", "data"), "textcoords": "offset points"}
    ax.annotate(
        numbers, (1.0, row), xytext=(6, 0), va="center", annotation_clip=False, color=INK, **beside
    )


def legend_of_verdicts() -> tuple[list[Line2D | Patch], list[str]]:
    """Return what the marks and the bar stand for, as entries of a legend."""
    handles: list[Line2D | Patch] = [Patch(**PUBLISHED)]
    words = {"set by it": "agrees, but was set by this very number"}
    for mark, edge, inside in MARKS.values():
        handles.append(Line2D([], [], ls="", marker=mark, mec=edge, mfc=inside, ms=7.5))
    shown = [words.get(verdict, verdict) for verdict in VERDICTS if verdict in MARKS]
    return handles, ["published interval", *shown]
