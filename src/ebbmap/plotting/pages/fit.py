"""The page of a fitted trace: curves, residuals, posteriors with profiles."""

from __future__ import annotations

from collections.abc import Iterator

import xarray as xr
from matplotlib.figure import Figure

from ebbmap.plotting.fit import plot_fit, plot_posterior, plot_residuals
from ebbmap.plotting.pages.caption import Page, add_caption
from ebbmap.plotting.pages.layout import in_rows

#: Width of the page, height of the curves and of a row of posteriors [inch].
WIDTH, CURVES, ROW = 12.0, 4.6, 2.4


def pages(result: xr.Dataset, said: str) -> Iterator[Page]:
    """Draw a fit; `said` is what stands under it."""
    rows = in_rows([str(name) for name in result["property"].values])
    fig = Figure(figsize=(WIDTH, CURVES + ROW * len(rows)), layout="constrained")
    grid = fig.add_gridspec(2 + len(rows), 1, height_ratios=[3.0, 1.6, *([2.4] * len(rows))])
    flow = fig.add_subplot(grid[0])
    plot_fit(result, ax=flow)
    flow.legend(loc="upper right", frameon=False)
    plot_residuals(result, ax=fig.add_subplot(grid[1], sharex=flow))
    for number, names in enumerate(rows):
        inner = grid[2 + number].subgridspec(1, len(names))
        for place, name in enumerate(names):
            plot_posterior(result, name, ax=fig.add_subplot(inner[place]))
    text = (
        f"{said} Bands: 90 % intervals and twice the noise; steps: draws of the posterior; red "
        "lines: profile likelihood."
    )
    add_caption(fig, text, result)
    yield "fit", fig, text
