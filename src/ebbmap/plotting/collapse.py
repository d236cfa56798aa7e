"""Units that close in a release and reopen in T high: over one cycle, and along T low."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from ebbmap.digits import percent
from ebbmap.plotting.colours import CLOSING, OPENING
from ebbmap.plotting.compare import draw_pressures, draw_volume, release_axes
from ebbmap.plotting.style import (
    FAINT,
    INK,
    SHORT_DASHES,
    Look,
    colour_of,
    dress,
    ruled_axes,
    text_of,
)
from ebbmap.registries.limits import RULES

#: Changes of the open fraction below this are called nothing.
NOTHING = 5e-4

#: Time after the longest release that is drawn [s].
SHOWN = 2.6

#: Distance of the arrow of what reopens from the right edge [s].
ARROW_INSET = 0.15

#: What the pressure alone would do, beside what happens.
NOT_DELAYED = "if units closed at once"
AT_ONCE: Look = {"color": CLOSING, "lw": 1.8, "ls": SHORT_DASHES}


def plot_collapse_pressures(
    result: xr.Dataset, *, colour: str = INK, ax: Axes | None = None
) -> Axes:
    """Draw airway and alveolar pressure over the bands in which units close and open.

    Parameters
    ----------
    result : xarray.Dataset
        One population and release of `collapse`.
    colour : str
        Colour of the lung.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Lines "airway" and "alveolar", and bands of mode and standard deviation, "closing" and
        "opening".
    """
    ax = _cycle_axes(result, ax)
    for name, shade in (("closing", CLOSING), ("opening", OPENING)):
        mode, spread = float(result[f"{name}_pressure"]), float(result[f"{name}_spread"])
        ax.axhspan(mode - spread, mode + spread, color=shade, alpha=0.16, lw=0, label=name)
        ax.axhline(mode, color=shade, lw=1.2, ls=(0, (4, 2)))
    draw_pressures(ax, result, colour)
    return ax


def plot_collapse_open(result: xr.Dataset, *, colour: str = INK, ax: Axes | None = None) -> Axes:
    """Draw the open fraction, and what the pressure alone would leave open in the release.

    Parameters
    ----------
    result : xarray.Dataset
        One population and release of `collapse`.
    colour : str
        Colour of the lung.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Lines "open" and "if units closed at once".
    """
    ax = _cycle_axes(result, ax)
    ax.plot(result["time"], result["pressure_alone"], label=NOT_DELAYED, **AT_ONCE)
    ax.plot(result["time"], result["open_fraction"], color=colour, lw=2.6, label="open")
    ax.set_ylabel(text_of(result["open_fraction"]))
    return ax


def mark_changes(ax: Axes, result: xr.Dataset) -> None:
    """Mark on axes of the open fraction, once their limits are set, what closes and reopens."""
    closed, reopened = float(result["closed_per_release"]), float(result["reopened"])
    if not np.isfinite(closed):
        return
    look: Look = {"transform": ax.transAxes, "va": "top"}
    if closed < NOTHING:
        ax.text(0.02, 0.97, "nothing closes", color=INK, **look)
        return
    high, end = float(result["open_fraction_end_high"]), float(result["release"])
    right = ax.get_xlim()[1] - ARROW_INSET
    ax.text(0.02, 0.97, f"{percent(closed, 1)} % closes", color=CLOSING, ha="left", **look)
    ax.text(0.98, 0.97, f"{percent(reopened, 1)} % reopens", color=OPENING, ha="right", **look)
    arrow: Look = {"arrowstyle": "->", "lw": 1.8, "shrinkA": 0, "shrinkB": 0}
    for colour, place, first, last in (
        (CLOSING, end, high, high - closed),
        (OPENING, right, high - reopened, high),
    ):
        ax.annotate("", (place, last), xytext=(place, first), arrowprops=arrow | {"color": colour})


def plot_collapse_volume(result: xr.Dataset, *, colour: str = INK, ax: Axes | None = None) -> Axes:
    """Draw the volume over one cycle.

    Parameters
    ----------
    result : xarray.Dataset
        One population and release of `collapse`.
    colour : str
        Colour of the lung.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        One line, "volume".
    """
    ax = _cycle_axes(result, ax)
    draw_volume(ax, result, colour)
    return ax


def plot_collapse_closing(result: xr.Dataset, *, colour: str = INK, ax: Axes | None = None) -> Axes:
    """Draw what closes per release along T low, and what would if units closed at once.

    Parameters
    ----------
    result : xarray.Dataset
        One population of `collapse`.
    colour : str
        Colour of the lung.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Lines "closes" and "if units closed at once", the range of each rule with what closes at
        its end, and the closing time constant, where it lies on the axis.
    """
    ax = _t_low_axes(result, ax)
    ax.plot(result["t_low"], result["closed_by_pressure"], label=NOT_DELAYED, **AT_ONCE)
    ax.plot(result["t_low"], result["closed_per_release"], color=colour, lw=2.6, label="closes")
    upright: Look = {"rotation": 90, "ha": "center", "va": "top"}
    for rule in RULES:
        last = result.sel(rule=rule, end="last")
        t_low, closed = float(last["rule_t_low"]), float(last["rule_closed"])
        if np.isfinite(t_low):
            shade, middle = colour_of(rule, 0), float(result["rule_t_low"].sel(rule=rule).mean())
            ax.plot(t_low, closed, "o", color=shade, ms=8, label=f"end of {rule}")
            axis = ax.get_xaxis_transform()
            text = f"{percent(closed, 1)} % at its end"
            ax.text(middle, 0.97, text, transform=axis, color=shade, **upright)
    ax.set_ylim(bottom=0.0)
    ax.set_ylabel("closed per release")
    return ax


def plot_collapse_left_open(
    result: xr.Dataset, *, colour: str = INK, ax: Axes | None = None
) -> Axes:
    """Draw the open fraction at both ends of the release along T low.

    Parameters
    ----------
    result : xarray.Dataset
        One population of `collapse`.
    colour : str
        Colour of the lung.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Lines "before" and "after" the release, the range of each rule, and the closing time
        constant.
    """
    ax = _t_low_axes(result, ax)
    place = result["t_low"]
    ax.plot(place, result["open_fraction_end_high"], color=FAINT, lw=2.0, label="before")
    ax.plot(place, result["open_fraction_end_release"], color=colour, lw=2.6, label="after")
    ax.set_ylabel("open fraction")
    return ax


def _cycle_axes(result: xr.Dataset, ax: Axes | None) -> Axes:
    """Axes over one cycle with the release shaded."""
    release = float(result["release"])
    shown = float(result["time"].min()), release + SHOWN
    return release_axes(ax, release, shown, "time from release [s]")


def _t_low_axes(result: xr.Dataset, ax: Axes | None) -> Axes:
    """Axes along T low with the range of each rule and the closing time constant."""
    ax = ruled_axes(ax, "y")
    for rule in RULES:
        first, last = (float(end) for end in result["rule_t_low"].sel(rule=rule))
        if np.isfinite(first):
            ax.axvspan(first, last, color=colour_of(rule, 0), alpha=0.16, lw=0, label=rule)
    place, constant = result["t_low"].values, float(result["closing_time_constant"])
    if place[0] <= constant <= place[-1]:
        ax.axvline(constant, color=INK, lw=1.2, ls=(0, (1, 2)), label="closing time constant")
    ax.set_xlim(float(place[0]), float(place[-1]))
    ax.set_xlabel(text_of(result["t_low"]))
    dress(ax)
    return ax
