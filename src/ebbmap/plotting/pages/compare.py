"""Page of lungs side by side."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from ebbmap.digits import share_text
from ebbmap.plotting.compare import (
    AIRWAY,
    SHARES,
    kept_part,
    plot_compare_flow,
    plot_compare_pressures,
    plot_compare_volume,
)
from ebbmap.plotting.pages.caption import Page, add_caption
from ebbmap.plotting.pages.layout import broken, in_rows, text_size
from ebbmap.plotting.release import plot_release
from ebbmap.plotting.speaking import spoken
from ebbmap.plotting.style import INK, colour_of, words
from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.units import display

#: Height of a block of lungs and of the numbers below it [inch]; room beyond the curves.
BLOCK, TABLE, ROOM = 8.0, 2.4, 1.08


def pages(result: xr.Dataset) -> Iterator[Page]:
    """Draw a column for each lung, on shared axes, and the numbers below."""
    cases = result["case"].values.astype(str).tolist()
    blocks = in_rows(cases)
    fig = Figure(figsize=(12.0, (BLOCK + TABLE) * len(blocks)), layout="constrained")
    grid = fig.add_gridspec(2 * len(blocks), 1, height_ratios=(BLOCK, TABLE) * len(blocks))
    for number, block in enumerate(blocks):
        axes = (
            grid[2 * number]
            .subgridspec(3, len(blocks[0]))
            .subplots(squeeze=False, sharex=True, sharey="row")
        )
        for column, name in enumerate(block):
            _draw_lung(axes[:, column], result, name, named=column == 0)
        for ax in axes[:, len(block) :].flat:
            ax.set_visible(False)
        _share_axes(axes, result)
        if number == 0:
            _name_lines(axes[:, : len(block)], result)
        _table(fig.add_subplot(grid[2 * number + 1]), result, block, len(blocks[0]))
    add_caption(
        fig,
        "One settled release (shaded) of each lung, and the filling after it. Dashed: the flow, "
        "had the release gone on. Thick: where each rule for T low would end it, flow ratio or "
        "exhaled fraction 50 to 75 %. The middle lung of each population; N = 1 each.",
        result,
    )
    details = "; ".join(f"{name}: {_result_text(result.sel(case=name))}" for name in cases)
    yield (
        "side_by_side",
        fig,
        "Airway and alveolar pressure, flow and volume around one release of the same settings, "
        f"a column for each lung. At the end of the release: {details}.",
    )
    if len(cases) == 1 and np.isfinite(result["flow_ratio"]).all():
        yield _named_page(result, cases[0])


def _named_page(result: xr.Dataset, name: str) -> Page:
    """Draw the release of a single lung as one curve with everything named."""
    own = result.sel(case=name)
    fig = Figure(figsize=(11.0, 6.4), layout="constrained")
    ax = plot_release(own, colour=_colour(result, 0), ax=fig.subplots())
    ax.set_title(f"One release of a {words(name)} lung", loc="left", fontsize=16)
    add_caption(
        fig,
        "Flow out of the lung while the airway is at P low (shaded), and dashed as it would go "
        "on. The area beyond the release is the gas that it leaves behind. Thick: where each rule "
        "for T low would be kept. The middle lung of the population; N = 1.",
        result,
        legend=(*ax.get_legend_handles_labels(), ""),
    )
    return "release_named", fig, f"One release with everything named. {name}: {_result_text(own)}."


def _draw_lung(axes: np.ndarray, result: xr.Dataset, name: str, *, named: bool) -> None:
    """Draw pressures, flow and volume of a lung below each other."""
    own = result.sel(case=name)
    colour = _colour(result, result["case"].values.astype(str).tolist().index(name))
    plot_compare_pressures(own, colour=colour, ax=axes[0])
    plot_compare_flow(own, colour=colour, ax=axes[1])
    plot_compare_volume(own, colour=colour, ax=axes[2])
    axes[0].set_title(words(name), color=colour, fontsize=18)
    for ax in axes[:2]:
        ax.set_xlabel("")
    for ax in axes if not named else ():
        ax.set_ylabel("")
    axes[2].set_xlabel("time from release [s]")
    # clear of the lowest number of the other axis
    axes[2].tick_params(axis="x", pad=8)


def _share_axes(axes: np.ndarray, result: xr.Dataset) -> None:
    """Show every curve of every lung whole, the filling too."""
    flows = np.concatenate([result[n].values.reshape(-1) for n in ("flow", "flow_going_on")])
    if not np.isfinite(flows).any():
        return
    low, high = float(np.nanmin(flows)), float(np.nanmax(flows))
    axes[0, 0].set_ylim(top=1.22 * float(result["airway_pressure"].max()))
    axes[1, 0].set_ylim(ROOM * low, ROOM * high)
    axes[2, 0].set_ylim(0.0, ROOM * float(result["volume"].max()))


def _result_text(own: xr.Dataset) -> str:
    if not np.isfinite(own["flow_ratio"]):
        return "could not be solved"
    return (
        f"flow ratio {share_text(float(own['flow_ratio']))}, exhaled fraction "
        f"{share_text(float(own['exhaled_fraction']))}, {float(own['trapped_volume']):.0f} mL left"
    )


def _colour(result: xr.Dataset, number: int) -> str:
    """Return the colour of a population where each has one case, else the next of the cycle."""
    groups = result["population"].values.astype(str)
    return colour_of(groups[number] if len(set(groups)) == len(groups) else "", number)


def _name_lines(axes: np.ndarray, result: xr.Dataset) -> None:
    """Name the curves once, beside them, in the first column."""
    start = float(result["time"][0])
    high = float(result["airway_pressure"].max())
    axes[0, 0].annotate(
        "airway",
        (start, high),
        xytext=(4, 4),
        textcoords="offset points",
        va="bottom",
        color=AIRWAY,
    )
    axes[0, 0].annotate(
        "alveolar",
        (start, high),
        xytext=(4, -6),
        textcoords="offset points",
        va="top",
        color=_colour(result, 0),
    )
    for row, (rule, share) in enumerate(SHARES.items()):
        kept = kept_part(result[share].values, rule).any()
        axes[1, -1].text(
            0.98,
            0.18 - 0.15 * row,
            f"{words(rule)} rule{'' if kept else ': later than shown'}",
            transform=axes[1, -1].transAxes,
            ha="right",
            va="bottom",
            color=colour_of(rule, 0),
        )


def _table(ax: Axes, result: xr.Dataset, cases: list[str], columns: int) -> None:
    """Write the numbers: a row for each outcome, a column for each lung."""
    ax.axis("off")
    names = result.attrs["table"].split()
    wide = 12.0
    places = [0.48 + 0.52 * (column + 0.5) / columns for column in range(len(cases))]
    step = 1.0 / (len(names) + 1)
    every = result["case"].values.astype(str).tolist()
    for place, name in zip(places, cases, strict=True):
        said = broken(spoken(words(name)), text_size(wide), 0.48 * wide / columns)
        ax.text(
            place,
            1.0 - 0.85 * step,
            said,
            ha="center",
            va="bottom",
            weight="bold",
            color=_colour(result, every.index(name)),
        )
    for row, name in enumerate(names, start=1):
        entry = OUTCOMES[name]
        unit = display(entry.units)
        at = 1.0 - row * step
        ax.text(0.0, at, f"{entry.long_name}{f' [{unit}]' if unit else ''}", va="top", color=INK)
        for place, case in zip(places, cases, strict=True):
            value = float(result[name].sel(case=case))
            said = f"{value:.3g}" if np.isfinite(value) else "–"
            ax.text(place, at, said, ha="center", va="top", color=INK)
