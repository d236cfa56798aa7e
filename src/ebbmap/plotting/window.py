"""Release windows as pictures: lungs served, windows along an axis, every lung's window."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection

from ebbmap.analyses.common.knowledge import said_share
from ebbmap.analyses.common.windows import NO_WINDOW
from ebbmap.kernels.serving import top_place
from ebbmap.plotting.style import (
    DASHES,
    END,
    FAINT,
    INK,
    LONG_DASHES,
    T_LOW_TICKS,
    Look,
    colour_of,
    entries,
    finish,
    place_ticks,
    ruled_axes,
    spread_labels,
    words,
)

#: Common practice for T low by the clock, no source [s].
COMMON_RANGE = (0.5, 1.0)

#: Room above the highest curve, and least distance of two labels, as shares of its height.
HEADROOM = 1.15
LABEL_GAP = 0.22

#: Ends of the axes of every lung's window [s], beyond the lungs by this factor.
ROOM = 1.15

#: Where lungs without a window stand [s]: below the shortest T low shown.
LOWEST = 0.08

#: Windows of all populations, behind.
BEHIND = "#dcd9d2"


def plot_window(result: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Draw the share of each population's lungs that a T low serves, under one rule.

    Parameters
    ----------
    result : xarray.Dataset
        One rule of `window`.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        One line per population, with its interval and its best T low.
    """
    ax = ruled_axes(ax, "y")
    place = result["t_low"].values
    highest = float(result["served_share"].max())
    tops = result["served_share"].max("t_low").values
    heights = spread_labels(tops, LABEL_GAP * highest)
    look: Look = {"va": "center", "fontsize": 9, "annotation_clip": False, "gid": END}
    for number, name, lungs, colour in entries(result, "population"):
        draw_served(ax, lungs, colour, label=name, lw=2.0)
        best, top = place[top_place(lungs["served_share"].values)], float(tops[number])
        ax.plot([best], [top], "o", color=colour, ms=6)
        served = said_share(lungs.sel(t_low=best), "served_share")
        some = said_share(lungs, "window_share")
        text = f"{words(name)}: {served} at {best:.2f} s\n({some} have a window)"
        beside: Look = {"xytext": (1.02, heights[number]), "textcoords": ("axes fraction", "data")}
        line: Look = {"arrowstyle": "-", "color": colour, "lw": 0.6, "alpha": 0.6}
        ax.annotate(text, (best, top), color=colour, arrowprops=line, **beside, **look)
    ax.set_xscale("log")
    place_ticks(ax.xaxis, T_LOW_TICKS)
    ax.set_ylim(0, min(1.0, HEADROOM * highest + 0.02))
    return finish(ax, result["t_low"], "share of lungs served")


def draw_served(ax: Axes, lungs: xr.Dataset, colour: str, **look: Any) -> None:
    """Draw along T low the share of lungs that are served, with its intervals.

    A band for the lungs drawn; thin lines for what knowledge leaves open, where it was asked for.
    """
    place = lungs["t_low"].values
    low, high = lungs["served_share_interval"].transpose("ci_bound", "t_low").values
    ax.fill_between(place, low, high, color=colour, alpha=0.2, lw=0)
    ax.plot(place, lungs["served_share"], color=colour, **look)
    if "served_share_knowledge" in lungs:
        for end in lungs["served_share_knowledge"].transpose("ci_bound", "t_low").values:
            ax.plot(place, end, color=colour, lw=0.8, ls=DASHES)


