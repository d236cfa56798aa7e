"""Safe-region maps as pictures: how many lungs are served, and what fails elsewhere."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.colors import BoundaryNorm, ListedColormap
from matplotlib.patches import Patch

from ebbmap.digits import share_text
from ebbmap.plotting.style import DASHES, INK, SHARE_MAP, Look, colour_of, finish, own_axes, words

#: The boundary of the safe region, as the map defines it.
HALF = 0.5

#: Marks where half of the cases or more have no steady state of CO2 or oxygen.
UNSTEADY_HATCH = ".."

#: The boundary of the share that is averaged over the limits' uncertainty.
DOTS = "dotted"


def plot_map(result: xr.Dataset, *, x: str, y: str, ax: Axes | None = None) -> Axes:
    """Draw the safe share of one population under one rule.

    Parameters
    ----------
    result : xarray.Dataset
        One population and rule of `map`.
    x, y : str
        The two axes.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        With the share as a mesh, a cell around each place, and the half-way boundary as a line;
        dotted, that of the share averaged over the limits' uncertainty, if the map has it.
    """
    ax = own_axes(ax)
    places, share = (result[x], result[y]), result["safe_share"].transpose(y, x)
    mesh = ax.pcolormesh(*places, share, cmap=SHARE_MAP, vmin=0.0, vmax=1.0, shading="nearest")
    mesh.set_rasterized(True)
    unknown = result["undetermined_share"].transpose(y, x)
    if not _draw_boundary(ax, places, share):
        most = f"at most {share_text(float(share.max()))} anywhere"
        text = most if float(unknown.min()) < 1 else "no case could be determined"
        look: Look = {"ha": "center", "va": "top", "fontsize": 9, "color": INK}
        ax.text(0.5, 0.97, text, transform=ax.transAxes, **look)
    if "averaged_share" in result:
        _draw_boundary(ax, places, result["averaged_share"].transpose(y, x), DOTS)
    if float(unknown.max()) > 0:
        ax.contourf(*places, unknown, levels=[1e-9, 1.0], colors="none", hatches=["////"])
    if unsteady_somewhere(result):
        lost = result["unsteady_share"].transpose(y, x)
        ax.contourf(*places, lost, levels=[HALF, 1.0], colors="none", hatches=[UNSTEADY_HATCH])
    return _fit(ax, *places)


def unsteady_somewhere(result: xr.Dataset) -> bool:
    """Return whether half of the cases or more have no steady state somewhere on a map."""
    return "unsteady_share" in result and bool((result["unsteady_share"] >= HALF).any())


def plot_map_failures(
    result: xr.Dataset, *, x: str, y: str, bounds: list[str] | None = None, ax: Axes | None = None
) -> Axes:
    """Draw which limit is broken most often, for one population under one rule.

    Parameters
    ----------
    result : xarray.Dataset
        One population and rule of `map`.
    x, y : str
        The two axes.
    bounds : list of str, optional
        Bounds in the order of their colours, so that panels agree.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        With one flat colour per limit, named where its area is large enough.
    """
    ax = own_axes(ax)
    places = result[x], result[y]
    named = result["commonest_bound"].transpose(y, x).values.astype(str)
    bounds = bounds or failing_bounds(result)
    order = [*bounds, "none"]
    index = np.vectorize(order.index)(named)
    colours = ListedColormap([*map(colour_of, bounds, range(len(bounds))), "#ffffff"])
    norm = BoundaryNorm(np.arange(len(order) + 1) - 0.5, len(order))
    look: Look = {"cmap": colours, "norm": norm, "shading": "nearest", "alpha": 0.55}
    ax.pcolormesh(*places, index, **look).set_rasterized(True)
    _draw_boundary(ax, places, result["safe_share"].transpose(y, x))
    return _fit(ax, *places)


def failing_bounds(result: xr.Dataset) -> list[str]:
    """Return the bounds that are broken most often somewhere on the map, in registry order."""
    seen = set(np.unique(result["commonest_bound"].values.astype(str))) - {"none"}
    return [str(name) for name in result["bound"].values if name in seen]


def legend_of_bounds(bounds: list[str]) -> list[Patch]:
    """Return legend entries for the colours of `plot_map_failures`."""
    return [
        Patch(facecolor=colour_of(name, i), alpha=0.55, label=words(name))
        for i, name in enumerate(bounds)
    ]


def mark_middle(ax: Axes, middle: Mapping[str, float], x: str, y: str, colour: str) -> bool:
    """Mark a population's middle lung on the axes that are lung properties.

    Parameters
    ----------
    ax : Axes
        A map, with its limits set.
    middle : mapping of str to float
        Properties of the middle lung; empty where it is not known.
    x, y : str
        The two axes.
    colour : str
        Colour of the dashed lines.

    Returns
    -------
    bool
        Whether a line was drawn: the middle lung lies on the map.
    """
    drawn = False
    for name, line, limits in ((x, ax.axvline, ax.get_xlim()), (y, ax.axhline, ax.get_ylim())):
        if name in middle and min(limits) <= middle[name] <= max(limits):
            line(middle[name], color=colour, lw=1.2, ls=DASHES)
            drawn = True
    return drawn


def _draw_boundary(
    ax: Axes, places: tuple[xr.DataArray, xr.DataArray], share: xr.DataArray, style: str = "solid"
) -> bool:
    """Draw where half of the lungs are served; return whether there is such a line."""
    crosses = bool(share.max() > HALF > share.min())
    if crosses:
        look: Look = {"colors": [INK], "linewidths": 1.6, "linestyles": style}
        ax.contour(*places, share, levels=[HALF], **look)
    return crosses


def _fit(ax: Axes, x: xr.DataArray, y: xr.DataArray) -> Axes:
    """End axes with the outermost places, and name them."""
    ax.set_xlim(float(x.min()), float(x.max()))
    ax.set_ylim(float(y.min()), float(y.max()))
    return finish(ax, x, y)
