"""The two rules on one picture."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from ebbmap.plotting.compare import kept_part
from ebbmap.plotting.style import FAINT, INK, colour_of, finish, name_ends, ruled_axes, words
from ebbmap.registries.limits import RULES

#: Line of each lung model, in order.
STYLES = ("-", (0, (4, 1.8)), (0, (1.2, 1.2)))

#: Least distance of two names beside the axes, as a share of its height.
LABEL_GAP = 0.075


def plot_rules(result: xr.Dataset, *, along: str, ax: Axes | None = None) -> Axes:
    """Draw flow ratio and exhaled fraction of several lung models, and their sum.

    Parameters
    ----------
    result : xarray.Dataset
        One population of `rules`.
    along : str
        The axis.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        A line for each share and model, thick where its own rule is kept, and for each model the
        sum of the two; all named at their ends.
    """
    ax = ruled_axes(ax)
    place = result[along].values
    ends: list[tuple[str, str, float]] = []
    for style, model in zip(STYLES, result["model"].values.astype(str), strict=False):
        shares = result.sel(model=model)
        for number, rule in enumerate(RULES):
            line, colour = shares[rule].values, colour_of(rule, number)
            text = f"{words(rule)}, {model}"
            ax.plot(place, line, ls=style, color=colour, lw=2.2, label=text)
            kept = np.where(kept_part(line, rule), line, np.nan)
            ax.plot(place, kept, color=colour, lw=8, alpha=0.3, solid_capstyle="butt")
            ends.append((text, colour, float(line[-1])))
        ax.plot(place, shares["sum"], ls=style, color=INK, lw=1.8, label=f"sum, {model}")
        ends.append((f"sum, {model}", INK, float(shares["sum"][-1])))
    top = 1.08 * float(result["sum"].max())
    name_ends(ax, ends, LABEL_GAP * top)
    for share in (0.25, 0.5, 0.75, 1.0):
        ax.axhline(share, color=FAINT, lw=0.8, ls=(0, (1, 3)))
    ax.set_ylim(0.0, top)
    ax.set_xlim(float(place[0]), float(place[-1]))
    return finish(ax, result[along], "share")
