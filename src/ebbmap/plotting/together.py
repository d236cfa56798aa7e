"""Which limits exclude each other, and in how many lungs."""

from __future__ import annotations

from textwrap import fill

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.ticker import PercentFormatter

from ebbmap.plotting.speaking import spoken
from ebbmap.plotting.style import entries, mark_of, ruled_axes, words

#: Sets of limits that are drawn, the commonest of any population first.
DRAWN = 6

#: Letters of a line of a label, and the distance between populations within a row.
LETTERS, APART = 46, 0.16

#: Label of the first row.
ALL_HOLD = "all limits hold together"


def shown_sets(result: xr.Dataset) -> list[str]:
    """Return the sets that exclude each other in most lungs of any population, at most `DRAWN`."""
    most: dict[str, float] = {}
    for _, _, found, _ in entries(result, "population"):
        for text, share in zip(
            found["excluding"].values.astype(str), found["excluding_share"].values, strict=True
        ):
            if text and share > 0:
                most[text] = max(most.get(text, 0.0), float(share))
    return sorted(most, key=lambda text: (-most[text], text))[:DRAWN]


def share_of(found: xr.Dataset, text: str) -> float:
    """Return the share of one population's lungs in which a set excludes itself."""
    named = found["excluding"].values.astype(str) == text
    return float(found["excluding_share"].values[named].sum())


def plot_together(result: xr.Dataset, *, ax: Axes | None = None) -> Axes:
    """Draw in how many lungs all limits can hold, and in how many which sets exclude each other.

    Parameters
    ----------
    result : xarray.Dataset
        One rule of `together`.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        A row for all limits, with intervals, and one for each set; a mark for each population.
    """
    ax = ruled_axes(ax, "x")
    sets = shown_sets(result)
    for number, name, found, colour in entries(result, "population"):
        shift = APART * (number - (result.sizes["population"] - 1) / 2)
        rows = np.arange(len(sets) + 1) + shift
        shares = [float(found["held_share"]), *(share_of(found, text) for text in sets)]
        low, high = found["held_share_interval"].values
        ax.plot([low, high], [rows[0]] * 2, color=colour, lw=2.0)
        ax.plot(shares, rows, mark_of(number), color=colour, ms=7, label=words(name))
    labels = [ALL_HOLD, *(f"never: {text}" for text in sets)]
    ax.set_yticks(range(len(labels)), [fill(spoken(label), LETTERS) for label in labels])
    ax.set_ylim(len(labels) - 0.5, -0.5)
    ax.set_xlim(-0.03, 1.03)
    ax.xaxis.set_major_formatter(PercentFormatter(1.0))
    ax.set_xlabel("share of lungs")
    return ax
