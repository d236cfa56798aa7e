"""Pages of collapse and reopening."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import xarray as xr
from matplotlib.artist import Artist
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from ebbmap.digits import percent, share_text
from ebbmap.plotting.collapse import (
    AT_ONCE,
    NOT_DELAYED,
    NOTHING,
    SHOWN,
    mark_changes,
    plot_collapse_closing,
    plot_collapse_left_open,
    plot_collapse_open,
    plot_collapse_pressures,
    plot_collapse_volume,
)
from ebbmap.plotting.colours import CLOSING, OPENING
from ebbmap.plotting.compare import AIRWAY
from ebbmap.plotting.pages.caption import Page, add_caption
from ebbmap.plotting.style import FAINT, INK, colour_of, words
from ebbmap.registries.limits import RULES
from ebbmap.registries.parameters import PARAMETERS

#: What is known of the times, in the registry's words.
ROUGH = (
    "That lung closes in a release and opens again is published (Crotti et al., Neumann et al.); "
    f"the time constants are rough ({PARAMETERS['closing_time_constant'].source}) and how much of "
    "the lung takes part is invented."
)

#: Least span of the axis of the open fraction.
LEAST_SPAN = 0.05


def pages(result: xr.Dataset) -> Iterator[Page]:
    """Draw one cycle of each lung for some release times, and all lungs along T low."""
    for number, name in enumerate(result["population"].values.astype(str)):
        yield _cycle_page(result.sel(population=name), name, colour_of(name, number), result)
    yield _along_page(result)


def _cycle_page(own: xr.Dataset, name: str, colour: str, result: xr.Dataset) -> Page:
    """Draw a column for each release time."""
    releases = own["release"].values
    fig = Figure(figsize=(4.6 * max(len(releases), 2), 9.4), layout="constrained")
    axes = fig.subplots(
        3, len(releases), squeeze=False, sharex=True, sharey="row", height_ratios=(1.4, 1.1, 0.9)
    )
    fig.suptitle(f"{words(name)} lung", color=colour, weight="bold")
    for column, t_low in enumerate(releases):
        here = own.sel(release=t_low, t_low=t_low)
        plot_collapse_pressures(here, colour=colour, ax=axes[0, column])
        plot_collapse_open(here, colour=colour, ax=axes[1, column])
        plot_collapse_volume(here, colour=colour, ax=axes[2, column])
        axes[0, column].set_title(
            f"T low {t_low:g} s\nstops at {share_text(float(here['flow_ratio']))} of peak flow",
            color=colour,
            fontsize=16,
        )
        for ax in axes[:2, column]:
            ax.set_xlabel("")
        for ax in axes[:, column] if column else ():
            ax.set_ylabel("")
    axes[0, 0].set_xlim(float(own["time"].min()), float(releases.max()) + SHOWN)
    lowest, highest = _span(own)
    room = 0.22 * (highest - lowest)
    axes[1, 0].set_ylim(lowest - room, highest + room)
    for column, t_low in enumerate(releases):
        mark_changes(axes[1, column], own.sel(release=t_low, t_low=t_low))
    _name_lines(axes[:, -1], own.sel(release=releases[-1]), colour)
    add_caption(
        fig,
        f"One settled cycle of the {words(name)} lung for each release time (shaded). "
        "Bands: pressures at which units close and open, mode and one "
        "standard deviation. Dashed: what would stay open if units closed at once. Percentages: "
        "shares of all units; some still close as T high begins, and count as reopened with the "
        "rest. "
        f"{ROUGH} N = 1 lung.",
        result,
    )
    details = "; ".join(_result_text(own.sel(release=t, t_low=t)) for t in releases)
    return (
        f"{name}_cycle",
        fig,
        f"Pressure, open fraction and volume of the {name} lung over one cycle, a column for each "
        f"release time. {details}.",
    )


def _along_page(result: xr.Dataset) -> Page:
    """Draw a column for each lung: what closes per release, and what is open before and after."""
    names = result["population"].values.astype(str)
    fig = Figure(figsize=(max(5.8 * len(names), 8.0), 8.0), layout="constrained")
    axes = fig.subplots(2, len(names), squeeze=False, sharex=True, sharey="row")
    for column, name in enumerate(names):
        own, colour = result.sel(population=name), colour_of(name, column)
        plot_collapse_closing(own, colour=colour, ax=axes[0, column])
        plot_collapse_left_open(own, colour=colour, ax=axes[1, column])
        axes[0, column].set_xlabel("")
        axes[0, column].set_title(
            f"{words(name)} lung\ncloses around {float(own['closing_pressure']):.0f} cmH₂O, "
            f"time constant {float(own['closing_time_constant']):.1f} s",
            color=colour,
            fontsize=14,
        )
        for ax in axes[:, column] if column else ():
            ax.set_ylabel("")
    most = float(result["closed_by_pressure"].max())
    if most > NOTHING:
        axes[0, 0].set_ylim(0.0, 1.7 * most)
        least = float(result["open_fraction_end_release"].min())
        axes[1, 0].set_ylim(least - 0.1 * most, least + 1.25 * most)
    add_caption(
        fig,
        "Settled cycles along T low. Shaded: T low that keeps each rule (50 to 75 %), and what "
        "closes at the longest of them. Dashed: what would have closed if "
        "units closed at once at the pressure of the moment. Dotted line: time constant of "
        f"closing. {ROUGH} N = 1 lung each.",
        result,
        legend=_named_along(),
    )
    details = ". ".join(_rules_text(result.sel(population=name), name) for name in names)
    return (
        "closing_by_t_low",
        fig,
        "What closes per release rises with T low, later than the pressure alone would have it. "
        f"{details}.",
    )


def _span(own: xr.Dataset) -> tuple[float, float]:
    """Lowest and highest open fraction that a page shows; some room where nothing moves."""
    both = own["open_fraction"], own["pressure_alone"]
    values = np.concatenate([array.values.reshape(-1) for array in both])
    known = values[np.isfinite(values)]
    lowest, highest = (known.min(), known.max()) if known.size else (0.0, 1.0)
    return min(lowest, highest - LEAST_SPAN), highest


def _name_lines(axes: np.ndarray, own: xr.Dataset, colour: str) -> None:
    """Name curves and bands once, in the last column."""
    top, fraction, _ = axes
    right = top.get_xlim()[1]
    high = float(own["airway_pressure"].max())
    if not np.isfinite(high):
        return
    top.set_ylim(-0.08 * high, 1.22 * high)
    for name, text, shade, side in (
        ("closing", "units close ", CLOSING, "top"),
        ("opening", "units open ", OPENING, "bottom"),
    ):
        edge = float(own[f"{name}_pressure"] - own[f"{name}_spread"])
        top.text(right, edge, text, ha="right", va=side, color=shade)
    top.text(right, 1.02 * high, "airway ", ha="right", va="bottom", color=AIRWAY)
    when = 0.35 * float(own["release"])
    at = float(np.interp(when, own["time"], own["alveolar_pressure"]))
    top.annotate(
        "alveolar", (when, at), xytext=(6, 4), textcoords="offset points", va="bottom", color=colour
    )
    fraction.text(
        0.98,
        0.04,
        "if units closed at once",
        transform=fraction.transAxes,
        ha="right",
        va="bottom",
        color=CLOSING,
    )


def _named_along() -> tuple[list[Artist], list[str], str]:
    """Return the legend of the curves and rules, the same in every column."""
    named: list[tuple[Artist, str]] = [
        (Line2D([], [], **AT_ONCE), NOT_DELAYED),
        (Line2D([], [], color=INK, lw=2.6), "closes; open when the release ends"),
        (Line2D([], [], color=FAINT, lw=2.0), "open before the release"),
        *(
            (Patch(color=colour_of(rule, 0), alpha=0.3), f"{words(rule)} rule kept")
            for rule in RULES
        ),
    ]
    return [artist for artist, _ in named], [text for _, text in named], ""


def _result_text(here: xr.Dataset) -> str:
    closed = float(here["closed_per_release"])
    start = f"With T low {float(here['release']):g} s"
    if not np.isfinite(closed):
        return f"{start} the cycle could not be solved"
    if closed < NOTHING:
        return (
            f"{start} nothing closes: {float(here['end_release_pressure']):.0f} cmH2O are left in "
            "the lung when the release stops"
        )
    return (
        f"{start} {percent(closed, 1)} % of the units close, where "
        f"{percent(float(here['closed_by_pressure']), 1)} % "
        f"would if they closed at once, and {percent(float(here['reopened']), 1)} % reopen"
    )


def _rules_text(own: xr.Dataset, name: str) -> str:
    """Return how much has closed where each rule would stop the release at the latest."""
    parts = [
        f"{percent(float(own['rule_closed'].sel(rule=rule, end='last')), 1)} % at the longest "
        "release that "
        f"the {words(rule)} rule allows ({float(end):.2f} s)"
        for rule in RULES
        if np.isfinite(end := own["rule_t_low"].sel(rule=rule, end="last"))
    ]
    return f"In the {name} lung " + (
        " and ".join(parts) + " closes" if parts else "no rule is kept"
    )
