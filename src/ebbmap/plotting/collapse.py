"""Units that close in a release and reopen in T high: over one cycle, and along T low."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from ebbmap.plotting.style import COLOURS, FAINT, GRID, INK, dress, own_axes, text_of
from ebbmap.plotting.waves import AIRWAY, RELEASE_SHADE
from ebbmap.registries.limits import RULES

#: Colours of what closes and what opens.
CLOSING, OPENING = "#b3322e", "#2f8f6b"

#: Changes of the open fraction below this are called nothing.
NOTHING = 5e-4

#: Time after the longest release that is drawn [s].
SHOWN = 2.6

#: Distance of the arrow of what reopens from the right edge [s].
ARROW_INSET = 0.15


def plot_collapse_pressures(ds: xr.Dataset, *, colour: str = INK, ax: Axes | None = None) -> Axes:
    """Draw airway and alveolar pressure over the bands in which units close and open.

    Parameters
    ----------
    ds : xarray.Dataset
        One population and release of `follow_collapse`.
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
    ax = _frame(ds, ax)
    for name, shade in (("closing", CLOSING), ("opening", OPENING)):
        mode, spread = float(ds[f"{name}_pressure"]), float(ds[f"{name}_spread"])
        ax.axhspan(mode - spread, mode + spread, color=shade, alpha=0.16, lw=0, label=name)
        ax.axhline(mode, color=shade, lw=1.2, ls=(0, (4, 2)))
    ax.plot(ds["time"], ds["airway_pressure"], color=AIRWAY, lw=1.6, label="airway")
    ax.plot(ds["time"], ds["alveolar_pressure"], color=colour, lw=2.6, label="alveolar")
    ax.set_ylabel(text_of(ds["alveolar_pressure"]).replace("alveolar ", ""))
    return ax


def plot_open_fraction(ds: xr.Dataset, *, colour: str = INK, ax: Axes | None = None) -> Axes:
    """Draw the open fraction, and what the pressure alone would leave open in the release.

    Parameters
    ----------
    ds : xarray.Dataset
        One population and release of `follow_collapse`.
    colour : str
        Colour of the lung.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Lines "open" and "if units closed at once".
    """
    ax = _frame(ds, ax)
    ax.plot(
        ds["time"],
        ds["pressure_alone"],
        color=CLOSING,
        lw=1.8,
        ls=(0, (3, 2)),
        label="if units closed at once",
    )
    ax.plot(ds["time"], ds["open_fraction"], color=colour, lw=2.6, label="open")
    ax.set_ylabel(text_of(ds["open_fraction"]))
    return ax


def mark_changes(ax: Axes, ds: xr.Dataset) -> None:
    """Mark on axes of the open fraction, once their limits are set, what closes and reopens."""
    closed, reopened = float(ds["closed_per_release"]), float(ds["reopened"])
    if not np.isfinite(closed):
        return
    if closed < NOTHING:
        ax.text(0.02, 0.97, "nothing closes", transform=ax.transAxes, va="top", color=INK)
        return
    high, end = float(ds["open_fraction_end_high"]), float(ds["release"])
    right = ax.get_xlim()[1] - ARROW_INSET
    for text, colour, at, side, start, tip in (
        (f"{closed:.1%} closes", CLOSING, 0.02, "left", (end, high), (end, high - closed)),
        (
            f"{reopened:.1%} reopens",
            OPENING,
            0.98,
            "right",
            (right, high - reopened),
            (right, high),
        ),
    ):
        ax.text(at, 0.97, text, transform=ax.transAxes, ha=side, va="top", color=colour)
        ax.annotate(
            "",
            tip,
            xytext=start,
            arrowprops={"arrowstyle": "->", "color": colour, "lw": 1.8, "shrinkA": 0, "shrinkB": 0},
        )


def plot_collapse_volume(ds: xr.Dataset, *, colour: str = INK, ax: Axes | None = None) -> Axes:
    """Draw the volume over one cycle.

    Parameters
    ----------
    ds : xarray.Dataset
        One population and release of `follow_collapse`.
    colour : str
        Colour of the lung.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        One line, "volume".
    """
    ax = _frame(ds, ax)
    ax.plot(ds["time"], ds["volume"], color=colour, lw=2.6, label="volume")
    ax.set_ylim(bottom=0.0)
    ax.set_ylabel(text_of(ds["volume"]))
    return ax


def plot_closing(ds: xr.Dataset, *, colour: str = INK, ax: Axes | None = None) -> Axes:
    """Draw what closes per release along T low, and what would if units closed at once.

    Parameters
    ----------
    ds : xarray.Dataset
        One population of `follow_collapse`.
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
    ax = _along(ds, ax)
    ax.plot(
        ds["t_low"],
        ds["closed_by_pressure"],
        color=CLOSING,
        lw=1.8,
        ls=(0, (3, 2)),
        label="if units closed at once",
    )
    ax.plot(ds["t_low"], ds["closed_per_release"], color=colour, lw=2.6, label="closes")
    for rule in RULES:
        one = ds.sel(rule=rule, end="last")
        at = float(one["rule_t_low"]), float(one["rule_closed"])
        if np.isfinite(at[0]):
            ax.plot(*at, "o", color=COLOURS[rule], ms=8, label=f"end of {rule}")
            ax.text(
                float(ds["rule_t_low"].sel(rule=rule).mean()),
                0.97,
                f"{at[1]:.1%} at its end",
                transform=ax.get_xaxis_transform(),
                rotation=90,
                ha="center",
                va="top",
                color=COLOURS[rule],
            )
    ax.set_ylim(bottom=0.0)
    ax.set_ylabel("closed per release")
    return ax


def plot_left_open(ds: xr.Dataset, *, colour: str = INK, ax: Axes | None = None) -> Axes:
    """Draw the open fraction at both ends of the release along T low.

    Parameters
    ----------
    ds : xarray.Dataset
        One population of `follow_collapse`.
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
    ax = _along(ds, ax)
    ax.plot(ds["t_low"], ds["open_fraction_end_high"], color=FAINT, lw=2.0, label="before")
    ax.plot(ds["t_low"], ds["open_fraction_end_release"], color=colour, lw=2.6, label="after")
    ax.set_ylabel("open fraction")
    return ax


def _frame(ds: xr.Dataset, ax: Axes | None) -> Axes:
    """Axes over time with the release shaded."""
    ax = own_axes(ax)
    ax.grid(axis="y", color=GRID, lw=0.8)
    ax.axvspan(0.0, float(ds["release"]), color=RELEASE_SHADE, lw=0, zorder=0)
    ax.set_xlim(float(ds["time"].min()), float(ds["release"]) + SHOWN)
    ax.set_xlabel("time from release [s]")
    dress(ax)
    return ax


def _along(ds: xr.Dataset, ax: Axes | None) -> Axes:
    """Axes along T low with the range of each rule and the closing time constant."""
    ax = own_axes(ax)
    ax.grid(axis="y", color=GRID, lw=0.8)
    for rule in RULES:
        first, last = (float(end) for end in ds["rule_t_low"].sel(rule=rule))
        if np.isfinite(first):
            ax.axvspan(first, last, color=COLOURS[rule], alpha=0.16, lw=0, label=rule)
    place = ds["t_low"].values
    constant = float(ds["closing_time_constant"])
    if place[0] <= constant <= place[-1]:
        ax.axvline(constant, color=INK, lw=1.2, ls=(0, (1, 2)), label="closing time constant")
    ax.set_xlim(float(place[0]), float(place[-1]))
    ax.set_xlabel(text_of(ds["t_low"]))
    dress(ax)
    return ax
