"""What every page has: a name, a caption with its doubts, and the caution below."""

from __future__ import annotations

import textwrap

import xarray as xr
from matplotlib.figure import Figure

from ebbmap.caution import CAUTION
from ebbmap.parameters import PARAMETERS
from ebbmap.plotting.style import FAINT, INK, words

#: Name of the page, the figure, and the text for readers who cannot see it.
Page = tuple[str, Figure, str]

#: Outcomes whose drivers are worth a picture, besides each rule's margin.
DRIVEN = ("auto_peep", "release_volume_per_kg")


def caption(fig: Figure, text: str, result: xr.Dataset) -> None:
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


def shown_outcomes(outcome: xr.DataArray, *, margins_only: bool = False) -> list[str]:
    """Outcomes worth a picture: some of the lung's, and each rule's margin; else the first ones."""
    known = outcome.values.astype(str).tolist()
    margins = [name for name in known if name.startswith("margin_")]
    driven = [] if margins_only else [name for name in DRIVEN if name in known]
    return [*driven, *margins] or known[:3]


def driven_words(outcome: str) -> str:
    """Title of a panel: an outcome, or the margin under a rule."""
    if outcome.startswith("margin_"):
        return f"safety margin\n({words(outcome.removeprefix('margin_'))} rule)"
    return "\n".join(textwrap.wrap(words(outcome), 24))


def place_text(along: str, value: float) -> str:
    """Say a place of the axis in words."""
    return PARAMETERS[along].say(round(value, 4))
