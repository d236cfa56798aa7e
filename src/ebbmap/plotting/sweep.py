"""Every case of a sweep: how an outcome spreads along an axis."""

from __future__ import annotations

import xarray as xr
from matplotlib.axes import Axes

from ebbmap.plotting.style import entries, finish, ruled_axes, words

#: Quantiles that a band reaches from and to, and the line within it.
BAND, LINE = (0.1, 0.9), 0.5


def plot_sweep(
    result: xr.Dataset, *, outcome: str, along: str | None = None, ax: Axes | None = None
) -> Axes:
    """Draw the median of an outcome along an axis, and between which values four of five cases lie.

    Parameters
    ----------
    result : xarray.Dataset
        Result of `sweep`.
    outcome : str
        One that it keeps.
    along : str, optional
        An axis of it; the first if None.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        A line and a band for each population, labelled by its name.
    """
    ax = ruled_axes(ax)
    axes = [str(dim) for dim in result[outcome].dims if dim not in ("population", "sample")]
    along = along or axes[0]
    others = [dim for dim in result[outcome].dims if dim not in ("population", along)]
    for entry in entries(result, "population"):
        shown = entry.data[outcome]
        low, middle, high = (shown.quantile(q, others).values for q in (BAND[0], LINE, BAND[1]))
        places = shown[along].values
        ax.fill_between(places, low, high, color=entry.colour, alpha=0.18, lw=0)
        ax.plot(places, middle, color=entry.colour, lw=2, label=words(entry.name))
    return finish(ax, result[along], result[outcome])
