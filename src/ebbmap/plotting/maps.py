"""Safe-region maps as pictures: how many lungs are served, and what fails elsewhere."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.colors import BoundaryNorm, ListedColormap
from matplotlib.patches import Patch

from ebbmap.plotting.style import INK, SHARE_MAP, colour_of, dress, own_axes, text_of, words

#: The boundary of the safe region, as the map defines it.
HALF = 0.5


def plot_safe_region(ds: xr.Dataset, *, x: str, y: str, ax: Axes | None = None) -> Axes:
    """Draw the safe share of one population under one rule.

    Parameters
    ----------
    ds : xarray.Dataset
        One population and rule of `map_safe_region`.
    x, y : str
        The two axes.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        With the share as a mesh, a cell around each place, and the half-way boundary as a line.
    """
    ax = own_axes(ax)
    share = ds["safe_share"].transpose(y, x)
    mesh = ax.pcolormesh(ds[x], ds[y], share, cmap=SHARE_MAP, vmin=0.0, vmax=1.0, shading="nearest")
    mesh.set_rasterized(True)
    if not _draw_boundary(ds, share, x, y, ax):
        most = float(share.max())
        known = float(ds["undetermined_share"].min()) < 1
        told = "no case could be determined"
        ax.text(
            0.5,
            0.97,
            f"at most {most:.0%} anywhere" if known else told,
            ha="center",
            va="top",
            transform=ax.transAxes,
            fontsize=9,
            color=INK,
        )
    _unknown(ds, x, y, ax)
    _finish(ds, x, y, ax)
    return ax


def plot_failing_limit(
    ds: xr.Dataset, *, x: str, y: str, bounds: list[str] | None = None, ax: Axes | None = None
) -> Axes:
    """Draw which limit is broken most often, for one population under one rule.

    Parameters
    ----------
    ds : xarray.Dataset
        One population and rule of `map_safe_region`.
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
    named = ds["commonest_bound"].transpose(y, x).values.astype(str)
    bounds = bounds or failing_bounds(ds)
    order = [*bounds, "none"]
    index = np.vectorize(order.index)(named)
    colours = [*map(colour_of, bounds, range(len(bounds))), "#ffffff"]
    norm = BoundaryNorm(np.arange(len(order) + 1) - 0.5, len(order))
    mesh = ax.pcolormesh(
        ds[x], ds[y], index, cmap=ListedColormap(colours), norm=norm, shading="nearest", alpha=0.55
    )
    mesh.set_rasterized(True)
    _draw_boundary(ds, ds["safe_share"].transpose(y, x), x, y, ax)
    _finish(ds, x, y, ax)
    return ax


def failing_bounds(ds: xr.Dataset) -> list[str]:
    """Return the bounds that are broken most often somewhere on the map, in registry order."""
    seen = set(np.unique(ds["commonest_bound"].values.astype(str))) - {"none"}
    return [str(name) for name in ds["bound"].values if name in seen]


def legend_of_bounds(bounds: list[str]) -> list[Patch]:
    """Return legend entries for the colours of `plot_failing_limit`."""
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
            line(middle[name], color=colour, lw=1.2, ls=(0, (4, 3)))
            drawn = True
    return drawn


def _draw_boundary(ds: xr.Dataset, share: xr.DataArray, x: str, y: str, ax: Axes) -> bool:
    """Draw where half of the lungs are served; return whether there is such a line."""
    crosses = bool(share.max() > HALF > share.min())
    if crosses:
        ax.contour(ds[x], ds[y], share, levels=[HALF], colors=[INK], linewidths=1.6)
    return crosses


def _unknown(ds: xr.Dataset, x: str, y: str, ax: Axes) -> None:
    """Hatch the cells in which some case could not be determined."""
    unknown = ds["undetermined_share"].transpose(y, x)
    if float(unknown.max()) > 0:
        ax.contourf(ds[x], ds[y], unknown, levels=[1e-9, 1.0], colors="none", hatches=["////"])


def _finish(ds: xr.Dataset, x: str, y: str, ax: Axes) -> None:
    ax.set_xlabel(text_of(ds[x]))
    ax.set_ylabel(text_of(ds[y]))
    ax.set_xlim(float(ds[x].min()), float(ds[x].max()))
    ax.set_ylim(float(ds[y].min()), float(ds[y].max()))
    dress(ax)
