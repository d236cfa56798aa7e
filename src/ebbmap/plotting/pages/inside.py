"""Page of the slow compartment."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import xarray as xr
from matplotlib.figure import Figure

from ebbmap.digits import share_text
from ebbmap.plotting.inside import plot_inside
from ebbmap.plotting.pages.caption import Page, add_caption
from ebbmap.plotting.style import colour_of, words


def pages(result: xr.Dataset) -> Iterator[Page]:
    """Draw a panel for each population."""
    names = result["population"].values.astype(str)
    fig = Figure(figsize=(10.0, 4.2 * len(names)), layout="constrained")
    axes = fig.subplots(len(names), 1, squeeze=False, sharex=True)
    for number, (ax, name) in enumerate(zip(axes[:, 0], names, strict=True)):
        own = result.sel(population=name)
        plot_inside(own, ax=ax)
        kept = float(own["trapped_volume_slow"])
        ax.set_title(
            f"{words(name)}: at T low {float(own['t_low']):g} s the slow compartment keeps "
            f"{kept:.0f} mL",
            loc="left",
            color=colour_of(name, number),
            fontsize=14,
        )
    for ax in axes[:-1, 0]:
        ax.set_xlabel("")
    add_caption(
        fig,
        "One settled release (shaded; the curves show it going on). "
        "Flow over its peak, and pressure above P low left in each compartment over that at the "
        "start. The middle lung of each population; N = 1 each.",
        result,
    )
    yield (
        "release",
        fig,
        "Flow at the airway falls fast while the slow compartment stays full. "
        + "; ".join(_result_text(result.sel(population=name), name) for name in names)
        + ".",
    )


def _result_text(own: xr.Dataset, name: str) -> str:
    """Return what each look at the flow finds inside."""
    looks = [
        f"at {share_text(share)} of peak flow ({float(when):.2f} s) the fast compartment still "
        "holds "
        f"{share_text(float(fast))}, the slow one {share_text(float(slow))}"
        for share, when, fast, slow in zip(
            own["look"].values,
            own["look_time"],
            own["look_fast_left"],
            own["look_slow_left"],
            strict=True,
        )
        if np.isfinite(when)
    ]
    return f"{name}: " + ", ".join(looks)
