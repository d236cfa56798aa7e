"""Slides: one panel each, 16:9, text of 24 points, the finding above, a short line below."""

from __future__ import annotations

from collections.abc import Iterator

import xarray as xr
from matplotlib.axes import Axes
from matplotlib.collections import QuadMesh
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.text import Text

from ebbmap.caution import CAUTION
from ebbmap.plotting.headlines import headline
from ebbmap.plotting.languages import ENGLISH
from ebbmap.plotting.pages.caption import Page, conditions, limits_text, made_from, rules_of
from ebbmap.plotting.pages.layout import LINE_HEIGHT, broken, settle
from ebbmap.plotting.sentences import own_names
from ebbmap.plotting.speaking import between, paragraph, speak, speaking, spoken
from ebbmap.plotting.style import END, FAINT, INK, SHARE_MAP, Look, add_share_scale, words
from ebbmap.plotting.views import VIEWS, plot

#: Size of a slide [inch]; of all text of its panel and its headline, and of the foot [pt].
SIZE = (13.333, 7.5)
TEXT, HEAD, FOOT = 24.0, 30.0, 14.0

#: Margin beside texts [inch], and how much thicker lines are than on paper.
MARGIN, THICKER = 0.45, 1.6

#: Letters of a row's name from which on rows are as small as the foot.
LONG_ROW = 40

#: Most names of a legend; more would hide what they name.
MOST_NAMES = 6


def slides_of(kind: str, result: xr.Dataset, language: str = ENGLISH) -> Iterator[Page]:
    """Draw a result as slides, one for each population and rule that cannot share a panel.

    Parameters
    ----------
    kind : str
        Name of the analysis.
    result : xarray.Dataset
        What it gave.
    language : str
        Code of a catalogue.

    Yields
    ------
    (str, Figure, str)
        Name, figure, and the long text that lies beside it: what is shown, under which
        conditions and limits, and the caution.
    """
    view = VIEWS[kind]
    for choice in _choices(result, view.dims(result)):
        one = result
        for dim, entry in choice.items():
            one = one.sel({dim: entry})
        name = "_".join(["slide", kind, *map(str, choice.values())])
        fig = Figure(figsize=SIZE, layout="constrained")
        ax = fig.add_subplot()
        with speaking(language, own_names(result)):
            plot(kind, result, ax=ax, **choice)
            _name(ax, view.shades(one))
            said = spoken(headline(kind, one))
            _lay_out(fig, said, _foot(result, choice))
            text = _told(said, result, choice)
        yield name.replace(" ", "_"), fig, text


def _choices(result: xr.Dataset, dims: tuple[str, ...]) -> list[dict[str, object]]:
    """Return which entries stand on a slide of their own: populations and rules, else the first."""
    choices: list[dict[str, object]] = [{}]
    for dim in ("population", "case", "rule"):
        if dim in dims and dim in result.dims:
            choices = [{**choice, dim: name} for choice in choices for name in result[dim].values]
    return choices


def _name(ax: Axes, label: str) -> None:
    """Name what is drawn, unless names stand beside it: lines in a legend, shades on a scale."""
    handles, labels = ax.get_legend_handles_labels()
    beside = any(text.get_gid() == END for text in ax.texts)
    if labels and not beside and ax.get_legend() is None and len(labels) <= MOST_NAMES:
        ax.legend(handles, [words(label) for label in labels], frameon=False)
    for shades in ax.collections:
        if isinstance(shades, QuadMesh) and shades.get_cmap() is SHARE_MAP:
            add_share_scale(ax, label)


def _foot(result: xr.Dataset, choice: dict[str, object]) -> str:
    """Return the short line below: how many lungs, by which limits, and the caution."""
    lungs = result.attrs.get("lungs")
    parts = [f"N = {lungs:,} lungs"] if lungs else []
    rule = str(choice.get("rule", ""))
    limits = rules_of(result)
    if rule in limits or len(limits) == 1:
        text = limits.get(rule) or next(iter(limits.values()))
        # what only asks for a second look stands in the long text
        text = ", ".join(part for part in text.split(", ") if not part.endswith("(caution)"))
        parts.append(f"limits: {text}")
    return "\n".join([". ".join(map(spoken, parts)), spoken(CAUTION)]).strip()


def _lay_out(fig: Figure, head: str, foot: str) -> None:
    wide, high = SIZE
    room = wide - 2 * MARGIN
    speak(fig)
    long = [ax for ax in fig.axes if _has_long_rows(ax)]
    for ax in long:
        _break_at_words(ax)
    for text in fig.findobj(Text):
        text.set_fontsize(TEXT)
    for ax in fig.axes:
        ax.tick_params(labelsize=TEXT, width=THICKER, length=7, pad=10)
        if ax in long:
            ax.tick_params("y", labelsize=FOOT)
        for line in ax.get_lines():
            _thicken(line)
        for spine in ax.spines.values():
            spine.set_linewidth(THICKER)
    above, below = broken(head, HEAD, room), broken(foot, FOOT, room)
    top = LINE_HEIGHT * HEAD * len(above.split("\n")) + MARGIN
    bottom = LINE_HEIGHT * FOOT * len(below.split("\n")) + MARGIN / 2
    engine = fig.get_layout_engine()
    if engine is not None:
        rect = (0.02, bottom / high, 0.96, 1.0 - (top + bottom) / high)
        engine.set(rect=rect)  # type: ignore[call-arg]
    look: Look = {"ha": "left", "linespacing": 1.25}
    fig.text(MARGIN / wide, 1.0 - MARGIN / high, above, size=HEAD, color=INK, va="top", **look)
    fig.text(MARGIN / wide, MARGIN / 4 / high, below, size=FOOT, color=FAINT, va="bottom", **look)
    fig.patch.set_facecolor("white")
    settle(fig)


def _has_long_rows(ax: Axes) -> bool:
    """Return whether what names the rows of a panel would take its whole width."""
    return max((len(text.get_text()) for text in ax.get_yticklabels()), default=0) > LONG_ROW


def _break_at_words(ax: Axes) -> None:
    """Put each limit of a row on a line of its own."""
    rows = [" ".join(text.get_text().split()) for text in ax.get_yticklabels()]
    ax.set_yticks(ax.get_yticks(), [row.replace(between(), f"{between()[:-1]}\n") for row in rows])


def _thicken(line: Line2D) -> None:
    line.set_linewidth(THICKER * line.get_linewidth())
    line.set_markersize(THICKER * line.get_markersize())


def _told(head: str, result: xr.Dataset, choice: dict[str, object]) -> str:
    """Return the long text beside a slide."""
    rule = str(choice.get("rule", "*"))
    method = [*conditions(result), limits_text(result, rule), *made_from(result)]
    parts = [
        head if head.endswith(".") else f"{head}.",
        paragraph(" ".join(part for part in method if part)),
        spoken(CAUTION),
    ]
    return " ".join(part for part in parts if part)
