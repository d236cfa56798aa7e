"""The way to continuous pressure, on the map of its margins."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap, TwoSlopeNorm

from ebbmap.kernels.judging import UNDETERMINED
from ebbmap.plotting.colours import SAFEST_ROUTE, USUAL_ROUTE
from ebbmap.plotting.style import INK, finish, own_axes

#: From a limit broken far, over the edge, to well inside.
MARGIN_MAP = LinearSegmentedColormap.from_list(
    "margin", ["#8d979e", "#e3dfd8", "#f7f5f0", "#b9dbe3", "#2b7f9e"]
)

#: Colour, line and mark of each route.
ROUTES = ((USUAL_ROUTE, (0, (3, 1.5)), "s"), (SAFEST_ROUTE, "-", "o"))

#: A margin this far from zero has the full colour.
FULL = 0.5


def plot_wean(result: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Draw both routes over the margins of every place.

    Parameters
    ----------
    result : xarray.Dataset
        One population and rule of `wean`.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        An image of the margins with the edge of the safe part, and a line for each route up to
        the first step that is not safe, with an open mark there.
    """
    ax = own_axes(ax)
    places = result["t_high"], result["p_high"]
    margins = result["margin"].transpose("p_high", "t_high")
    norm = TwoSlopeNorm(0.0, -FULL, FULL)
    mesh = ax.pcolormesh(*places, margins, cmap=MARGIN_MAP, shading="nearest", norm=norm)
    mesh.set_rasterized(True)
    unknown = (result["verdict"].transpose("p_high", "t_high") == UNDETERMINED).astype(float)
    if unknown.any():
        ax.contourf(*places, unknown, levels=[0.5, 1.5], colors="none", hatches=["///"])
    if margins.max() > 0 > margins.min():
        ax.contour(*places, margins, levels=[0.0], colors=[INK], linewidths=1.8)
    for number, name in enumerate(result["route"].values.astype(str)):
        colour, style, mark = ROUTES[number % len(ROUTES)]
        route = result.sel(route=name)
        t_high, p_high = route["route_t_high"].values, route["route_p_high"].values
        # weaning stops at the first step that is not safe
        stop = int(route["first_unsafe"])
        if stop >= 0:
            t_high, p_high = t_high[: stop + 1], p_high[: stop + 1]
        safe = route["route_margin"].values[: t_high.size] >= 0
        ax.plot(t_high, p_high, ls=style, color=colour, lw=2.4, label=name)
        ax.plot(t_high[safe], p_high[safe], mark, color=colour, ms=8)
        ax.plot(t_high[~safe], p_high[~safe], mark, mfc="white", mec=colour, mew=1.8, ms=8)
    ax.set_xticks(np.unique(np.round(result["t_high"].values[::2], 6)))
    return finish(ax, *places)
