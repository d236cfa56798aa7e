"""Flow at the airway beside what each compartment still holds."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from ebbmap.plotting.style import GRID, INK, dress, own_axes, spread_labels
from ebbmap.plotting.waves import RELEASE_SHADE

#: Colour and words of each curve.
CURVES = (
    ("flow_share", INK, "flow at the airway"),
    ("fast_left", "#2f8f6b", "fast compartment"),
    ("slow_left", "#b3322e", "slow compartment"),
)

#: Lowest place of a name, and least distance of two names, as shares of the axis.
LOWEST_LABEL = 0.09
LABEL_GAP = 0.12


def plot_hidden(ds: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Draw the flow over its peak and what is left in each compartment during a release.

    Parameters
    ----------
    ds : xarray.Dataset
        One population of `look_inside`.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Three lines, named beside their ends; the set release is shaded.
    """
    ax = own_axes(ax)
    ax.grid(axis="y", color=GRID, lw=0.8)
    ax.axvspan(0.0, float(ds["t_low"]), color=RELEASE_SHADE, lw=0, zorder=0)
    last = [float(ds[name][-1]) for name, _, _ in CURVES]
    ends = [max(at, LOWEST_LABEL + 0.1 * at) for at in last]
    for (name, colour, text), at in zip(CURVES, spread_labels(ends, LABEL_GAP), strict=True):
        style = (0, (4, 2)) if name == "flow_share" else "-"
        ax.plot(ds["time"], ds[name], color=colour, lw=2.6, ls=style, label=text)
        ax.annotate(
            text,
            (1.02, at),
            xycoords=("axes fraction", "data"),
            va="center",
            color=colour,
            annotation_clip=False,
        )
    end = float(ds["t_low"])
    for name, colour, _ in CURVES:
        at = float(np.interp(end, ds["time"], ds[name]))
        ax.plot([end], [at], "o", color=colour, ms=7)
        below = name == "fast_left"
        ax.annotate(
            f"{at:.0%}",
            (end, at),
            xytext=(-9, -4) if below else (7, 4),
            textcoords="offset points",
            ha="right" if below else "left",
            va="top" if below else "bottom",
            color=colour,
        )
    ax.set_ylim(0.0, 1.05)
    ax.set_yticks(np.linspace(0, 1, 5), [f"{share:.0%}" for share in np.linspace(0, 1, 5)])
    ax.set_xlim(0.0, float(ds["time"][-1]))
    ax.set_xlabel("time from the start of the release [s]")
    ax.set_ylabel("share of the start")
    dress(ax)
    return ax
