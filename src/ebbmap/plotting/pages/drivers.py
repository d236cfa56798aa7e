"""Pages of sensitivity indices."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

import xarray as xr
from matplotlib.figure import Figure
from matplotlib.text import Annotation

from ebbmap.plotting.drivers import plot_drivers
from ebbmap.plotting.pages.caption import Page, add_caption
from ebbmap.plotting.style import colour_of, words

#: Outcomes whose drivers are worth a picture, besides each rule's margin.
DRIVEN = ("auto_peep", "release_volume_per_kg")

#: Dimensions of an index other than the axis along which it is drawn.
INDEX_DIMS = ("population", "outcome", "parameter", "parameter_other", "ci_bound")


def driver_pages(result: xr.Dataset) -> Iterator[Page]:
    """Draw the total indices: a row for each population, a column for each outcome."""
    along = next(str(d) for d in result["total"].dims if d not in INDEX_DIMS)
    populations = result["population"].values.astype(str)
    known = set(result["outcome"].values.astype(str))
    margins = sorted(name for name in known if name.startswith("margin_"))
    shown = [*(name for name in DRIVEN if name in known), *reversed(margins)]
    fig = Figure(
        figsize=(max(8.0, 2.2 + 3.3 * len(shown)), 2.4 + 2.7 * len(populations)),
        layout="constrained",
    )
    axes = fig.subplots(len(populations), len(shown), squeeze=False, sharex=True, sharey=True)
    for row, name in enumerate(populations):
        for column, outcome in enumerate(shown):
            ax = plot_drivers(
                result.sel(population=name), outcome=outcome, along=along, ax=axes[row, column]
            )
            if row == 0:
                ax.set_title(_driven(outcome), fontsize=11)
            if column < len(shown) - 1:
                # beside twelve panels, names have room in the last column only
                for text in [one for one in ax.texts if isinstance(one, Annotation)]:
                    text.remove()
            if column == 0:
                ax.set_ylabel(f"{name}\ntotal index", color=colour_of(name, row), fontsize=12)
            else:
                ax.set_ylabel("")
            if row < len(populations) - 1:
                ax.set_xlabel("")
    handles, labels = axes[0, 0].get_legend_handles_labels()
    fig.legend(handles, labels, loc="outside upper center", ncols=3, frameon=False)
    size = result.attrs.get("base_size", "")
    add_caption(
        fig,
        f"Total Sobol indices at every {words(along)}, bands: "
        f"{result.attrs.get('ci_level', 0.95):.0%} intervals, N = {size}; properties drawn "
        f"independently. {result.attrs['fixed']}.",
        result,
    )
    yield (
        f"{along}_drivers", fig,
        f"Which lung property drives {', '.join(words(name) for name in shown)} along "
        f"{words(along)}, in {', '.join(populations)} lungs.",
    )  # fmt: skip


def _driven(outcome: str) -> str:
    if outcome.startswith("margin_"):
        return f"safety margin\n({words(outcome.removeprefix('margin_'))} rule)"
    return "\n".join(textwrap.wrap(words(outcome), 24))