def plot_window_along(result: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Draw each rule's window against the expiratory time constant.

    Parameters
    ----------
    result : xarray.Dataset
        One population of `window` along an axis.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        A band per rule and piece, and the common clock range as a pair of lines.
    """
    ax = ruled_axes(ax)
    for _, rule, lungs, colour in entries(result, "rule"):
        tau = lungs["time_constant_exp"].values
        order = np.argsort(tau)
        low, high = (lungs[name].transpose("sample", "piece").values for name in ("lower", "upper"))
        for number, (rows, bottom, top) in enumerate(_bands(low[order], high[order])):
            ax.fill_between(tau[order][rows], bottom, top, color=colour, alpha=0.3, lw=0)
            label = None if number else f"{words(rule)} rule"
            ax.plot(tau[order][rows], bottom, color=colour, lw=1.6, label=label)
            ax.plot(tau[order][rows], top, color=colour, lw=1.6)
        # the axes span every lung, with or without a window
        ends = tau.min(), tau.max()
        ax.update_datalim([(end, edge) for end in ends for edge in COMMON_RANGE])
    for edge in COMMON_RANGE:
        ax.axhline(edge, color=INK, lw=1.2, ls=LONG_DASHES)
    finish(ax, result["time_constant_exp"], "T low [s]")
    ax.spines["bottom"].set_color(FAINT)
    return ax


def plot_window_lungs(result: xr.Dataset, *, population: str, ax: Axes | None = None) -> Axes:
    """Draw every lung's window of T low against its expiratory time constant, under one rule.

    Parameters
    ----------
    result : xarray.Dataset
        One rule of `window` without an axis.
    population : str
        Whose lungs are drawn in colour; those of all populations stand behind them in grey.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Upright lines along every piece of T low that is safe for a lung; below them a tick for
        each lung of the population that surely has no safe T low; the common starting range as a
        pair of lines.
    """
    ax = ruled_axes(ax)
    ax.set_xscale("log")
    ax.set_yscale("log")
    names = list(result["population"].values.astype(str))
    behind = np.concatenate([_window_lines(result.sel(population=name)) for name in names])
    _draw_lines(behind, BEHIND, "all populations", ax)
    own, colour = result.sel(population=population), colour_of(population, names.index(population))
    _draw_lines(_window_lines(own), colour, population, ax)
    lost = own["time_constant_exp"].values[own["state"].values == NO_WINDOW]
    tick: Look = {"color": colour, "ms": 7, "alpha": 0.35, "rasterized": True}
    text = f"{population}, no safe T low"
    ax.plot(lost, np.full(lost.size, LOWEST), "|", label=text, **tick)
    for edge in COMMON_RANGE:
        ax.axhline(edge, color=INK, lw=1.4, ls=LONG_DASHES)
    every = result["time_constant_exp"]
    if bool(np.isfinite(every).any()):
        ax.set_xlim(float(every.min()) / ROOM, float(every.max()) * ROOM)
    top, common = float(result["upper"].max()), COMMON_RANGE[1]
    highest = ROOM * max(top, common) if np.isfinite(top) else 2 * common
    ax.set_ylim(LOWEST / ROOM, highest)
    for axis in (ax.xaxis, ax.yaxis):
        place_ticks(axis, (0.2, 0.5, 1.0, 2.0, 5.0))
    return finish(ax, every, "T low [s]")


def _window_lines(lungs: xr.Dataset) -> np.ndarray:
    """Return both ends of every piece of a window there is, shape (pieces, 2, 2)."""
    low, high = (lungs[name].transpose("sample", "piece").values for name in ("lower", "upper"))
    tau = np.broadcast_to(lungs["time_constant_exp"].values[:, None], low.shape)
    ends = np.stack([np.stack([tau, low], -1), np.stack([tau, high], -1)], axis=-2)
    known: np.ndarray = ends[np.isfinite(low)]
    return known


def _draw_lines(lines: np.ndarray, colour: str, label: str, ax: Axes) -> None:
    """Draw upright lines as one object that stays small in a vector file."""
    drawn = LineCollection(list(lines), colors=colour, lw=1.0, alpha=0.8, label=label)
    drawn.set_rasterized(True)
    ax.add_collection(drawn)


#: Rows of neighbouring lungs, and the lower and upper edges of their pieces.
Band = tuple[list[int], list[float], list[float]]


def _bands(lower: np.ndarray, upper: np.ndarray) -> list[Band]:
    """Join pieces of neighbouring lungs, shape (n, p), to bands.

    Lungs with as many pieces as each other are joined in order, others where pieces overlap.
    """
    bands: list[Band] = []
    before: list[Band] = []
    for row, (lows, highs) in enumerate(zip(lower, upper, strict=True)):
        count = int((~np.isnan(lows)).sum())
        current: list[Band] = []
        for number, (low, high) in enumerate(zip(lows[:count], highs[:count], strict=True)):
            met = [band for band in before if band[1][-1] <= high and low <= band[2][-1]]
            joined = [before[number]] if len(before) == count else met
            # a piece that parts in two goes on in the first of them
            band = next((one for one in joined if one not in current), ([], [], []))
            rows, bottom, top = band
            rows.append(row)
            bottom.append(low)
            top.append(high)
            current.append(band)
        bands += [band for band in current if band not in before]
        before = current
    return bands
