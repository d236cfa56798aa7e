"""Pages of PaCO2 after a change."""

from __future__ import annotations

from collections.abc import Iterator

import xarray as xr
from matplotlib.figure import Figure

from ebbmap.plotting.course import plot_course
from ebbmap.plotting.pages.caption import Page, add_caption


def pages(result: xr.Dataset) -> Iterator[Page]:
    """Draw PaCO2 over time, one line for each population."""
    fig = Figure(figsize=(8.0, 5.0), layout="constrained")
    plot_course(result, ax=fig.subplots())
    add_caption(
        fig,
        f"PaCO₂ of each population's middle lung after the change to "
        f"{result.attrs['change']}; dotted: where it settles. Held before the change as below. "
        "Two CO₂ stores, sizes assumed. N = 1 lung each.",
        result,
    )
    details = ", ".join(
        f"{name} from {float(start):.0f} to {float(end):.0f} mmHg"
        for name, start, end in zip(
            result["population"].values, result["paco2_start"], result["paco2_end"], strict=True
        )
    )
    yield "paco2_course", fig, f"PaCO₂ over time after a change of settings: {details}."
