"""Page of lungs side by side."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from ebbmap.outcomes import OUTCOMES
from ebbmap.plotting.pages.caption import Page, add_caption
from ebbmap.plotting.style import COLOURS, INK, colour_of, words
from ebbmap.plotting.waves import AIRWAY, SHOWN_FLOW, plot_flow, plot_pressures, plot_volume
from ebbmap.units import display


def compare_pages(result: xr.Dataset) -> Iterator[Page]:
    """Draw a column for each lung, on shared axes, and the numbers below."""
    cases = result["case"].values.astype(str)
    fig = Figure(figsize=(12.0, 11.6), layout="constrained")
    rows = fig.add_gridspec(2, 1, height_ratios=(3.4, 1.0))
    axes = (
        rows[0].subgridspec(3, len(cases)).subplots(
            squeeze=False, sharex=True, sharey="row"
        )
    )  # fmt: skip
    for column, name in enumerate(cases):
        one = result.sel(case=name)
        colour = _colour(result, column)
        plot_pressures(one, colour=colour, ax=axes[0, column])
        plot_flow(one, colour=colour, ax=axes[1, column])
        plot_volume(one, colour=colour, ax=axes[2, column])
        axes[0, column].set_title(name, color=colour, fontsize=18)
        for ax in axes[:2, column]:
            ax.set_xlabel("")
        for ax in axes[:, column] if column else ():
            ax.set_ylabel("")
        axes[2, column].set_xlabel("time from release [s]")
    deepest = float(result["flow_going_on"].min())
    if np.isfinite(deepest):
        axes[1, 0].set_ylim(SHOWN_FLOW * deepest, -0.55 * deepest)
        axes[2, 0].set_ylim(0.0, 1.08 * float(result["volume"].max()))
    _name_lines(axes, result)
    _table(fig.add_subplot(rows[1]), result)
    add_caption(
        fig,
        f"One settled release (shaded) of each lung at {result.attrs['fixed']}. Dashed: the flow, "
        "had the release gone on. Thick: where each rule for T low would end it, flow ratio or "
        "exhaled fraction 50 to 75 %. The middle lung of each population; N = 1 each.",
        result,
    )
    told = "; ".join(f"{name}: {_told(result.sel(case=name))}" for name in cases)
    yield (
        "side_by_side", fig,
        "Airway and alveolar pressure, flow and volume around one release of the same settings, "
        f"a column for each lung. At the end of the release: {told}.",
    )  # fmt: skip


def _told(one: xr.Dataset) -> str:
    if not np.isfinite(one["flow_ratio"]):
        return "could not be solved"
    return (
        f"flow ratio {float(one['flow_ratio']):.0%}, exhaled fraction "
        f"{float(one['exhaled_fraction']):.0%}, {float(one['trapped_volume']):.0f} mL left"
    )


def _colour(result: xr.Dataset, number: int) -> str:
    """Colour of a population where each has one case, else the next of the cycle."""
    groups = result["population"].values.astype(str)
    return colour_of(groups[number] if len(set(groups)) == len(groups) else "", number)


def _name_lines(axes, result: xr.Dataset) -> None:
    """Name the curves once, beside them, in the first column."""
    start = float(result["time"][0])
    high = float(result["airway_pressure"].max())
    axes[0, 0].annotate("airway", (start, high), xytext=(4, 4), textcoords="offset points",
                        va="bottom", color=AIRWAY)  # fmt: skip
    axes[0, 0].annotate("alveolar", (start, high), xytext=(4, -6), textcoords="offset points",
                        va="top", color=_colour(result, 0))  # fmt: skip
    axes[0, 0].set_ylim(top=1.22 * high)
    for row, rule in enumerate(("flow_ratio", "exhaled_fraction")):
        axes[1, -1].text(
            0.98, 0.18 - 0.15 * row, f"{words(rule)} rule", transform=axes[1, -1].transAxes,
            ha="right", va="bottom", color=COLOURS[rule],
        )  # fmt: skip


def _table(ax: Axes, result: xr.Dataset) -> None:
    """Write the numbers: a row for each outcome, a column for each lung."""
    ax.axis("off")
    names = result.attrs["table"].split()
    cases = result["case"].values.astype(str)
    places = [0.48 + 0.52 * (column + 0.5) / len(cases) for column in range(len(cases))]
    step = 1.0 / (len(names) + 1)
    for place, name in zip(places, cases, strict=True):
        colour = _colour(result, list(cases).index(name))
        ax.text(place, 1.0, "\n".join(textwrap.wrap(name, 16)), ha="center", va="top",
                color=colour, weight="bold")  # fmt: skip
    for row, name in enumerate(names, start=1):
        entry = OUTCOMES[name]
        unit = display(entry.units)
        ax.text(0.0, 1.0 - row * step, f"{entry.long_name}{f' [{unit}]' if unit else ''}",
                va="top", color=INK)  # fmt: skip
        for place, value in zip(places, result[name].values, strict=True):
            ax.text(
                place,
                1.0 - row * step,
                f"{value:.3g}" if np.isfinite(value) else "–",
                ha="center",
                va="top",
                color=INK,
            )
