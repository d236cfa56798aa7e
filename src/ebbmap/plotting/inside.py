"""Flow at the airway beside what each compartment still holds."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from ebbmap.digits import share_text
from ebbmap.plotting.colours import FAST, SLOW
from ebbmap.plotting.compare import RELEASE_SHADE
from ebbmap.plotting.style import INK, Look, finish, ruled_axes, spread_labels

#: Colour and words of each curve.
CURVES = (
    ("flow_share", INK, "flow at the airway"),
    ("fast_left", FAST, "fast compartment"),
    ("slow_left", SLOW, "slow compartment"),
)

#: Lowest place of a name, and least distance of two names, as shares of the axis.
LOWEST_LABEL = 0.09
LABEL_GAP = 0.12

#: Where the number at the end of the release stands: below its curve, or above it.
BELOW: Look = {"xytext": (-9, -4), "ha": "right", "va": "top"}
ABOVE: Look = {"xytext": (7, 4), "ha": "left", "va": "bottom"}


def plot_inside(result: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Draw the flow over its peak and what is left in each compartment during a release.

    Parameters
    ----------
    result : xarray.Dataset
        One population of `inside`.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Three lines, named beside their ends; the set release is shaded.
    """
    ax = ruled_axes(ax, "y")
    time, release = result["time"].values, float(result["t_low"])
    ax.axvspan(0.0, release, color=RELEASE_SHADE, lw=0, zorder=0)
    last = [float(result[name][-1]) for name, _, _ in CURVES]
    ends = [max(value, LOWEST_LABEL + 0.1 * value) for value in last]
    beside: Look = {"xycoords": ("axes fraction", "data"), "va": "center", "annotation_clip": False}
    for (name, colour, text), height in zip(CURVES, spread_labels(ends, LABEL_GAP), strict=True):
        style = (0, (4, 2)) if name == "flow_share" else "-"
        ax.plot(time, result[name], color=colour, lw=2.6, ls=style, label=text)
        ax.annotate(text, (1.02, height), color=colour, **beside)
    for name, colour, _ in CURVES:
        left = float(np.interp(release, time, result[name]))
        ax.plot([release], [left], "o", color=colour, ms=7)
        side = BELOW if name == "fast_left" else ABOVE
        text, place = f"{share_text(left)}", (release, left)
        ax.annotate(text, place, textcoords="offset points", color=colour, **side)
    ax.set_ylim(0.0, 1.05)
    ax.set_yticks(np.linspace(0, 1, 5), [f"{share_text(share)}" for share in np.linspace(0, 1, 5)])
    ax.set_xlim(0.0, float(time[-1]))
    return finish(ax, "time from the start of the release [s]", "share of the start")
