"""How sure the indices are, and how that grew with the number of base rows."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.ticker import FormatStrFormatter, LogLocator, NullFormatter, StrMethodFormatter
from matplotlib.transforms import ScaledTranslation

from ebbmap.plotting.intervals import draw_interval
from ebbmap.plotting.style import (
    FAINT,
    INK,
    LONG_DASHES,
    MARKS,
    Look,
    entries,
    finish,
    mark_of,
    name_ends,
    ruled_axes,
    say,
    short,
    words,
)

#: Label of the marks where some index has no interval, and how far apart populations' are [pt].
MISSING, MISSING_STEP = "_some index without an interval", 6.0


def plot_sobol_convergence(result: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Draw the width of the widest interval against base rows, one line per population.

    Parameters
    ----------
    result : xarray.Dataset
        Result of `sobol`.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        With the stopping width as a line, and a filled end where a population settled; a hollow
        triangle at the upper edge where some index has no interval at all.
    """
    ax = ruled_axes(ax)
    sizes, middle = result["size"].values, (result.sizes["population"] - 1) / 2
    ends = []
    for number, name, indices, colour in entries(result, "population"):
        width = indices["widest_by_size"].values
        known = (width > 0.0) & np.isfinite(width)
        look: Look = {"color": colour, "marker": MARKS[number % len(MARKS)]}
        line = np.where(known, width, np.nan)
        ax.plot(sizes, line, lw=1.8, ms=5, mfc="white", label=name, **look)
        shift = MISSING_STEP * (number - middle)
        _mark_missing(ax, sizes[np.isposinf(width)], colour, shift)
        if str(indices["verdict"].item()) == "settled":
            rows = int(indices["rows"])
            ax.plot([rows], [float(indices["widest_by_size"].sel(size=rows))], ms=7, **look)
        if known.any():
            ends.append((words(name), colour, width[known][-1]))
    wanted = float(result.attrs["stopping_width"])
    if np.isfinite(wanted):
        ax.axhline(wanted, color=INK, lw=1.2, ls=LONG_DASHES)
        beside: Look = {"xycoords": ("axes fraction", "data"), "textcoords": "offset points"}
        ax.annotate("wanted", (0.0, wanted), xytext=(4, 3), fontsize=9, color=INK, **beside)
    ax.set_xscale("log", base=2)
    _log_widths(ax, sizes, any_known=bool(ends))
    ax.xaxis.set_major_formatter(StrMethodFormatter("{x:,.0f}"))
    name_ends(ax, ends, 0.0)
    return finish(ax, "base rows N", "widest interval")


def _log_widths(ax: Axes, sizes: np.ndarray, *, any_known: bool) -> None:
    """Set the widths on a logarithmic axis; where none is known, on one without numbers."""
    if not any_known:
        ax.set_ylim(0.01, 1.0)
        ax.set_xlim(sizes.min() / 1.1, sizes.max() * 1.1)
        say(ax, "no interval to draw")
    ax.set_yscale("log")
    ax.yaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
    ax.yaxis.set_major_formatter(FormatStrFormatter("%g"))
    ax.yaxis.set_minor_formatter(NullFormatter())


def _mark_missing(ax: Axes, sizes: np.ndarray, colour: str, shift: float) -> None:
    """Mark at the upper edge, moved aside [pt], where some index has no interval."""
    if not sizes.size:
        return
    aside = ScaledTranslation(shift / 72.0, 0.0, ax.figure.dpi_scale_trans)
    edge = ax.get_xaxis_transform() + aside
    look: Look = {"color": colour, "ms": 7, "mfc": "white", "clip_on": False, "label": MISSING}
    ax.plot(sizes, np.ones(sizes.size), "^", transform=edge, **look)


def plot_sobol_by_size(result: xr.Dataset, *, index: str = "total", ax: Axes | None = None) -> Axes:
    """Draw one outcome's indices at one place against base rows, with intervals.

    Parameters
    ----------
    result : xarray.Dataset
        One population, outcome and place of `sobol`.
    index : {"total", "first"}
        Which index.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        One line with a band per parameter, hollow marks where it has none; a page that draws
        several names them once.
    """
    ax = ruled_axes(ax, "y")
    ax.axhline(0.0, color=FAINT, lw=0.8)
    sizes = result["size"].values
    for number, name, indices, colour in entries(result, "parameter"):
        value, mark = indices[f"{index}_by_size"].values, mark_of(number)
        half = indices[f"{index}_width_by_size"].values / 2
        ax.plot(sizes, value, color=colour, lw=1.8, marker=mark, ms=4, label=short(name))
        draw_interval(ax, sizes, value, value - half, value + half, colour=colour, mark=mark)
    ax.set_xscale("log", base=2)
    ax.xaxis.set_major_formatter(StrMethodFormatter("{x:,.0f}"))
    return finish(ax, "base rows N", f"{index} index")
