"""Pages of release windows."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import xarray as xr
from matplotlib.figure import Figure

from ebbmap.analyses.common.knowledge import said_share
from ebbmap.analyses.common.stand_in import surrogate_notes
from ebbmap.analyses.common.window_stand_in import window_notes
from ebbmap.digits import share_text
from ebbmap.plotting.pages.caption import Page, add_caption
from ebbmap.plotting.pages.layout import in_rows
from ebbmap.plotting.style import INK, colour_of, judged_by, words
from ebbmap.plotting.window import COMMON_RANGE, plot_window, plot_window_along, plot_window_lungs


def pages(result: xr.Dataset) -> Iterator[Page]:
    """Draw the share of lungs that each T low serves, or the windows along an axis."""
    if result.attrs["along"]:
        yield from _window_along(result)
        return
    rules = result["rule"].values.astype(str)
    fig = Figure(figsize=(9.4, 3.6 * len(rules)), layout="constrained")
    axes = fig.subplots(len(rules), 1, squeeze=False, sharex=True)
    for ax, rule in zip(axes[:, 0], rules, strict=True):
        plot_window(result.sel(rule=rule), ax=ax)
        ax.set_title(judged_by(rule), loc="left", fontsize=12)
    for ax in axes[:-1, 0]:
        ax.set_xlabel("")
    add_caption(
        fig,
        f"Share of all lungs in whose release window a T low lies{_unclear(result)}; "
        f"{result.sizes['sample']} lungs in each population, bands: {_level(result)} intervals of "
        f"the lungs drawn{_dashed(result)}.{_stood_in(result)}",
        result,
        rule="*",
    )
    top = result.isel(t_low=result["served_share"].argmax("t_low"))
    details = "; ".join(
        f"{words(rule)}: "
        + ", ".join(
            f"{name} {said_share(top.sel(rule=rule, population=name), 'served_share')}"
            for name in result["population"].values.astype(str)
        )
        for rule in rules
    )
    said = f"Largest share of lungs that one T low serves. {details}.{_stood_in(result)}"
    yield "served", fig, said
    yield from _clouds(result, rules)


def _clouds(result: xr.Dataset, rules: np.ndarray) -> Iterator[Page]:
    """Draw every lung's window against its time constant, by rule and population."""
    names = result["population"].values.astype(str).tolist()
    blocks = in_rows(names)
    fig = Figure(
        figsize=(1.6 + 4.0 * len(blocks[0]), 4.6 * len(rules) * len(blocks)), layout="constrained"
    )
    axes = fig.subplots(
        len(rules) * len(blocks), len(blocks[0]), squeeze=False, sharex=True, sharey=True
    )
    lines = [(rule, block) for block in blocks for rule in rules]
    for row, (rule, block) in zip(axes, lines, strict=True):
        own = result.sel(rule=rule)
        for ax in row[len(block) :]:
            ax.set_visible(False)
        for ax, name in zip(row, block, strict=False):
            plot_window_lungs(own, population=name, ax=ax)
            without = 1.0 - float(
                (own["window_share"] + own["window_undetermined_share"]).sel(population=name)
            )
            ax.set_title(
                f"{words(name)}: {share_text(without)} of lungs without a window",
                fontsize=13,
                color=colour_of(name, names.index(name)),
            )
            ax.set_ylabel("")
        row[0].set_ylabel(f"{judged_by(rule)}\nT low [s]")
        row[len(block) - 1].annotate(
            f"common\nstart:\n{COMMON_RANGE[0]:g} to\n{COMMON_RANGE[1]:g} s",
            (1.02, float(np.sqrt(np.prod(COMMON_RANGE)))),
            xycoords=("axes fraction", "data"),
            va="center",
            color=INK,
            annotation_clip=False,
        )
    for ax in axes[:-1].flat:
        ax.set_xlabel("")
    add_caption(
        fig,
        "Each upright line is the window of one lung, or a piece of it: the T low that keep every "
        f"limit; grey: those of all populations. Ticks below: lungs without one{_unclear(result)}. "
        f"{result.sizes['sample']} lungs in each population.{_stood_in(result)}",
        result,
        rule="*",
    )
    details = "; ".join(
        f"{words(rule)}: "
        + ", ".join(
            f"{name} {said_share(result.sel(rule=rule, population=name), 'window_share')}"
            for name in result["population"].values.astype(str)
        )
        for rule in rules
    )
    yield (
        "one_picture",
        fig,
        "The window of T low of every lung against its expiratory time constant, with the common "
        f"starting range. Share of lungs that have a window. {details}.{_stood_in(result)}",
    )


def _unclear(result: xr.Dataset) -> str:
    """Return how many lungs could not be determined, which count as not served."""
    most = float(result["window_undetermined_share"].max())
    if not most > 0:
        return ""
    return (
        f" (up to {share_text(most)} of the lungs could not be determined and count as not served)"
    )


def _stood_in(result: xr.Dataset) -> str:
    """Return what was not solved, and how it fared, as sentences."""
    notes = [*surrogate_notes(result), window_notes(result)]
    said = "; ".join(note for note in notes if note)
    return f" Not solved: {said}." if said else ""


def _dashed(result: xr.Dataset) -> str:
    """Return what dashed lines are, where there are any."""
    return "; dashed: those of knowledge" if "served_share_knowledge" in result else ""


def _level(result: xr.Dataset) -> str:
    """Return the level of the intervals of the share served."""
    return f"{share_text(result['served_share_interval'].attrs['ci_level'])}"


def _window_along(result: xr.Dataset) -> Iterator[Page]:
    fig = Figure(figsize=(8.0, 5.0), layout="constrained")
    ax = plot_window_along(result.isel(population=0), ax=fig.subplots())
    # the common clock range is named on the right, clear of the bands
    middle = float(np.sqrt(COMMON_RANGE[0] * COMMON_RANGE[1]))
    top = float(result["time_constant_exp"].max())
    ax.annotate(
        f"common by the clock:\n{COMMON_RANGE[0]:g} to {COMMON_RANGE[1]:g} s",
        (top, middle),
        xytext=(6, 0),
        textcoords="offset points",
        va="center",
        color=INK,
        fontsize=9,
        annotation_clip=False,
    )
    for number, rule in enumerate(result["rule"].values.astype(str)):
        own = result.isel(population=0).sel(rule=rule)
        at = float(own["upper"].max() + own["lower"].max()) / 2
        if not np.isfinite(at):
            ax.plot([], [], color=colour_of(rule, number), label=f"{words(rule)}: no window")
            ax.legend(loc="upper left", frameon=False, fontsize=9)
            continue
        ax.annotate(
            f"{words(rule)}\n50 to 75 %",
            (top, at),
            xytext=(6, 0),
            textcoords="offset points",
            va="center",
            color=colour_of(rule, number),
            fontsize=10,
            annotation_clip=False,
        )
    add_caption(
        fig,
        "T low that keeps each rule, against the expiratory time constant "
        "(one lung, resistance varied). A range is kept whole only where both dashed lines "
        "lie inside a band.",
        result,
        rule="*",
    )
    yield (
        "windows_by_time_constant",
        fig,
        "Bands of T low that keep the flow-ratio rule and the exhaled-fraction rule against the "
        "expiratory time constant; they touch only where both are one half.",
    )
