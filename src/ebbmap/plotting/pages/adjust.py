"""Pages of single steps: what each does, and which does most for CO2."""

from __future__ import annotations

from collections.abc import Iterator
from textwrap import fill

import numpy as np
import xarray as xr
from matplotlib.figure import Figure

from ebbmap.digits import percent
from ebbmap.plotting.adjust import plot_adjust, plot_adjust_margins, plot_adjust_practice
from ebbmap.plotting.pages.caption import Page, add_caption
from ebbmap.plotting.pages.layout import LINE_HEIGHT, broken, text_size
from ebbmap.plotting.speaking import spoken
from ebbmap.plotting.style import colour_of, judged_by, words

#: What is drawn: variable, heading, decimals, factor on the numbers.
COLUMNS = (
    ("change_paco2", "PaCO₂\n[mmHg]", 1, 1.0),
    ("change_pao2", "PaO₂\n[mmHg]", 1, 1.0),
    ("change_mean_airway_pressure", "mean Paw\n[cmH₂O]", 1, 1.0),
    ("change_auto_peep", "auto-PEEP\n[cmH₂O]", 1, 1.0),
    ("change_closed_fraction", "closed\nlung [%]", 1, 100.0),
)


def pages(result: xr.Dataset) -> Iterator[Page]:
    """Draw a page for each population: a row for each step, a column for each outcome."""
    for number, name in enumerate(result["population"].values.astype(str)):
        yield _one_page(result, name, colour_of(name, number))
    if np.isfinite(result["against_share"]).any():
        yield _practice_page(result)


def _practice_page(result: xr.Dataset) -> Page:
    """Draw the shares of lungs that go against common practice."""
    fig = Figure(figsize=(11.0, 6.2), layout="constrained")
    ax = plot_adjust_practice(result, ax=fig.subplots())
    names = [words(name) for name in result["population"].values.astype(str)]
    room = 0.55 * fig.get_figwidth() / len(names)
    size = text_size(fig.get_figwidth())
    ax.set_xticks(range(len(names)), [broken(spoken(name), size, room) for name in names])
    ax.set_title("share of lungs in which one step goes against common practice", fontsize=14)
    add_caption(
        fig,
        f"One step ({result.attrs['steps']}) from what is held. N = "
        f"{result.attrs['lungs']:,} lungs of each population. Steady state: a step that holds CO₂ "
        "back takes room from oxygen in the alveoli.",
        result,
    )
    against = [
        f"“{practice}”: {_list(own)}"
        for practice, own in ((str(p), result.sel(practice=p)) for p in result["practice"].values)
        if bool((own["against_share"] > 0).any())
    ]
    return (
        "practice",
        fig,
        "How often one step goes against common practice. "
        + ("Against " + "; against ".join(against) if against else "Nothing goes against it")
        + ".",
    )


def _list(own: xr.Dataset) -> str:
    return ", ".join(
        f"{percent(float(share), 1)} % of {name} lungs"
        for name, share in zip(own["population"].values, own["against_share"], strict=True)
        if float(share) > 0
    )


def _one_page(result: xr.Dataset, name: str, colour: str) -> Page:
    own = result.sel(population=name)
    single = own.isel(move=np.flatnonzero(own["size"].values == 1))
    columns = [column for column in COLUMNS if column[0] in own]
    rules = [str(rule) for rule in own["rule"].values] if "rule" in own.dims else []
    fig = Figure(figsize=(12.6, 7.0), layout="constrained")
    widths = (len(columns), max(len(rules), 1))
    left, right = fig.subplots(1, 2, width_ratios=widths)
    plot_adjust(single, columns=columns, ax=left)
    left.set_title("change with one step", fontsize=15)
    right.axis("off" if not len(rules) else "on")
    if len(rules):
        headings = [fill(spoken(words(rule)), 9, break_long_words=False) for rule in rules]
        plot_adjust_margins(single, headings=headings, ax=right)
        right.set_title("margin after it", fontsize=15)
        right.set_yticklabels([])
    now = own.isel(move=0)
    shown = (
        f"PaCO₂ {float(now['paco2']):.0f} mmHg, PaO₂ {float(now['pao2']):.0f} mmHg, "
        f"auto-PEEP {float(now['auto_peep']):.1f} cmH₂O"
    )
    best = [
        f"Most for CO₂ inside the limits, {judged_by(rule)}: "
        f"{own['best_single'].sel(rule=rule).values}; "
        f"of pairs: {own['best_pair'].sel(rule=rule).values}"
        for rule in rules
    ]
    head = "\n".join(map(spoken, (f"{words(name)} lung now: {shown}", *best)))
    size = max(15.0, text_size(fig.get_figwidth()))
    said = broken(head, size, 0.96 * fig.get_figwidth())
    fig.set_figheight(fig.get_figheight() + LINE_HEIGHT * size * len(said.split("\n")))
    fig.suptitle(said, x=0.01, ha="left", fontsize=size, color=colour)
    add_caption(
        fig,
        "Change of each outcome with one step from what is held, and the safety margin after it "
        "(least distance to a hard limit over its width). ✕ on grey: a hard limit is broken after "
        "the step; –: not possible. Blue falls, orange rises. Steady state. The middle lung of "
        "the population; N = 1.",
        result,
        rule="*" if rules else "",
    )
    return (
        f"{name}_steps",
        fig,
        f"What one step of each setting changes in the {name} lung. Now: {shown}. "
        + ". ".join(best)
        + ".",
    )
