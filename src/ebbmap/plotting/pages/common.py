"""What every page has: a name, a caption with its doubts, and the caution below."""

from __future__ import annotations

import xarray as xr

from ebbmap.plotting.style import words
from ebbmap.registries.parameters import PARAMETERS

#: Outcomes whose drivers are worth a picture, besides each rule's margin.
DRIVEN = ("auto_peep", "release_volume_per_kg")


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
    return words(outcome)


def place_text(along: str, value: float) -> str:
    """Say a place of the axis in words."""
    return PARAMETERS[along].say(round(value, 4))
