"""Safe share against changes at the bedside: every policy that was tried, and the front."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from ebbmap.plotting.style import FAINT, INK, finish, own_axes

#: Size of the page [inch].
PAGE = (7.2, 4.6)

#: Colour of what was tried on fresh patients.
FRESH = "#c4572b"


def plot_front(mended: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Draw every candidate, the front, and what of it was tried on fresh patients.

    Parameters
    ----------
    mended : xarray.Dataset
        As a check gives it.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Dots for candidates, steps for the front, diamonds for fresh patients, a ring for the
        policy as it is.
    """
    ax = own_axes(ax)
    work, share = mended["changes"].values, 100.0 * mended["share"].values
    ax.plot(work, share, "o", color=FAINT, ms=4, label="tried in the search")
    front = np.flatnonzero(mended["front"].values)
    front = front[np.argsort(work[front], kind="stable")]
    ax.step(work[front], share[front], where="post", color=INK, lw=1.4, label="front")
    ax.plot(work[:1], share[:1], "o", color=INK, ms=10, mfc="none", label="as it is")
    fresh = 100.0 * mended["fresh_share"].values
    ax.plot(mended["fresh_changes"], fresh, "D", color=FRESH, ms=5, label="on fresh patients")
    ax.legend(loc="best", frameon=False)
    return finish(ax, "changes per patient and day", "patients safe at the end [%]")


def front_figure(mended: xr.Dataset) -> Figure:
    """Return the page of the front."""
    fig = Figure(figsize=PAGE, layout="constrained")
    plot_front(mended, ax=fig.subplots())
    return fig
