"""The way to continuous pressure, on the map of its margins."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap, TwoSlopeNorm

from ebbmap.kernels.judging import UNDETERMINED
from ebbmap.plotting.style import INK, dress, own_axes, text_of

#: From a limit broken far, over the edge, to well inside.
MARGIN_MAP = LinearSegmentedColormap.from_list(
    "margin", ["#8d979e", "#e3dfd8", "#f7f5f0", "#bfe0cf", "#2f8f6b"]
)

#: Colour, line and mark of each route.
ROUTES = (("#c4572b", (0, (3, 1.5)), "s"), ("#123f6d", "-", "o"))

#: A margin this far from zero has the full colour.
FULL = 0.5


def plot_weaning(ds: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Draw both routes over the margins of every place.

    Parameters
    ----------
    ds : xarray.Dataset
        One population and rule of `plan_weaning`.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        An image of the margins with the edge of the safe part, and a line for each route; open
        marks where a step is not safe.
    """
    ax = own_axes(ax)
    margins = ds["margin"].transpose("p_high", "t_high")
    mesh = ax.pcolormesh(
        ds["t_high"],
        ds["p_high"],
        margins,
        cmap=MARGIN_MAP,
        shading="nearest",
        norm=TwoSlopeNorm(0.0, -FULL, FULL),
    )
    mesh.set_rasterized(True)
    unknown = ds["verdict"].transpose("p_high", "t_high") == UNDETERMINED
    if unknown.any():
        ax.contourf(
            ds["t_high"],
            ds["p_high"],
            unknown.astype(float),
            levels=[0.5, 1.5],
            colors="none",
            hatches=["///"],
        )
    if margins.max() > 0 > margins.min():
        ax.contour(ds["t_high"], ds["p_high"], margins, levels=[0.0], colors=[INK], linewidths=1.8)
    for number, route in enumerate(ds["route"].values.astype(str)):
        colour, style, mark = ROUTES[number % len(ROUTES)]
        one = ds.sel(route=route)
        t, p = one["route_t_high"].values, one["route_p_high"].values
        ax.plot(t, p, ls=style, color=colour, lw=2.4, label=route)
        safe = one["route_margin"].values >= 0
        ax.plot(t[safe], p[safe], mark, color=colour, ms=8)
        ax.plot(t[~safe], p[~safe], mark, mfc="white", mec=colour, mew=1.8, ms=8)
    ax.set_xlabel(text_of(ds["t_high"]))
    ax.set_ylabel(text_of(ds["p_high"]))
    ax.set_xticks(np.unique(np.round(ds["t_high"].values[::2], 6)))
    dress(ax)
    return ax
