"""Page of what to measure next."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import pairwise

import xarray as xr
from matplotlib.figure import Figure

from ebbmap.analyses.common.knowledge import said_share
from ebbmap.analyses.unknowns import CONCLUSIONS, leading, number_words
from ebbmap.plotting.pages.caption import Page, add_caption
from ebbmap.plotting.pages.layout import broken, text_size
from ebbmap.plotting.speaking import spoken
from ebbmap.plotting.style import colour_of, words
from ebbmap.plotting.unknowns import plot_unknowns

#: Width of the page, of the names of numbers, and height of a panel [inch]; numbers drawn in each,
#: and lines of text for which a row of such a panel has room.
WIDTH, NAMES, PANEL, DRAWN, LINES = 11.0, 4.6, 2.9, 5, 2


def pages(result: xr.Dataset) -> Iterator[Page]:
    """Draw, for each rule, the numbers that move each conclusion most."""
    names = result["population"].values.astype(str)
    for rule in result["rule"].values.astype(str):
        own = result.sel(rule=rule)
        size = text_size(WIDTH)
        places = [(row, name, one) for row, name in enumerate(names) for one in CONCLUSIONS]
        found = [own.sel(population=name, conclusion=one) for _, name, one in places]
        rows = [
            {n: broken(spoken(number_words(n)), size, NAMES) for n in leading(one)[:DRAWN]}
            for one in found
        ]
        heights = [PANEL * max(1.0, _crowding(labels.values()) / LINES) for labels in rows]
        fig = Figure(figsize=(WIDTH, sum(heights)), layout="constrained")
        axes = fig.subplots(len(places), 1, squeeze=False, sharex=True, height_ratios=heights)[:, 0]
        for ax, (row, name, conclusion), one, labels in zip(axes, places, found, rows, strict=True):
            plot_unknowns(one, labels=labels, colour=colour_of(name, row), ax=ax)
            ax.set_title(f"{words(name)}: {concluded(one, conclusion)}", loc="left")
            ax.set_xlabel("")
        axes[-1].set_xlabel("share of what knowledge leaves open")
        said = "; ".join(_first(own.sel(population=name)) for name in names)
        add_caption(
            fig,
            f"Rule: {words(rule)}. What to measure next: how much of what knowledge leaves open in "
            "each conclusion a number behind the population accounts for, two standard errors; "
            f"T low asked for: {result.attrs['t_low_asked']:g} s; {result.attrs['lungs']:,} lungs. "
            f"{said}.",
            result,
            rule=rule,
        )
        yield (
            f"measure_next_{rule}",
            fig,
            f"What to measure next under the {words(rule)} rule. {said}.",
        )


def _crowding(names: Iterable[str]) -> float:
    """Return the most lines of text that the names of two rows have, for each of the two."""
    lines = [name.count("\n") + 1 for name in names]
    return max((0.5 * (one + other) for one, other in pairwise(lines)), default=1.0)


def concluded(found: xr.Dataset, conclusion: str) -> str:
    """Return a conclusion in words, with the digits that the wider of its intervals bears."""
    asked = f"T low {found.attrs['t_low_asked']:g} s"
    best = f"the best T low, {float(found['best_t_low']):.2f} s"
    return {
        "safe_share": f"{said_share(found, 'safe_share')} safe at {asked}",
        "best_share": f"{said_share(found, 'best_share')} served by one T low",
        "best_t_low": best,
    }[conclusion]


def _first(own: xr.Dataset) -> str:
    """Return which number moves the share asked for most."""
    found = own.sel(conclusion="safe_share")
    name = str(found["population"].values)
    said = concluded(found, "safe_share")
    low, high = (100.0 * float(end) for end in found["safe_share_knowledge"])
    ends = f"{name}: {said} (knowledge {low:.0f} to {high:.0f})"
    top = leading(found)[:1]
    return f"{ends}, mostly for {number_words(top[0])}" if top else ends
