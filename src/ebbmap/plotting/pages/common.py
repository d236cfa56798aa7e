"""What every page has: a name, a caption with its doubts, and the caution below."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from ebbmap.plotting.pages.layout import LINE_HEIGHT, text_size
from ebbmap.plotting.style import colour_of, judged_by, words
from ebbmap.registries.parameters import PARAMETERS

#: Outcomes whose drivers are worth a picture, besides each rule's margin.
DRIVEN = ("auto_peep", "release_volume_per_kg")


def shown_outcomes(outcome: xr.DataArray, *, margins_only: bool = False) -> list[str]:
    """Return some of the lung's outcomes and each rule's margin; else the first outcomes."""
    known = outcome.values.astype(str).tolist()
    margins = [name for name in known if name.startswith("margin_")]
    driven = [] if margins_only else [name for name in DRIVEN if name in known]
    return [*driven, *margins] or known[:3]


def driven_words(outcome: str) -> str:
    """Return the title of a panel: an outcome, or the margin under a rule."""
    if outcome.startswith("margin_"):
        return f"safety margin\n({judged_by(outcome.removeprefix('margin_'))})"
    return words(outcome)


def place_text(along: str, value: float) -> str:
    """Return a place of the axis in words."""
    return PARAMETERS[along].say(round(value, 4))


def driven_panels(
    rows: int, columns: int, *, sharex: bool = True, height: float = 3.1
) -> tuple[Figure, np.ndarray]:
    """Return a figure with a panel for each population (rows) and outcome (columns)."""
    fig = Figure(figsize=(2.2 + 3.3 * columns, 0.8 + height * rows), layout="constrained")
    return fig, fig.subplots(rows, columns, squeeze=False, sharex=sharex, sharey=True)


def property_panels(
    result: xr.Dataset, outcomes: list[str], plot: Callable[..., Axes]
) -> tuple[Figure, list[str]]:
    """Draw a line for each property in panels of `driven_panels`, and return the populations."""
    populations = result["population"].values.astype(str).tolist()
    wide = 2.2 + 3.3 * len(outcomes)
    tall = 0.8 + 1.6 * LINE_HEIGHT * text_size(wide) * result.sizes["parameter"]
    fig, axes = driven_panels(len(populations), len(outcomes), sharex=False, height=max(3.1, tall))
    for row, name in enumerate(populations):
        for column, outcome in enumerate(outcomes):
            own = result.sel(population=name, outcome=outcome)
            ax = plot(own, along=str(result.attrs["along"]), ax=axes[row, column])
            dress_panel(ax, row, column, len(populations), name, outcome, "")
    return fig, populations


def dress_panel(
    ax: Axes, row: int, column: int, rows: int, population: str, outcome: str, label: str
) -> None:
    """Title the panels of the top row, and label those of the first column and the last row."""
    if row == 0:
        ax.set_title(driven_words(outcome), fontsize=11)
    ax.set_ylabel(
        f"{words(population)}\n{label}".strip() if column == 0 else "",
        color=colour_of(population, row),
        fontsize=12,
    )
    if row < rows - 1:
        ax.set_xlabel("")
