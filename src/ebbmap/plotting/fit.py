"""A fitted trace: curves, residuals, and what is known of each property."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from ebbmap.plotting.style import INK, finish, own_axes
from ebbmap.registries.parameters import PARAMETERS

#: Colours of measured and of fitted flow, and of what the posterior leaves open.
MEASURED, FITTED, OPEN = "#8d979e", "#c4572b", "#9cc3df"


def plot_fit(result: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Draw measured and fitted flow over time.

    Parameters
    ----------
    result : xarray.Dataset
        From `find_fit`.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        A dot for each sample and a line of fitted flow.
    """
    ax = own_axes(ax)
    time = result["time"].values
    ax.plot(time, result["flow"].values, ".", color=MEASURED, markersize=2.5, label="measured")
    ax.plot(time, result["fitted_flow"].values, color=FITTED, linewidth=0.9, label="fitted")
    return finish(ax, result["time"], "flow [L/s]")


def plot_residuals(result: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Draw what is left of flow once lung and disturbances are taken out, with the noise's band.

    Parameters and return value as in `plot_fit`.
    """
    ax = own_axes(ax)
    noise = 2.0 * float(result.attrs["noise"])
    ax.axhspan(-noise, noise, color=OPEN, alpha=0.4, linewidth=0.0)
    ax.plot(result["time"].values, result["residual"].values, ".", color=INK, markersize=2.0)
    return finish(ax, result["time"], "residual [L/s]")


def plot_posterior(result: xr.Dataset, name: str, *, ax: Axes | None = None) -> Axes:
    """Draw what is known of one property: draws, interval, and its profile likelihood.

    Parameters
    ----------
    result : xarray.Dataset
        From `find_fit`.
    name : str
        A property.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Steps of the draws' density over its greatest, the 90 % interval as a band, and the
        profile as the line exp(-worse / 2).
    """
    ax = own_axes(ax)
    one = result.sel(property=name)
    density, edges = np.histogram(one["draws"].values, bins=30)
    ax.axvspan(float(one["lower"]), float(one["upper"]), color=OPEN, alpha=0.4, linewidth=0.0)
    ax.stairs(density / density.max(), edges, color=INK)
    order = np.argsort(one["profile_value"].values)
    profile = np.exp(-0.5 * one["profile_worse"].values[order])
    ax.plot(one["profile_value"].values[order], profile, color=FITTED, linewidth=1.0)
    if not int(one["identifiable"]):
        ax.set_title("not told by the trace", fontsize="small", color=FITTED)
    return finish(ax, PARAMETERS[name].label, "over its greatest")
