"""One release as a single curve with everything on it named."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from ebbmap.plotting.compare import SHARES, kept_part, release_axes
from ebbmap.plotting.style import FAINT, INK, SHORT_DASHES, Look, colour_of, words

#: Shares of the peak at which common practice ends a release.
ENDS = (0.75, 0.5)

#: How far beyond the release is shown, in its own length.
BEYOND = 3.0


def plot_release(result: xr.Dataset, *, colour: str = INK, ax: Axes | None = None) -> Axes:
    """Draw the flow out of the lung in one release, and what stays behind where T low ends it.

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
        The curve as far as the release goes, dashed beyond; the area beyond is the gas that the
        release leaves in the lung, less what P low holds; thick where each rule would be kept.
    """
    t_low, time = float(result["t_low"]), result["time"].values
    # as the releases of compare and collapse open
    ax = release_axes(ax, t_low, (0.0, BEYOND * t_low), "time from the start of the release [s]")
    shown = (time >= 0.0) & (time <= BEYOND * t_low)
    time, out = time[shown], -result["flow_going_on"].values[shown]
    for rule, share in SHARES.items():
        kept = np.where(kept_part(result[share].values[shown], rule), out, np.nan)
        look: Look = {"color": colour_of(rule, 0), "lw": 11, "alpha": 0.45}
        ax.plot(time, kept, solid_capstyle="butt", label=f"{words(rule)} rule kept", **look)
    beyond = time >= t_low
    ax.fill_between(time[beyond], 0.0, out[beyond], color=colour, alpha=0.15, lw=0)
    ax.plot(time, out, color=colour, lw=1.6, ls=SHORT_DASHES)
    ax.plot(time[~beyond], out[~beyond], color=colour, lw=3.0)
    _name_places(ax, result, time, out, t_low)
    ax.set_ylim(0.0, 1.16 * float(np.nanmax(out)))
    ax.set_ylabel("flow out of the lung [L/s]")
    return ax


def _name_places(
    ax: Axes, result: xr.Dataset, time: np.ndarray, out: np.ndarray, t_low: float
) -> None:
    """Name the peak, the shares of it, the end of the release, and the gas that stays."""
    top = int(np.nanargmax(out))
    peak, at = float(out[top]), float(time[top])
    look: Look = {"textcoords": "offset points", "color": INK, "va": "center"}
    arrow: Look = {"arrowprops": {"arrowstyle": "-", "color": FAINT, "lw": 1.0}}
    ax.annotate(f"peak flow {peak:.2f} L/s", (at, peak), xytext=(26, 8), **look, **arrow)
    for share in ENDS:
        after = np.flatnonzero((out <= share * peak) & (time > at))
        if after.size:
            place = float(time[after[0]]), share * peak
            ax.plot(*place, "o", color=INK, ms=5)
            said = f"{100 * share:.0f} % of the peak, at {place[0]:.2f} s"
            ax.annotate(said, place, xytext=(26, 12), **look, **arrow)
    end = t_low, float(np.interp(t_low, time, out))
    ax.plot(*end, "s", color=INK, ms=7)
    ended = f"T low ends the release: {100 * float(result['flow_ratio']):.0f} % of the peak"
    # at the edge of what is shaded, above every mark on the curve
    ax.annotate(ended, (t_low, peak), xytext=(8, 8), weight="bold", **look)
    stays = float(result["trapped_volume"]) / 1000.0
    low = float(np.interp(1.5 * t_low, time, out))
    text = f"this gas stays: {stays:.2f} L"
    ax.text(1.5 * t_low, 0.4 * low, text, color=INK, ha="center", va="center")
