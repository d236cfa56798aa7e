"""Second-order indices as a matrix that can be read."""

from __future__ import annotations

import textwrap

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap

from ebbmap.plotting.style import FAINT, INK, dress, own_axes, short

#: From none to strong; pale enough that dark text stays readable on it.
WEIGHT_MAP = LinearSegmentedColormap.from_list("weight", ["#ffffff", "#cfe3e6", "#5fa8b0"])


def plot_interactions(ds: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Draw the pairs of one outcome: value, half width, a filled mark where surely above zero.

    Parameters
    ----------
    ds : xarray.Dataset
        One outcome at one place, with `first`, `second` and their intervals.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        A lower triangle of second-order indices, with the first-order indices on its diagonal;
        rows carry names and numbers, columns the numbers. A share of a variance cannot be
        negative, so only an interval wholly above zero says that there is one; "± ?" where an
        index has no interval.
    """
    ax = own_axes(ax)
    names = ds["parameter"].values.astype(str)
    d = len(names)
    value = ds["second"].transpose("parameter", "parameter_other").values.copy()
    bounds = ds["second_interval"].transpose("parameter", "parameter_other", "ci_bound").values
    bounds = bounds.copy()
    own = np.arange(d)
    value[own, own] = ds["first"].values
    bounds[own, own] = ds["first_interval"].transpose("parameter", "ci_bound").values
    lower = np.tril(np.ones((d, d), bool))
    # what is not surely above zero stays white, so that its number can be read
    shown = np.where(lower, np.where(bounds[..., 0] > 0.0, value, 0.0), np.nan)
    ax.imshow(shown, cmap=WEIGHT_MAP, vmin=0.0, vmax=0.5)
    for i, j in np.argwhere(lower):
        if not np.isfinite(value[i, j]):
            ax.text(j, i, "–", ha="center", va="center", color=FAINT)
            continue
        low, high = bounds[i, j]
        half = f"{(high - low) / 2:.2f}" if np.isfinite(high - low) else "?"
        unsure = not low > 0.0
        colour = FAINT if unsure else INK
        ax.plot([j], [i - 0.27], "o", ms=6, mec=colour, mfc="none" if unsure else colour)
        ax.text(
            j,
            i + 0.12,
            f"{value[i, j]:.2f}\n± {half}",
            ha="center",
            va="center",
            fontsize=9,
            color=colour,
        )
    # names fit beside the rows only; the columns carry their numbers
    numbers = [str(number) for number in range(1, d + 1)]
    labels = [
        f"{textwrap.fill(short(name), 14)} {number}"
        for name, number in zip(names, numbers, strict=True)
    ]
    ax.set_xticks(range(d), numbers)
    ax.set_yticks(range(d), labels)
    dress(ax)
    ax.tick_params(length=0, labelsize=8)
    for side in ("left", "bottom"):
        ax.spines[side].set_visible(False)
    return ax
