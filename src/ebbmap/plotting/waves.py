"""One release over time: pressures, flow and volume, and where each rule would end it."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from ebbmap.plotting.style import COLOURS, FAINT, GRID, INK, dress, own_axes, text_of
from ebbmap.registries.limits import LIMIT_SETS

#: Colour behind the release, and of the airway pressure.
RELEASE_SHADE = "#efe9dc"
AIRWAY = "#8d979e"

#: What each rule for T low bounds while a release goes on.
SHARES = {"flow_ratio": "flow_share", "exhaled_fraction": "exhaled_share"}


def plot_pressures(ds: xr.Dataset, *, colour: str = INK, ax: Axes | None = None) -> Axes:
    """Draw airway and alveolar pressure around a release.

    Parameters
    ----------
    ds : xarray.Dataset
        One case of `compare_lungs`.
    colour : str
        Colour of the lung.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Two lines, labelled "airway" and "alveolar", and the pressure left at the end.
    """
    ax = _frame(ds, ax)
    ax.plot(ds["time"], ds["airway_pressure"], color=AIRWAY, lw=1.6, label="airway")
    ax.plot(ds["time"], ds["alveolar_pressure"], color=colour, lw=2.6, label="alveolar")
    _mark_end(ax, ds, "end_release_pressure", f"{float(ds['end_release_pressure']):.1f}", colour)
    ax.set_ylabel(text_of(ds["alveolar_pressure"]).replace("alveolar ", ""))
    return ax


def plot_flow(ds: xr.Dataset, *, colour: str = INK, ax: Axes | None = None) -> Axes:
    """Draw flow around a release, how it would go on, and where each rule would end it.

    Parameters
    ----------
    ds : xarray.Dataset
        One case of `compare_lungs`.
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
    ax = _frame(ds, ax)
    ax.axhline(0.0, color=FAINT, lw=0.8)
    for rule, share in SHARES.items():
        kept = kept_part(ds[share].values, rule)
        ax.plot(
            ds["time"],
            np.where(kept, ds["flow_going_on"], np.nan),
            color=COLOURS[rule],
            lw=9,
            alpha=0.45,
            solid_capstyle="butt",
            label=rule,
        )
    ax.plot(
        ds["time"],
        ds["flow_going_on"],
        color=colour,
        lw=1.4,
        ls=(0, (3, 2)),
        label="had it gone on",
    )
    ax.plot(ds["time"], ds["flow"], color=colour, lw=2.6, label="flow")
    ax.set_ylabel(text_of(ds["flow"]))
    return ax


def plot_volume(ds: xr.Dataset, *, colour: str = INK, ax: Axes | None = None) -> Axes:
    """Draw the volume around a release and what is left in the lung at its end.

    Parameters
    ----------
    ds : xarray.Dataset
        One case of `compare_lungs`.
    colour : str
        Colour of the lung.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        A line, and an arrow from the volume at P low to that at the end of the release.
    """
    ax = _frame(ds, ax)
    ax.plot(ds["time"], ds["volume"], color=colour, lw=2.6, label="volume")
    end = float(ds["t_low"])
    at_end = float(np.interp(end - 1e-6, ds["time"], ds["volume"]))
    left = float(ds["trapped_volume"])
    ax.annotate(
        "",
        (end, at_end - left),
        xytext=(end, at_end),
        arrowprops={"arrowstyle": "<->", "color": INK, "lw": 1.2, "shrinkA": 0, "shrinkB": 0},
    )
    ax.annotate(
        f"{left:.0f} mL left",
        (end, at_end - left / 2),
        xytext=(6, 0),
        textcoords="offset points",
        va="center",
        color=INK,
    )
    ax.set_ylim(bottom=0.0)
    ax.set_ylabel(text_of(ds["volume"]))
    return ax


def kept_part(share: np.ndarray, rule: str) -> np.ndarray:
    """Say where a share is inside the bundled range of its rule.

    Examples
    --------
    >>> kept_part(np.array([0.9, 0.6, 0.3]), "flow_ratio").tolist()
    [False, True, False]
    """
    bounds = LIMIT_SETS[rule].hard
    return np.all([bound.margin(share) >= 0 for bound in bounds], axis=0)


def _frame(ds: xr.Dataset, ax: Axes | None) -> Axes:
    """Axes with the release shaded."""
    ax = own_axes(ax)
    ax.grid(axis="y", color=GRID, lw=0.8)
    ax.axvspan(0.0, float(ds["t_low"]), color=RELEASE_SHADE, lw=0, zorder=0)
    ax.set_xlim(float(ds["time"][0]), float(ds["time"][-1]))
    ax.set_xlabel("time from the start of the release [s]")
    dress(ax)
    return ax


def _mark_end(ax: Axes, ds: xr.Dataset, name: str, text: str, colour: str) -> None:
    at = float(ds["t_low"]), float(ds[name])
    ax.plot(*at, "o", color=colour, ms=7)
    ax.annotate(text, at, xytext=(8, -2), textcoords="offset points", va="top", color=colour)
