"""Second-order indices as a matrix that can be read."""

from __future__ import annotations

import textwrap

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap

from ebbmap.plotting.style import FAINT, INK, Look, dress, own_axes, short

#: From none to strong; pale enough that dark text stays readable on it.
WEIGHT_MAP = LinearSegmentedColormap.from_list("weight", ["#ffffff", "#cfe3e6", "#5fa8b0"])

#: Factors that a matrix shows; with more, no number could be read.
MOST_FACTORS = 10


def plot_sobol_pairs(result: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Draw the pairs of one outcome: value, half width, a filled mark where surely above zero.

    Parameters
    ----------
    result : xarray.Dataset
        One outcome at one place of `sobol`, with `first`, `second`, their intervals and `total`.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        A lower triangle of second-order indices, with the first-order indices on its diagonal;
        rows carry names and numbers, columns the numbers. Of more than `MOST_FACTORS` factors
        those with the largest total indices are drawn. A share of a variance cannot be
        negative, so only an interval wholly above zero says that there is one; "± ?" where an
        index has no interval.
    """
    ax = own_axes(ax)
    result = _leading(result)
    names = result["parameter"].values.astype(str)
    value, bounds = _lower_triangle(result)
    lower = np.tril(np.ones_like(value, dtype=bool))
    # what is not surely above zero stays white, so that its number can be read
    shown = np.where(lower, np.where(bounds[..., 0] > 0.0, value, 0.0), np.nan)
    ax.imshow(shown, cmap=WEIGHT_MAP, vmin=0.0, vmax=0.5)
    for row, column in np.argwhere(lower):
        _write_index(ax, row, column, value[row, column], *bounds[row, column])
    # names fit beside the rows only; the columns carry their numbers
    numbers = [str(number) for number in range(1, len(names) + 1)]
    rows = [f"{textwrap.fill(short(name), 14)} {n}" for name, n in zip(names, numbers, strict=True)]
    ax.set_xticks(range(len(names)), numbers)
    ax.set_yticks(range(len(names)), rows)
    dress(ax)
    ax.tick_params(length=0, labelsize=8)
    ax.spines[["left", "bottom"]].set_visible(False)
    return ax


def _leading(result: xr.Dataset) -> xr.Dataset:
    """Return the factors with the largest total indices, in their order."""
    totals = np.nan_to_num(result["total"].values, nan=-np.inf)
    kept = np.sort(np.argsort(-totals, kind="stable")[:MOST_FACTORS])
    return result.isel(parameter=kept, parameter_other=kept)


def _lower_triangle(result: xr.Dataset) -> tuple[np.ndarray, np.ndarray]:
    """Second-order indices with the first-order ones on the diagonal: shapes (d, d), (d, d, 2)."""
    dims = "parameter", "parameter_other"
    value = result["second"].transpose(*dims).values.copy()
    bounds = result["second_interval"].transpose(*dims, "ci_bound").values.copy()
    own = np.arange(len(value))
    value[own, own] = result["first"].values
    bounds[own, own] = result["first_interval"].transpose("parameter", "ci_bound").values
    return value, bounds


def _write_index(ax: Axes, row: int, column: int, value: float, low: float, high: float) -> None:
    """Write an index with its half width into a cell, or a dash where it is not known."""
    centred: Look = {"ha": "center", "va": "center"}
    if not np.isfinite(value):
        ax.text(column, row, "–", color=FAINT, **centred)
        return
    half = f"{(high - low) / 2:.2f}" if np.isfinite(high - low) else "?"
    sure = low > 0.0
    colour = INK if sure else FAINT
    ax.plot([column], [row - 0.27], "o", ms=6, mec=colour, mfc=colour if sure else "none")
    ax.text(column, row + 0.12, f"{value:.2f}\n± {half}", fontsize=9, color=colour, **centred)
