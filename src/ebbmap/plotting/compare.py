"""One release over time: pressures, flow and volume, and where each rule would end it."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes

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
from ebbmap.registries.limits import LIMIT_SETS

#: Colour behind the release, and of the airway pressure.
RELEASE_SHADE = "#efe9dc"
AIRWAY = "#8d979e"

#: What each rule for T low bounds while a release goes on.
SHARES = {"flow_ratio": "flow_share", "exhaled_fraction": "exhaled_share"}


def plot_compare_pressures(
    result: xr.Dataset, *, colour: str = INK, ax: Axes | None = None
) -> Axes:
    """Draw airway and alveolar pressure around a release.

    Parameters
    ----------
    result : xarray.Dataset
        One case of `compare`.
    colour : str
        Colour of the lung.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Two lines, labelled "airway" and "alveolar", and the pressure left at the end.
    """
    ax = _release_axes(result, ax)
    draw_pressures(ax, result, colour)
    end = float(result["t_low"]), float(result["end_release_pressure"])
    ax.plot(*end, "o", color=colour, ms=7)
    beside: Look = {"xytext": (8, -2), "textcoords": "offset points", "va": "top"}
    ax.annotate(f"{end[1]:.1f}", end, color=colour, **beside)
    return ax


def plot_compare_flow(result: xr.Dataset, *, colour: str = INK, ax: Axes | None = None) -> Axes:
    """Draw flow around a release, how it would go on, and where each rule would end it.

    Parameters
    ----------
    result : xarray.Dataset
        One case of `compare`.
    colour : str
        Colour of the lung.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Lines labelled "flow" and "had it gone on", and for each rule a thick part of the decay
        on which it would be kept.
    """
    ax = _release_axes(result, ax)
    ax.axhline(0.0, color=FAINT, lw=0.8)
    time, decay = result["time"], result["flow_going_on"]
    for rule, share in SHARES.items():
        kept = np.where(kept_part(result[share].values, rule), decay, np.nan)
        look: Look = {"color": colour_of(rule, 0), "lw": 9, "alpha": 0.45, "solid_capstyle": "butt"}
        ax.plot(time, kept, label=rule, **look)
    ax.plot(time, decay, color=colour, lw=1.4, ls=SHORT_DASHES, label="had it gone on")
    ax.plot(time, result["flow"], color=colour, lw=2.6, label="flow")
    ax.set_ylabel(text_of(result["flow"]))
    return ax


def plot_compare_volume(result: xr.Dataset, *, colour: str = INK, ax: Axes | None = None) -> Axes:
    """Draw the volume around a release and what is left in the lung at its end.

    Parameters
    ----------
    result : xarray.Dataset
        One case of `compare`.
    colour : str
        Colour of the lung.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        A line, and an arrow from the volume at P low to that at the end of the release.
    """
    ax = _release_axes(result, ax)
    draw_volume(ax, result, colour)
    end, left = float(result["t_low"]), float(result["trapped_volume"])
    top = float(np.interp(end - 1e-6, result["time"], result["volume"]))
    arrow: Look = {"arrowstyle": "<->", "color": INK, "lw": 1.2, "shrinkA": 0, "shrinkB": 0}
    ax.annotate("", (end, top - left), xytext=(end, top), arrowprops=arrow)
    beside: Look = {"xytext": (6, 0), "textcoords": "offset points", "va": "center"}
    ax.annotate(f"{left:.0f} mL left", (end, top - left / 2), color=INK, **beside)
    return ax


def draw_pressures(ax: Axes, result: xr.Dataset, colour: str) -> None:
    """Draw airway and alveolar pressure over time, and name their axis."""
    ax.plot(result["time"], result["airway_pressure"], color=AIRWAY, lw=1.6, label="airway")
    ax.plot(result["time"], result["alveolar_pressure"], color=colour, lw=2.6, label="alveolar")
    ax.set_ylabel(text_of(result["alveolar_pressure"]).replace("alveolar ", ""))


def draw_volume(ax: Axes, result: xr.Dataset, colour: str) -> None:
    """Draw the volume over time from zero on, and name its axis."""
    ax.plot(result["time"], result["volume"], color=colour, lw=2.6, label="volume")
    ax.set_ylim(bottom=0.0)
    ax.set_ylabel(text_of(result["volume"]))


def kept_part(share: np.ndarray, rule: str) -> np.ndarray:
    """Return where a share, shape (n,), is inside the bundled range of its rule.

    Examples
    --------
    >>> kept_part(np.array([0.9, 0.6, 0.3]), "flow_ratio").tolist()
    [False, True, False]
    """
    bounds = LIMIT_SETS[rule].hard
    kept: np.ndarray = np.all([bound.margin(share) >= 0 for bound in bounds], axis=0)
    return kept


def release_axes(ax: Axes | None, release: float, shown: tuple[float, float], text: str) -> Axes:
    """Return axes over time with the release shaded.

    Parameters
    ----------
    ax : Axes, optional
        Where to draw.
    release : float
        How long the release lasts [s]; it begins at time 0.
    shown : tuple of float
        First and last time shown [s].
    text : str
        Label of the axis of time.
    """
    ax = ruled_axes(ax, "y")
    ax.axvspan(0.0, release, color=RELEASE_SHADE, lw=0, zorder=0)
    ax.set_xlim(*shown)
    ax.set_xlabel(text)
    dress(ax)
    return ax


def _release_axes(result: xr.Dataset, ax: Axes | None) -> Axes:
    """Axes over all times of a case."""
    shown = float(result["time"][0]), float(result["time"][-1])
    return release_axes(ax, float(result["t_low"]), shown, "time from the start of the release [s]")
