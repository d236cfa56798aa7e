"""Pages laid out by the measured size of their texts: what is too wide is broken or thinned."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from functools import lru_cache
from itertools import accumulate, pairwise, takewhile
from typing import Any

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.legend import Legend
from matplotlib.text import Annotation, Text
from matplotlib.textpath import TextToPath
from matplotlib.ticker import AutoLocator, FixedLocator, MaxNLocator

from ebbmap.plotting.style import END, spread_labels

#: Least text size [pt] of a page shown at this width [inch]; larger pages get larger text.
LEAST_TEXT = 11.0
SHOWN_WIDTH = 9.0

#: Points in an inch, and lines of text in an inch by size [pt].
POINTS_PER_INCH = 72.0
LINE_HEIGHT = 1.35 / POINTS_PER_INCH

#: Share of the page's width that a legend may take; room beside a name in it [text sizes].
LEGEND_WIDTH, LEGEND_ROOM = 0.96, 5.2

#: Gap between two numbers on an axis, and height of a name beside it [text sizes].
TICK_GAP, NAME_HEIGHT = 0.6, 1.25

#: Times that a page is drawn, measured and mended; each mending moves what stands beside it.
PASSES = 4

#: Moves of a name below this share of its panel are none.
SAME = 1e-3

#: Characters of a text on an axis that is a number, and may be left out.
DIGITS = "0123456789.,−-% "

#: A word of a line, or a number with its sign of per cent.
_WORD = re.compile(r"\S*\d %\S*|\S+")

#: Columns of populations on a page; more begin a new row.
MOST_COLUMNS = 3


def text_size(width: float) -> float:
    """Return the least size of text [pt] on a page of a width [inch]."""
    return LEAST_TEXT * max(width / SHOWN_WIDTH, 1.0)


def in_rows(names: Sequence[str], most: int = MOST_COLUMNS) -> list[list[str]]:
    """Distribute names over rows as evenly as possible, none longer than `most`.

    Examples
    --------
    >>> in_rows(["a", "b", "c", "d"])
    [['a', 'b'], ['c', 'd']]
    """
    rows = -(-len(names) // most)
    long = -(-len(names) // rows)
    return [list(names[start : start + long]) for start in range(0, len(names), long)]


@lru_cache(maxsize=4096)
def line_width(line: str, size: float) -> float:
    """Return the width of a line of text [inch] of a size [pt]."""
    points, _, _ = TextToPath().get_text_width_height_descent(
        line, FontProperties(size=size), ismath=False
    )
    return points / POINTS_PER_INCH


def broken(text: str, size: float, width: float) -> str:
    r"""Break a text of a size [pt] into lines of at most a width [inch], never inside a word.

    A number and its sign of per cent are one word.

    Examples
    --------
    >>> broken("wide words win", 12.0, 1.0), broken("of lungs 12 %", 12.0, 0.95)
    ('wide words\nwin', 'of lungs\n12 %')
    """
    return "\n".join(
        line for part in text.split("\n") for line in _lines(part, size, width) or [""]
    )


def _lines(part: str, size: float, width: float) -> list[str]:
    """Fill lines with words as long as they fit."""
    lines: list[str] = []
    words = _WORD.findall(part)
    while words:
        count = _fitting(words, size, width)
        lines.append(" ".join(words[:count]))
        words = words[count:]
    return lines


def _fitting(words: list[str], size: float, width: float) -> int:
    """Return how many words fit on a line, one at least.

    Measuring costs more than all else of a caption, and words come again and again: a line is as
    wide as its words and the spaces between them, so no line is measured.
    """
    space = line_width("a a", size) - 2.0 * line_width("a", size)
    ends = accumulate(line_width(word, size) + space for word in words)
    return max(1, sum(1 for _ in takewhile(lambda end: end - space <= width, ends)))


def legend_above(
    fig: Figure, handles: Sequence[Any], labels: Sequence[str], title: str = ""
) -> Legend | None:
    """Add a legend above the panels in as many columns as fit, and make room for it.

    Parameters
    ----------
    fig : Figure
        The page, of its final width.
    handles, labels : sequence
        As for matplotlib.
    title : str
        What the legend names, if it needs to be said.
    """
    if not labels:
        return None
    size = text_size(fig.get_figwidth())
    widest = max(line_width(label, size) for label in labels) + LEGEND_ROOM * size / POINTS_PER_INCH
    columns = int(max(1, min(len(labels), LEGEND_WIDTH * fig.get_figwidth() // widest)))
    rows = -(-len(labels) // columns)
    # as many columns as these rows need, so that the last row is not almost empty
    columns = -(-len(labels) // rows)
    fig.set_figheight(fig.get_figheight() + (rows + bool(title)) * LINE_HEIGHT * size * 1.15)
    return fig.legend(
        handles,
        labels,
        loc="outside upper center",
        ncols=columns,
        frameon=False,
        fontsize=size,
        title=title or None,
        title_fontsize=size,
    )


def first_handles(axes: Iterable[Axes]) -> tuple[list[Artist], list[str]]:
    """Return the legend entries of the panel that has most, in its order."""
    return max((ax.get_legend_handles_labels() for ax in axes), key=lambda found: len(found[1]))


def settle(fig: Figure) -> None:
    """Break titles and axis names, thin numbers and spread names until nothing is too wide."""
    for _ in range(PASSES):
        fig.draw_without_rendering()
        shown = [ax for ax in fig.axes if ax.axison and ax.get_visible()]
        # every mending is tried before the page is drawn anew
        if not any([_mend(ax, shown) for ax in shown]):
            break


def _mend(ax: Axes, shown: list[Axes]) -> bool:
    """Mend the texts of one panel; return whether anything changed."""
    dpi = ax.figure.dpi
    box = ax.get_window_extent()
    width, height = box.width / dpi, box.height / dpi
    room = width if _has_neighbour(ax, shown) else (ax.figure.canvas.figure.bbox.x1 - box.x0) / dpi
    changed = [
        _break(title, room if title.get_horizontalalignment() == "left" else width)
        for title in ax.get_children()
        if isinstance(title, Text) and title not in ax.texts and title.get_text()
    ]
    changed += [_break(ax.xaxis.label, width), _break(ax.yaxis.label, height)]
    changed += [_thin(ax.xaxis, width), _thin(ax.yaxis, height, upright=True)]
    changed.append(_spread(ax, box.height))
    return any(changed)


def _has_neighbour(ax: Axes, shown: list[Axes]) -> bool:
    """Return whether another panel stands to the right of one, in its row."""
    box = ax.get_window_extent()
    others = (other.get_window_extent() for other in shown if other is not ax)
    return any(
        min(box.y1, other.y1) > max(box.y0, other.y0) and other.x0 > box.x1 for other in others
    )


def _break(text: Text, room: float) -> bool:
    """Break a text into lines that fit in a room [inch]; those that fit stay as they are."""
    said, size = text.get_text(), float(text.get_fontsize())
    if all(line_width(line, size) <= room for line in said.split("\n")):
        return False
    text.set_text(broken(said, size, room))
    return text.get_text() != said


def _thin(axis: Axis, room: float, *, upright: bool = False) -> bool:
    """Leave out numbers of an axis that would touch each other; return whether any did.

    Parameters
    ----------
    axis : Axis
        The axis.
    room : float
        Its length [inch].
    upright : bool
        Whether its numbers stand above each other.
    """
    numbers = _shown_numbers(axis)
    if len(numbers) < 2:
        return False
    boxes = [number.get_window_extent() for number in numbers]
    ends = sorted((box.y0, box.y1) if upright else (box.x0, box.x1) for box in boxes)
    dpi = axis.axes.figure.dpi
    size = float(numbers[0].get_fontsize()) / POINTS_PER_INCH * dpi
    gap = 0.0 if upright else TICK_GAP * size
    if all(right[0] - left[1] >= gap for left, right in pairwise(ends)):
        return False
    widest = max(end - start for start, end in ends) + gap
    return _fewer_ticks(axis, max(1, min(int(room * dpi / widest), len(numbers) - 1)))


def _shown_numbers(axis: Axis) -> list[Text]:
    """Return the texts of an axis' ticks that are seen."""
    low, high = sorted(axis.get_view_interval())
    ticks = [tick for tick in axis.get_major_ticks() if low <= tick.get_loc() <= high]
    labels = [tick.label1 for tick in ticks]
    return [label for label in labels if label.get_visible() and label.get_text()]


