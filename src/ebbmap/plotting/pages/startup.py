"""Page of the first cycles."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import xarray as xr
from matplotlib.figure import Figure

from ebbmap.analyses.startup import LONGER
from ebbmap.plotting.pages.caption import Page, add_caption
from ebbmap.plotting.startup import plot_startup, plot_startup_waves


def pages(result: xr.Dataset) -> Iterator[Page]:
    """Draw the pressure over the first cycles, and what each of them leaves in the lung."""
    fig = Figure(figsize=(11.0, 8.8), layout="constrained")
    grid = fig.add_gridspec(2, 2)
    plot_startup_waves(result, ax=fig.add_subplot(grid[0, :]))
    below = [fig.add_subplot(grid[1, column]) for column in (0, 1)]
    for ax, outcome in zip(below, ("end_release_pressure", "trapped_volume"), strict=True):
        plot_startup(result, outcome=outcome, ax=ax)
        ax.set_title("left when each release ends", loc="left", fontsize=13)
    for text in list(below[0].texts):
        text.remove()
    fig.axes[0].set_title(
        "grey: airway pressure; in colour: alveolar pressure", loc="left", fontsize=13
    )
    cycle = result.attrs["longer_cycle"]
    names = result["population"].values.astype(str)
    longer = ", ".join(
        f"{value:g} s" for value in dict.fromkeys(result["longer_t_low"].values.tolist())
    )
    add_caption(
        fig,
        f"The first {result.sizes['cycle']} cycles from "
        f"{result.attrs['start_pressure']:g} cmH₂O. Dotted: where the settings "
        "lead to. Dashed: the release of "
        f"cycle {cycle} lasts {longer}, then as before. "
        "The middle lung of each population; N = 1 each.",
        result,
    )
    details = "; ".join(_result_text(result.sel(population=name), name, cycle) for name in names)
    yield (
        "first_cycles",
        fig,
        f"Alveolar pressure and trapped gas building up from the start. {details}.",
    )


def _result_text(own: xr.Dataset, name: str, cycle: int) -> str:
    trapped = own["trapped_volume"]
    if not bool(np.isfinite(trapped).all()):
        return f"{name}: could not be solved"
    first, last = (float(trapped[0].sel(cycle=at)) for at in (1, int(own["cycle"][-1])))
    undone = float(trapped[0].sel(cycle=cycle) - trapped.sel(course=LONGER, cycle=cycle))
    back = float(trapped[0, -1] - trapped.sel(course=LONGER)[-1])
    after = int(own["cycle"][-1]) - cycle
    return (
        f"{name}: trapped volume {first:.0f} mL after the first cycle, {last:.0f} mL after the "
        f"last; one longer release lets out {undone:.0f} mL more, of which {undone - back:.0f} mL "
        f"are back {after} cycles later"
    )
