"""The safe region of some settings, seen along the first one or two of them."""

from __future__ import annotations

import xarray as xr
from matplotlib.axes import Axes

from ebbmap.plotting.style import INK, SHARE_MAP, finish, own_axes


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
    room = result["room"].squeeze()
    names = [str(dim) for dim in room.dims]
    safest = [float(result[f"safest_{name}"]) for name in names]
    places = [result[name] for name in names]
    if len(names) == 1:
        ax.fill_between(places[0], room, step="mid", color=SHARE_MAP(0.7), lw=0)
        ax.set_ylim(0, 1)
        ax.plot(safest, [0.5], "P", mfc="white", mec=INK, ms=8)
        return finish(ax, places[0], "share of the step")
    mesh = ax.pcolormesh(
        *places, room.transpose(*reversed(names)), cmap=SHARE_MAP, vmin=0.0, vmax=1.0
    )
    mesh.set_rasterized(True)
    ax.plot(*([value] for value in safest), "P", mfc="white", mec=INK, ms=8)
    return finish(ax, *places)
