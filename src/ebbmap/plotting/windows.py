"""Release windows as pictures."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from ebbmap.plotting.style import (
    END,
    FAINT,
    GRID,
    INK,
    colour_of,
    dress,
    own_axes,
    spread_labels,
    text_of,
    words,
)

#: Common practice for T low by the clock, no source [s].
COMMON_RANGE = (0.5, 1.0)

#: Room above the highest curve, and least distance of two labels, as shares of its height.
HEADROOM = 1.15
LABEL_GAP = 0.22


def plot_served(ds: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Draw the share of each population's lungs that a T low serves, under one rule.

    Parameters
    ----------
    ds : xarray.Dataset
        One rule of `find_population_windows`.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        One line per population, with its interval and its best T low.
    """
    ax = own_axes(ax)
    ax.grid(axis="y", color=GRID, lw=0.8)
    place = ds["t_low"].values
    peaks = []
    for number, name in enumerate(ds["population"].values.astype(str)):
        one = ds.sel(population=name)
        colour = colour_of(name, number)
        low, high = one["served_share_interval"].transpose("ci_bound", "t_low")
        ax.fill_between(place, low, high, color=colour, alpha=0.2, lw=0)
        ax.plot(place, one["served_share"], color=colour, lw=2.0, label=name)
        top = int(one["served_share"].values.argmax())
        some = float(one["window_share"])
        peaks.append((name, colour, place[top], float(one["served_share"][top]), some))
    gap = LABEL_GAP * max(peak[3] for peak in peaks)
    spread = spread_labels([peak[3] for peak in peaks], gap)
    for (name, colour, at, height, some), text_at in zip(peaks, spread, strict=True):
        ax.plot([at], [height], "o", color=colour, ms=6)
        ax.annotate(
            f"{words(name)}: {height:.0%} at {at:.2f} s\n({some:.0%} have a window)",
            (at, height),
            xytext=(1.02, text_at),
            textcoords=("axes fraction", "data"),
            va="center",
            fontsize=9,
            color=colour,
            annotation_clip=False,
            gid=END,
            arrowprops={"arrowstyle": "-", "color": colour, "lw": 0.6, "alpha": 0.6},
        )
    ax.set_xscale("log")
    ticks = [0.1, 0.2, 0.3, 0.5, 1.0, 2.0, 4.0]
    ax.set_xticks(ticks, [f"{tick:g}" for tick in ticks])
    ax.minorticks_off()
    ax.set_ylim(0, min(1.0, HEADROOM * max(peak[3] for peak in peaks) + 0.02))
    ax.set_xlabel(text_of(ds["t_low"]))
    ax.set_ylabel("share of lungs served")
    dress(ax)
    return ax


def plot_windows_along(ds: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Draw each rule's window against the expiratory time constant.

    Parameters
    ----------
    ds : xarray.Dataset
        One population of `find_population_windows` along an axis.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        A band per rule and piece, and the common clock range as a pair of lines.
    """
    ax = own_axes(ax)
    ax.grid(color=GRID, lw=0.8)
    for place, rule in enumerate(ds["rule"].values.astype(str)):
        one = ds.sel(rule=rule)
        tau = one["time_constant_exp"].values
        order = np.argsort(tau)
        colour = colour_of(rule, place)
        low, high = (one[name].transpose("sample", "piece").values for name in ("lower", "upper"))
        for number, (rows, bottom, top) in enumerate(_bands(low[order], high[order])):
            ax.fill_between(tau[order][rows], bottom, top, color=colour, alpha=0.3, lw=0)
            label = None if number else f"{words(rule)} rule"
            ax.plot(tau[order][rows], bottom, color=colour, lw=1.6, label=label)
            ax.plot(tau[order][rows], top, color=colour, lw=1.6)
        # the axes span every lung, with or without a window
        ax.update_datalim([(at, edge) for at in (tau.min(), tau.max()) for edge in COMMON_RANGE])
    for edge in COMMON_RANGE:
        ax.axhline(edge, color=INK, lw=1.2, ls=(0, (5, 3)))
    ax.set_xlabel(text_of(ds["time_constant_exp"]))
    ax.set_ylabel("T low [s]")
    dress(ax)
    ax.spines["bottom"].set_color(FAINT)
    return ax


def _bands(lower: np.ndarray, upper: np.ndarray) -> list[tuple[list[int], list, list]]:
    """Join pieces of neighbouring lungs, shape (n, p): rows, lower and upper edges of each band.

    Lungs with as many pieces as each other are joined in order, others where pieces overlap.
    """
    bands: list[tuple[list[int], list, list]] = []
    last: list[tuple[list[int], list, list]] = []
    for row, (lows, highs) in enumerate(zip(lower, upper, strict=True)):
        count = int((~np.isnan(lows)).sum())
        current = []
        for number in range(count):
            low, high = lows[number], highs[number]
            met = [band for band in last if band[1][-1] <= high and low <= band[2][-1]]
            joined = [last[number]] if len(last) == count else met
            # a piece that parts in two goes on in the first of them
            band = next((b for b in joined if b not in current), ([], [], []))
            for column, value in zip(band, (row, low, high), strict=True):
                column.append(value)
            current.append(band)
        bands += [band for band in current if band not in last]
        last = current
    return bands
