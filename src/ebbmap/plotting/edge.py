"""The safe region of some settings, seen along the first one or two of them."""

from __future__ import annotations

import xarray as xr
from matplotlib.axes import Axes

from ebbmap.plotting.style import INK, PERCENT, SHARE_MAP, finish, own_axes


def plot_edge(result: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Draw how much of all other settings' ranges serves enough lungs.

    Parameters
    ----------
    result : xarray.Dataset
        One population and rule of `edge`.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        A line along a single setting, a mesh over two; a cross marks the safest setting.
    """
    ax = own_axes(ax)
    names = shown_settings(result)
    room = result["room"].squeeze()
    safest = [float(result[f"safest_{name}"]) for name in names]
    places = [result[name] for name in names]
    if len(names) == 1:
        ax.fill_between(places[0], room, step="mid", color=SHARE_MAP(0.7), lw=0)
        ax.set_ylim(0, 1)
        ax.yaxis.set_major_formatter(PERCENT)
        ax.plot(safest, [0.5], "P", mfc="white", mec=INK, ms=8)
        return finish(ax, places[0], room_words(result))
    mesh = ax.pcolormesh(
        *places, room.transpose(*reversed(names)), cmap=SHARE_MAP, vmin=0.0, vmax=1.0
    )
    mesh.set_rasterized(True)
    ax.plot(*([value] for value in safest), "P", mfc="white", mec=INK, ms=8)
    return finish(ax, *places)


def room_words(result: xr.Dataset) -> str:
    """Return of what a picture of `edge` shows shares: of a step, or of what it does not show."""
    settings = sum(str(name).startswith("safest_") for name in result.data_vars)
    if settings > len(shown_settings(result)):
        return "share of the other ranges"
    return "share of the step"


def shown_settings(result: xr.Dataset) -> list[str]:
    """Return the one or two settings along which a picture of `edge` shows room."""
    return [str(dim) for dim in result["room"].dims if dim not in ("population", "rule")]
