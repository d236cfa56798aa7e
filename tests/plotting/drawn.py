"""What a figure really draws: every text, where it stands, and what it stands on."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text
from matplotlib.transforms import Bbox

#: The box of a line keeps room for the tallest letters and the lowest tails, most of which is
#: empty: two boxes may share this much [pixels of 1/100 inch], and a box may stand out by it.
SLACK = 2.0


@dataclass(frozen=True)
class Drawn:
    """One text as it is drawn.

    Parameters
    ----------
    text : Text
        The artist.
    box : Bbox
        Its extent [pixels].
    axes : Axes or None
        Where it belongs to; None for the figure and its legends.
    """

    text: Text
    box: Bbox
    axes: Axes | None

    @property
    def words(self) -> str:
        """What it says, in one line."""
        return " ".join(self.text.get_text().split())


def texts_of(figure: Figure) -> list[Drawn]:
    """Lay a figure out and return every text that the renderer is asked for; no pixel is made."""
    canvas = FigureCanvasAgg(figure)
    seen: dict[int, Text] = {}
    whole = Text.draw

    def note(self, renderer):
        if self.get_visible() and self.get_text().strip():
            seen[id(self)] = self
        whole(self, renderer)

    Text.draw = note
    try:
        figure.draw_without_rendering()
    finally:
        Text.draw = whole
    renderer = canvas.get_renderer()
    owners = {id(text): ax for ax in figure.axes for text in ax.findobj(Text)}
    return [
        Drawn(text, Text.get_window_extent(text, renderer), owners.get(key))
        for key, text in seen.items()
    ]


def layout_problems(figure: Figure) -> list[str]:
    """Say which texts overlap, leave the figure, or stand on axes that are not theirs."""
    drawn = texts_of(figure)
    page = figure.bbox
    problems = [
        f"off the page: {one.words!r}"
        for one in drawn
        if one.box.x0 < page.x0 - SLACK
        or one.box.x1 > page.x1 + SLACK
        or one.box.y0 < page.y0 - SLACK
        or one.box.y1 > page.y1 + SLACK
    ]
    for one, other in combinations(drawn, 2):
        if _overlap(one.box, other.box):
            problems.append(f"overlap: {one.words!r} and {other.words!r}")
    for ax in figure.axes:
        if not ax.get_visible() or not ax.axison:
            continue
        for one in drawn:
            if one.axes is not ax and _overlap(one.box, ax.get_window_extent()):
                problems.append(f"on other axes: {one.words!r}")
    return problems


def _overlap(one: Bbox, other: Bbox) -> bool:
    wide = min(one.x1, other.x1) - max(one.x0, other.x0)
    high = min(one.y1, other.y1) - max(one.y0, other.y0)
    return wide > SLACK and high > SLACK
