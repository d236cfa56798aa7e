"""The trade of a release, as a picture."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from ebbmap.kernels.judging import CAUTION, SAFE, UNSAFE
from ebbmap.plotting.style import FAINT, INK, finish, ruled_axes

#: Share of the settings, from the best on, that an axis of the trade shows.
DRAWN_SHARE = 0.85

#: Line and name of each front.
FRONTS = {"front": (":", "best of all"), "safe_front": ("-", "best without a broken limit")}

BROKEN, KEPT = "a hard limit broken", "no hard limit broken"


def plot_trade(
    result: xr.Dataset, *, x: str, y: str, colour: str = INK, ax: Axes | None = None
) -> Axes:
    """Draw every setting by two costs, the safe ones filled, and the two fronts.

    Parameters
    ----------
    result : xarray.Dataset
        One population and rule of `trade`.
    x, y : str
        The two costs.
    colour : str
        Colour of the safe settings.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Marks for settings with and without a broken limit, and a line for each front.
    """
    ax = ruled_axes(ax)
    across, up, verdict = (result[name].values.reshape(-1) for name in (x, y, "verdict"))
    safe, unsafe = np.isin(verdict, (SAFE, CAUTION)), verdict == UNSAFE
    ax.plot(across[unsafe], up[unsafe], ".", ms=3, color=FAINT, alpha=0.45, label=BROKEN)
    ax.plot(across[safe], up[safe], "o", ms=4, color=colour, alpha=0.75, label=KEPT)
    for front, (style, name) in FRONTS.items():
        best = np.flatnonzero(result[front].values.reshape(-1) == 1)
        best = best[np.argsort(across[best])]
        ax.plot(across[best], up[best], style, color=INK, lw=1.5, label=name)
    ax.set_xlim(*_drawn(across))
    ax.set_ylim(*_drawn(up))
    return finish(ax, result[x], result[y])


def _drawn(values: np.ndarray) -> tuple[float, float]:
    """Range of an axis that leaves out the far tail, which nobody would choose."""
    known = values[np.isfinite(values)]
    if not known.size:
        return 0.0, 1.0
    low, high = float(known.min()), float(np.quantile(known, DRAWN_SHARE))
    room = 0.04 * max(high - low, abs(high), 1e-9)
    return low - room, high + room
