"""What every page shares: text that can be read from the last row, its caption, the caution."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

import xarray as xr
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.text import Text
from matplotlib.textpath import TextToPath

from ebbmap.caution import CAUTION
from ebbmap.plotting.style import FAINT, INK

#: Name, figure, alternative text.
Page = tuple[str, Figure, str]

#: Least text size [pt] of a page shown at this width [inch]; larger pages get larger text.
LEAST_TEXT = 11.0
SHOWN_WIDTH = 9.0

#: Points in an inch, and the inset of a caption as a share of the page's width.
POINTS_PER_INCH = 72.0
INSET = 0.01

#: Characters of one point size that mostly fit in an inch, and lines of text in an inch by size.
CHARACTERS = 138.0
LINE_HEIGHT = 1.35 / POINTS_PER_INCH


def add_caption(fig: Figure, text: str, result: xr.Dataset) -> None:
    """Write caption, doubts and caution below the panels, and make all text large enough."""
    size = legible(fig)
    doubt = result.attrs.get("unconfirmed", "")
    parts = [f"{text} Lung model: {result.attrs['lung']}. Invented lungs."]
    if doubt:
        parts.append(f"Centre and spread assumed or from memory: {doubt}.")
    lines = fitting_lines([*parts, CAUTION], size, (1.0 - 2 * INSET) * fig.get_figwidth())
    height = fig.get_figheight()
    share = (LINE_HEIGHT * size * len(lines) + 0.15) / height
    engine = fig.get_layout_engine()
    if engine is not None:
        engine.set(rect=(0.0, share, 1.0, 1.0 - share))  # type: ignore[call-arg]
    fig.text(
        INSET, 0.06 / height, "\n".join(lines), fontsize=size, color=INK, va="bottom",
        linespacing=1.3,
    )  # fmt: skip
    fig.patch.set_facecolor("white")
    fig.patch.set_edgecolor(FAINT)


def fitting_lines(parts: Sequence[str], size: float, width: float) -> list[str]:
    """Break texts of a size [pt] into lines that fit in a width [inch], one text after the other.

    Examples
    --------
    >>> fitting_lines(["wide words win"], 12.0, 1.0)
    ['wide words', 'win']
    """
    characters = max(int(width * CHARACTERS / size), 1)
    while True:
        lines = [line for part in parts for line in textwrap.wrap(part, characters)]
        widest = max(line_width(line, size) for line in lines)
        if widest <= width or characters == 1:
            return lines
        characters -= 1


def line_width(line: str, size: float) -> float:
    """Width of a line of text [inch]."""
    points, _, _ = TextToPath().get_text_width_height_descent(
        line, FontProperties(size=size), ismath=False
    )
    return points / POINTS_PER_INCH


def legible(fig: Figure) -> float:
    """Raise all text of a page to the least size for its width; return that size [pt]."""
    size = LEAST_TEXT * max(fig.get_figwidth() / SHOWN_WIDTH, 1.0)
    for text in fig.findobj(Text):
        text.set_fontsize(max(text.get_fontsize(), size))
    for ax in fig.axes:
        ax.tick_params(labelsize=size)
    return size
