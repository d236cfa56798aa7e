"""A patient's path: settings, what is read, what is true, and the limits, over time."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from ebbmap.plotting.style import FAINT, INK, LONG_DASHES, dress, text_of
from ebbmap.policies.language import MOVABLE
from ebbmap.policies.path import READ
from ebbmap.registries.limits import Bound

#: Size of a panel, and of the small print [inch, inch, pt].
WIDTH, HEIGHT, SMALL = 8.6, 1.25, 8.0

#: Colours of truth, readings and limits.
TRUE, READING, LIMIT = INK, "#2a6fb0", "#c4572b"


def plot_path(path: xr.Dataset, name: str, bounds: tuple[Bound, ...] = (), *, ax: Axes) -> Axes:
    """Draw one setting or outcome of a patient's path.

    Parameters
    ----------
    path : xarray.Dataset
        As `find_path` gives it.
    name : str
        Of a setting or an outcome.
    bounds : tuple of Bound
        Those of this name are drawn.
    ax : Axes
        Where to draw.

    Returns
    -------
    Axes
        A line for what is true, steps for what is known at the bedside, dashes for limits.
    """
    hours = path["minute"].values / 60.0
    values = path[name].values
    ax.plot(hours, values, color=TRUE, lw=1.4, label="true" if name not in MOVABLE else "set")
    if f"{name}{READ}" in path:
        read = path[f"{name}{READ}"].values
        ax.step(hours, read, where="post", color=READING, lw=0.9, alpha=0.8, label="as read")
    for bound in bounds:
        if bound.outcome == name:
            ax.axhline(bound.value, color=LIMIT, lw=0.9, ls=LONG_DASHES)
    dress(ax)
    ax.set_title(text_of(path[name]), fontsize=SMALL, loc="left", pad=2.0)
    ax.tick_params(labelsize=SMALL)
    return ax


def shown_names(path: xr.Dataset, bounds: tuple[Bound, ...]) -> list[str]:
    """Return what a path's picture shows: what moves, what is read, and limits that break."""
    moved = [name for name in MOVABLE if np.ptp(path[name].values) > 0.0]
    read = [name.removesuffix(READ) for name in map(str, path.data_vars) if name.endswith(READ)]
    broken = [
        bound.outcome
        for bound in bounds
        if bound.outcome in path and bool((bound.margin(path[bound.outcome].values) < 0.0).any())
    ]
    return list(dict.fromkeys([*(moved or MOVABLE[:1]), *read, *broken]))


def path_figure(path: xr.Dataset, bounds: tuple[Bound, ...]) -> Figure:
    """Return the page of a patient's path, a panel for each setting and outcome.

    Parameters
    ----------
    path : xarray.Dataset
        As `find_path` gives it.
    bounds : tuple of Bound
        The hard ones.
    """
    names = shown_names(path, bounds)
    size = (WIDTH, HEIGHT * (len(names) + 0.6))
    fig = Figure(figsize=size, layout="constrained")
    axes = fig.subplots(len(names), 1, sharex=True, squeeze=False)[:, 0]
    hours = path["minute"].values / 60.0
    for ax, name in zip(axes, names, strict=True):
        plot_path(path, name, bounds, ax=ax)
        _shade(ax, hours, path)
    axes[-1].set_xlabel("time since the mode began [h]", fontsize=SMALL)
    axes[0].set_xlim(0.0, float(hours[-1]))
    fig.supxlabel(
        "Dark: as it is. Blue: as read. Red dashes: hard limits. White ground: safe; grey: not "
        "safe; hatched: has left the mode.",
        fontsize=SMALL,
        x=0.02,
        ha="left",
    )
    return fig


def _shade(ax: Axes, hours: np.ndarray, path: xr.Dataset) -> None:
    """Mark when the patient is not safe, and when not in the mode."""
    low, high = ax.get_ylim()
    within = path["in_mode"].values.astype(bool)
    unsafe = within & ~path["safe"].values.astype(bool)
    ax.fill_between(hours, low, high, where=unsafe, color=FAINT, alpha=0.25, lw=0, zorder=0)
    ax.fill_between(
        hours, low, high, where=~within, facecolor="none", edgecolor=FAINT, hatch="//", lw=0
    )
    ax.set_ylim(low, high)
