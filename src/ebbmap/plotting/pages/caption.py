"""What every page shares: text that can be read from the last row, its caption, the caution."""

from __future__ import annotations

import textwrap

import xarray as xr
from matplotlib.figure import Figure
from matplotlib.text import Text

from ebbmap.caution import CAUTION
from ebbmap.plotting.style import FAINT, INK

#: Name, figure, alternative text.
Page = tuple[str, Figure, str]

#: Least text size [pt] of a page shown at this width [inch]; larger pages get larger text.
LEAST_TEXT = 11.0
SHOWN_WIDTH = 9.0

#: Characters of one point size that fit in an inch, and lines of text in an inch by size.
CHARACTERS = 136.0
LINE_HEIGHT = 1.35 / 72.0


def add_caption(fig: Figure, text: str, result: xr.Dataset) -> None:
    """Write caption, doubts and caution below the panels, and make all text large enough."""
    size = legible(fig)
    width = int(fig.get_figwidth() * CHARACTERS / size)
    doubt = result.attrs.get("unconfirmed", "")
    lines = textwrap.wrap(f"{text} Lung model: {result.attrs['lung']}. Invented lungs.", width)
    if doubt:
        lines += textwrap.wrap(f"Centre and spread assumed or from memory: {doubt}.", width)
    lines += textwrap.wrap(CAUTION, width)
    height = fig.get_figheight()
    share = (LINE_HEIGHT * size * len(lines) + 0.15) / height
    engine = fig.get_layout_engine()
    if engine is not None:
        engine.set(rect=(0.0, share, 1.0, 1.0 - share))  # type: ignore[call-arg]
    fig.text(
        0.01, 0.06 / height, "\n".join(lines), fontsize=size, color=INK, va="bottom",
        linespacing=1.3,
    )  # fmt: skip
    fig.patch.set_facecolor("white")
    fig.patch.set_edgecolor(FAINT)


def legible(fig: Figure) -> float:
    """Raise all text of a page to the least size for its width; return that size [pt]."""
    size = LEAST_TEXT * max(fig.get_figwidth() / SHOWN_WIDTH, 1.0)
    for text in fig.findobj(Text):
        text.set_fontsize(max(text.get_fontsize(), size))
    for ax in fig.axes:
        ax.tick_params(labelsize=size)
    return size
