"""Whole figures: which panels a result gets, its caption, and the caution below.

Each page function takes a result and yields (name, Figure, alternative text).
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from types import MappingProxyType

import numpy as np
import xarray as xr
from matplotlib import rc_context
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from ebbmap.caution import CAUTION
from ebbmap.plotting.drivers import plot_drivers
from ebbmap.plotting.maps import (
    HALF,
    failing_bounds,
    legend_of_bounds,
    mark_lungs,
    plot_failing_limit,
    plot_safe_region,
)
from ebbmap.plotting.profiles import plot_profile, plot_together
from ebbmap.plotting.style import COLOURS, FAINT, INK, colour_of, words
from ebbmap.plotting.trade import DRAWN_SHARE, plot_course, plot_trade
from ebbmap.plotting.windows import COMMON_RANGE, plot_served, plot_windows_along
from ebbmap.populations import POPULATIONS

Page = tuple[str, Figure, str]

#: Dots per inch of PNG files.
PRINT_DPI = 130

#: Outcomes whose drivers are worth a picture, besides each rule's margin.
DRIVEN = ("auto_peep", "release_volume_per_kg")


def pages_of(kind: str, result: xr.Dataset) -> Iterator[Page]:
    """Draw every page of a result.

    Parameters
    ----------
    kind : str
        Name of the analysis in a study file.
    result : xarray.Dataset
        What it gave.
    """
    yield from _PAGES.get(kind, _no_page)(result)


def _no_page(result: xr.Dataset) -> Iterator[Page]:
    yield from ()


def _map(result: xr.Dataset) -> Iterator[Page]:
    y, x = (str(dim) for dim in result["safe_share"].dims[-2:])
    populations = result["population"].values.astype(str)
    for rule in result["rule"].values.astype(str):
        one = result.sel(rule=rule)
        bounds = failing_bounds(one)
        fig = Figure(figsize=(1.2 + 3.4 * len(populations), 8.8), layout="constrained")
        grid = fig.add_gridspec(3, len(populations), height_ratios=(1, 1, 0.16))
        axes = (
            grid[:2, :]
            .subgridspec(2, len(populations))
            .subplots(squeeze=False, sharex=True, sharey=True)
        )
        key = fig.add_subplot(grid[2, :])
        key.axis("off")
        for column, name in enumerate(populations):
            part = one.sel(population=name)
            plot_safe_region(part, x=x, y=y, ax=axes[0, column])
            plot_failing_limit(part, x=x, y=y, bounds=bounds, ax=axes[1, column])
            axes[0, column].set_title(name, color=colour_of(name, column), fontsize=13)
            for ax in axes[:, column]:
                mark_lungs(ax, _middles(y, result), COLOURS)
        for ax in axes[:, 1:].flat:
            ax.set_ylabel("")
        for ax in axes[0]:
            ax.set_xlabel("")
        fig.colorbar(
            axes[0, 0].collections[0], ax=axes[0], label="share of lungs that are safe", pad=0.01
        )
        best = one["safe_share"].max((x, y))
        half = [Line2D([], [], color=INK, label="half are safe")] if (best > HALF).any() else []
        key.legend(
            handles=[*legend_of_bounds(bounds), *half],
            loc="center", ncols=min(3, len(populations)), frameon=False, fontsize=9,
            title="limit broken most often", title_fontsize=9,
        )  # fmt: skip
        _caption(fig, f"Safe share, rule: {words(rule)}. {result.attrs['lungs']} lungs in each "
                 f"population, drawn given the value on the vertical axis; dashed: middle lungs. "
                 f"{result.attrs['fixed']}.", result)  # fmt: skip
        told = ", ".join(f"{n} {_share(float(best.sel(population=n)))}" for n in populations)
        yield (
            f"{x}_{y}_{rule}", fig,
            f"Maps of the share of safe lungs over {words(x)} and {words(y)} under the "
            f"{words(rule)} rule; largest share: {told}. Below, the limit broken most often.",
        )  # fmt: skip


def _drivers(result: xr.Dataset) -> Iterator[Page]:
    along = next(str(d) for d in result["total"].dims if d not in _INDEX_DIMS)
    populations = result["population"].values.astype(str)
    known = set(result["outcome"].values.astype(str))
    margins = sorted(name for name in known if name.startswith("margin_"))
    shown = [*(name for name in DRIVEN if name in known), *reversed(margins)]
    fig = Figure(
        figsize=(2.2 + 3.3 * len(shown), 1.4 + 2.7 * len(populations)), layout="constrained"
    )
    axes = fig.subplots(len(populations), len(shown), squeeze=False, sharex=True, sharey=True)
    for row, name in enumerate(populations):
        for column, outcome in enumerate(shown):
            ax = plot_drivers(
                result.sel(population=name), outcome=outcome, along=along, ax=axes[row, column]
            )
            if row == 0:
                ax.set_title(_driven(outcome), fontsize=11)
            if column == 0:
                ax.set_ylabel(f"{name}\ntotal index", color=colour_of(name, row), fontsize=12)
            else:
                ax.set_ylabel("")
            if row < len(populations) - 1:
                ax.set_xlabel("")
    handles, labels = axes[0, 0].get_legend_handles_labels()
    fig.legend(handles, labels, loc="outside upper center", ncols=len(labels), frameon=False)
    size = result.attrs.get("base_size", "")
    _caption(fig, f"Total Sobol indices at every {words(along)}, bands: "
             f"{result.attrs.get('ci_level', 0.95):.0%} intervals, N = {size}; properties drawn "
             f"independently. {result.attrs['fixed']}.", result)  # fmt: skip
    yield (
        f"{along}_drivers", fig,
        f"Which lung property drives {', '.join(words(name) for name in shown)} along "
        f"{words(along)}, in {', '.join(populations)} lungs.",
    )  # fmt: skip


def _window(result: xr.Dataset) -> Iterator[Page]:
    if result.attrs["along"]:
        yield from _window_along(result)
        return
    rules = result["rule"].values.astype(str)
    fig = Figure(figsize=(9.4, 1.0 + 3.4 * len(rules)), layout="constrained")
    axes = fig.subplots(len(rules), 1, squeeze=False, sharex=True)
    for ax, rule in zip(axes[:, 0], rules, strict=True):
        plot_served(result.sel(rule=rule), ax=ax)
        ax.set_title(f"rule: {words(rule)}", loc="left", fontsize=12)
    for ax in axes[:-1, 0]:
        ax.set_xlabel("")
    _caption(fig, f"Share of lungs in whose release window a T low lies; "
             f"{result.sizes['sample']} lungs in each population, bands: 95 % intervals. "
             f"{result.attrs['fixed']}.", result)  # fmt: skip
    served = result["served_share"].max("t_low")
    told = "; ".join(
        f"{words(rule)}: "
        + ", ".join(
            f"{name} {float(served.sel(rule=rule, population=name)):.0%}"
            for name in result["population"].values.astype(str)
        )
        for rule in rules
    )
    yield "served", fig, f"Largest share of lungs that one T low serves. {told}."


def _window_along(result: xr.Dataset) -> Iterator[Page]:
    fig = Figure(figsize=(8.0, 5.6), layout="constrained")
    ax = plot_windows_along(result.isel(population=0), ax=fig.subplots())
    # the common clock range is named on the right, clear of the bands
    middle = float(np.sqrt(COMMON_RANGE[0] * COMMON_RANGE[1]))
    top = float(result["time_constant_exp"].max())
    ax.annotate(
        f"common by the clock:\n{COMMON_RANGE[0]:g} to {COMMON_RANGE[1]:g} s", (top, middle),
        xytext=(6, 0), textcoords="offset points", va="center", color=INK, fontsize=9,
        annotation_clip=False,
    )  # fmt: skip
    for number, rule in enumerate(result["rule"].values.astype(str)):
        one = result.isel(population=0).sel(rule=rule)
        at = float(one["upper"].max() + one["lower"].max()) / 2
        if not np.isfinite(at):
            ax.text(
                0.5, 0.6 - 0.08 * number, f"{words(rule)}: no window", ha="center",
                transform=ax.transAxes, color=colour_of(rule, number),
            )  # fmt: skip
            continue
        ax.annotate(
            f"{words(rule)}\n50 to 75 %", (top, at), xytext=(6, 0), textcoords="offset points",
            va="center", color=colour_of(rule, number), fontsize=10, annotation_clip=False,
        )  # fmt: skip
    _caption(fig, "T low that keeps each rule, against the expiratory time constant "
             "(one lung, resistance varied). A range is kept whole only where both dashed lines "
             "lie inside a band.", result)  # fmt: skip
    yield (
        "windows_by_time_constant", fig,
        "Bands of T low that keep the flow-ratio rule and the exhaled-fraction rule against the "
        "expiratory time constant; they touch only where both are one half.",
    )  # fmt: skip


def _profile(result: xr.Dataset) -> Iterator[Page]:
    outcomes = [str(name) for name in result.data_vars if name != "status"]
    along = next(str(d) for d in result[outcomes[0]].dims if d != "population")
    shares = all(result[name].attrs["units"] == "1" for name in outcomes)
    if result.sizes["population"] == 1 and shares:
        fig = Figure(figsize=(7.4, 5.2), layout="constrained")
        plot_together(result.isel(population=0), outcomes=outcomes, along=along, ax=fig.subplots())
    else:
        fig = Figure(figsize=(1.0 + 4.0 * len(outcomes), 4.6), layout="constrained")
        axes = fig.subplots(1, len(outcomes), squeeze=False)
        for ax, outcome in zip(axes[0], outcomes, strict=True):
            plot_profile(result, outcome=outcome, along=along, ax=ax)
        handles, labels = axes[0, 0].get_legend_handles_labels()
        fig.legend(handles, labels, loc="outside upper center", ncols=len(labels), frameon=False)
    _caption(fig, f"Outcomes along {words(along)}. {result.attrs['fixed']}.", result)
    yield (
        f"{along}_profile", fig,
        f"{', '.join(words(name) for name in outcomes)} along {words(along)}.",
    )  # fmt: skip


def _trade(result: xr.Dataset) -> Iterator[Page]:
    x, y = result.attrs["costs"].split()[:2]
    populations = result["population"].values.astype(str)
    rules = result["rule"].values.astype(str)
    fig = Figure(
        figsize=(1.4 + 3.5 * len(populations), 0.9 + 3.1 * len(rules)), layout="constrained"
    )
    axes = fig.subplots(len(rules), len(populations), squeeze=False, sharex="col", sharey="col")
    for row, rule in enumerate(rules):
        for column, name in enumerate(populations):
            ax = axes[row, column]
            one = result.sel(rule=rule, population=name)
            plot_trade(one, x=x, y=y, colour=colour_of(name, column), ax=ax)
            answer = "\n".join(textwrap.wrap(str(one["answer"].values), 42))
            ax.set_title(f"{name}, {words(rule)}\n{answer}", fontsize=9,
                         color=colour_of(name, column))  # fmt: skip
            if column:
                ax.set_ylabel("")
            if row < len(rules) - 1:
                ax.set_xlabel("")
    handles, labels = axes[0, 0].get_legend_handles_labels()
    fig.legend(handles, labels, loc="outside upper center", ncols=len(labels), frameon=False)
    grid = " by ".join(
        f"{result.sizes[dim]} {words(str(dim))}" for dim in result["verdict"].dims[2:]
    )
    _caption(fig, f"Each dot is one setting ({grid}) in the middle lung of a population; the worst "
             f"{1 - DRAWN_SHARE:.0%} lie beyond each axis. "
             f"{result.attrs['fixed']}.", result)  # fmt: skip
    told = "; ".join(
        f"{name} lungs, {words(rule)} rule: "
        + str(result["answer"].sel(rule=rule, population=name).values)
        for rule in rules
        for name in populations
    )
    yield (
        f"{x}_{y}_trade", fig,
        f"{words(x)} against {words(y)} for every setting. Does any keep all limits? {told}.",
    )  # fmt: skip


def _course(result: xr.Dataset) -> Iterator[Page]:
    fig = Figure(figsize=(8.0, 5.0), layout="constrained")
    plot_course(result, ax=fig.subplots())
    _caption(fig, f"PaCO2 of each population's middle lung after the change to "
             f"{result.attrs['change']}; dotted: where it settles. Before: "
             f"{result.attrs['fixed']}. Two CO2 stores, sizes assumed.", result)  # fmt: skip
    told = ", ".join(
        f"{name} from {float(start):.0f} to {float(end):.0f} mmHg"
        for name, start, end in zip(
            result["population"].values, result["paco2_start"], result["paco2_end"], strict=True
        )
    )
    yield "paco2_course", fig, f"PaCO2 over time after a change of settings: {told}."


def _share(value: float) -> str:
    return f"{value:.0%}" if np.isfinite(value) else "none determined"


def _driven(outcome: str) -> str:
    if outcome.startswith("margin_"):
        return f"safety margin\n({words(outcome.removeprefix('margin_'))} rule)"
    return "\n".join(textwrap.wrap(words(outcome), 24))


def _middles(y: str, result: xr.Dataset) -> dict[str, float]:
    names = result["population"].values.astype(str)
    known = [POPULATIONS[name] for name in names if name in POPULATIONS]
    return {group.name: group.median[y] for group in known if y in group.median}


def _caption(fig: Figure, text: str, result: xr.Dataset) -> None:
    """Write caption, doubts and caution below the panels."""
    width = int(fig.get_figwidth() * 15.5)
    doubt = result.attrs.get("unconfirmed", "")
    lines = textwrap.wrap(f"{text} Lung model: {result.attrs['lung']}. Invented lungs.", width)
    if doubt:
        lines += textwrap.wrap(f"Centre and spread assumed or from memory: {doubt}.", width)
    lines += textwrap.wrap(CAUTION, width)
    height = fig.get_figheight()
    share = (0.17 * len(lines) + 0.1) / height
    engine = fig.get_layout_engine()
    if engine is not None:
        engine.set(rect=(0.0, share, 1.0, 1.0 - share))  # type: ignore[call-arg]
    fig.text(
        0.01, 0.05 / height, "\n".join(lines), fontsize=8, color=INK, va="bottom", linespacing=1.35
    )
    fig.patch.set_facecolor("white")
    fig.patch.set_edgecolor(FAINT)


_INDEX_DIMS = ("population", "outcome", "parameter", "parameter_other", "ci_bound")

_PAGES: Mapping[str, Callable[[xr.Dataset], Iterator[Page]]] = MappingProxyType(
    {
        "map": _map,
        "sobol": _drivers,
        "window": _window,
        "profile": _profile,
        "trade": _trade,
        "course": _course,
    }
)


def save_page(figure: Figure, path: Path) -> None:
    """Save a page without date and random names: the same result gives the same bytes."""
    dates = {"svg": {"Date": None}, "pdf": {"CreationDate": None}, "png": {"Software": None}}
    with rc_context({"svg.hashsalt": "ebbmap"}):
        figure.savefig(path, dpi=PRINT_DPI, metadata=dates[path.suffix.lstrip(".")])