def _fewer_ticks(axis: Axis, fitting: int) -> bool:
    """Limit the ticks of an axis to a number, or to every other one; return whether it could."""
    locator, ticks = axis.get_major_locator(), axis.get_major_ticks()
    if isinstance(locator, (AutoLocator, MaxNLocator)):
        axis.set_major_locator(MaxNLocator(nbins=fitting, steps=[1, 2, 5, 10]))
        return True
    if not isinstance(locator, FixedLocator) or ticks[0].label1.get_rotation():
        return False
    places, texts = [tick.get_loc() for tick in ticks], [tick.label1.get_text() for tick in ticks]
    if not all(text and set(text) <= set(DIGITS) for text in texts):
        return False
    axis.set_ticks(places[::2], texts[::2])
    return True


def _spread(ax: Axes, height: float) -> bool:
    """Set the names beside the right edge apart by their measured heights."""
    names = [text for text in ax.texts if isinstance(text, Annotation) and text.get_gid() == END]
    if not names:
        return False
    dpi = ax.figure.dpi
    heights = [Text.get_window_extent(name).height for name in names]
    gap = max(heights) + 0.1 * float(names[0].get_fontsize()) * dpi / POINTS_PER_INCH
    bottom = ax.get_window_extent().y0
    ends = [ax.transData.transform((1.0, _line_end(name)))[1] - bottom for name in names]
    placed = np.array(spread_labels(ends, gap))
    # the whole column of names is kept beside its panel
    placed += max(0.0, heights[0] / 2 - placed.min())
    placed -= max(0.0, min(placed.max() - height, placed.min()))
    shares = placed / height
    return any([_move(name, float(share)) for name, share in zip(names, shares, strict=True)])


def _move(name: Annotation, share: float) -> bool:
    """Set a name at a height [share of its axes]; return whether it stood elsewhere."""
    if name.arrow_patch is None:
        moved = name.xycoords != "axes fraction" or abs(share - name.xy[1]) > SAME
        name.xy, name.xycoords = (1.0, share), "axes fraction"
    else:
        moved = name.anncoords != "axes fraction" or abs(share - name.xyann[1]) > SAME
        name.xyann, name.anncoords = (name.xyann[0], share), "axes fraction"
    return moved


def _line_end(name: Annotation) -> float:
    """Return the height at which the line of a name ends [data]."""
    return float(getattr(name, "height", name.xy[1]))
