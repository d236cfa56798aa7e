"""Counting what a draft does to the lungs of every group, in pieces.

Sizes: n lungs, m settings.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import xarray as xr

from ebbmap.cases.pieces import Pieces, Progress, listed
from ebbmap.committee.lungs import VERDICT, Drawn, corners, count, draw_lungs, unit_settings
from ebbmap.committee.protocol import Group, Protocol
from ebbmap.kernels.each_bound import EachBound
from ebbmap.kernels.tally import Tally
from ebbmap.kernels.tally import join as join_tallies

#: Cases of a piece of the counting: some seconds of the linear lung.
PIECE = 2**23


@dataclass(frozen=True)
class GroupCount:
    """One group's lungs and what the draft did to them.

    Parameters
    ----------
    group : Group
        The group.
    drawn : Drawn
        Its lungs that get the mode.
    inside, corner : Tally or None
        Counts over the settings drawn from the ranges, and over the corners of the ranges; None
        where fewer than two lungs get the mode.
    """

    group: Group
    drawn: Drawn
    inside: Tally | None
    corner: Tally | None


def cases_of(protocol: Protocol) -> int:
    """Return how many combinations of lung and setting the counting looks at, corners left out."""
    settings = protocol.settings_drawn if protocol.draft.free else 1
    return len(protocol.groups) * protocol.lungs * settings


def count_groups(
    protocol: Protocol, progress: Callable[[int], None] | None = None
) -> list[GroupCount]:
    """Try the draft on every group.

    Parameters
    ----------
    protocol : Protocol
        The protocol.
    progress : callable, optional
        Called with the number of cases just finished.

    Returns
    -------
    list of GroupCount
        In the order of the file. All groups meet the same settings.
    """
    return count_pieces(protocol).whole(progress)


def count_pieces(protocol: Protocol, piece: int = PIECE) -> Pieces[list[GroupCount]]:
    """Cut the counting into some lungs of one group.

    Parameters
    ----------
    protocol : Protocol
        The protocol.
    piece : int
        Cases of a piece, at least one lung at all settings. It changes no number.
    """
    draft, lungs = protocol.draft, protocol.lungs
    settings = protocol.settings_drawn if draft.free else 1
    height = max(1, piece // settings)
    starts = range(0, lungs, height)

    @lru_cache(maxsize=1)
    def drawn_of(number: int) -> Drawn:
        return draw_lungs(protocol, protocol.groups[number], lungs, VERDICT)

    @lru_cache(maxsize=1)
    def places() -> tuple[np.ndarray, np.ndarray]:
        return unit_settings(protocol, draft, protocol.settings_drawn, "", VERDICT), corners(draft)

    def solve(number: int, progress: Progress) -> xr.Dataset:
        drawn = drawn_of(number // len(starts))
        start = starts[number % len(starts)]
        part = drawn.part(slice(start, start + height))
        # fewer lungs get the mode than were drawn, so the last pieces may have none
        if drawn.size < 2 or not part.size:
            return xr.Dataset()
        inside, edges = places()
        found = count(protocol, draft, part, inside, progress, each=True)
        return _as_dataset(found, "inside").merge(
            _as_dataset(count(protocol, draft, part, edges, each=True), "corner")
        )

    def join(found: list[xr.Dataset]) -> list[GroupCount]:
        counted = []
        for number, group in enumerate(protocol.groups):
            own = found[number * len(starts) : (number + 1) * len(starts)]
            parts = [one for one in own if one.data_vars]
            sides = [
                join_tallies([_as_tally(one, side) for one in parts]) if parts else None
                for side in ("inside", "corner")
            ]
            counted.append(GroupCount(group, drawn_of(number), *sides))
        return counted

    return listed(len(protocol.groups) * len(starts), solve, join)


#: Dimensions of what is kept of a piece.
_TALLY_DIMS = {
    "by_lung": ("verdict", "lung"),
    "by_setting": ("verdict", "{}_setting"),
    "shortfall": ("bound", "shortfall_bin"),
    "worst": ("lung",),
    "worst_setting": ("lung",),
    "unsteady": ("lung",),
}


_EACH_DIMS = {
    "broken": ("bound", "lung"),
    "alone": ("bound",),
    "beyond": ("bound", "each_bin"),
    "least": ("bound", "lung"),
    "harmless": ("lung",),
}


def _as_dataset(counted: Tally, side: str) -> xr.Dataset:
    data = {
        f"{side}_{name}": ([dim.format(side) for dim in dims], getattr(counted, name))
        for name, dims in _TALLY_DIMS.items()
    }
    if counted.each is not None:
        data |= {
            f"{side}_each_{name}": (list(dims), getattr(counted.each, name))
            for name, dims in _EACH_DIMS.items()
        }
    return xr.Dataset(data)


def _as_tally(piece: xr.Dataset, side: str) -> Tally:
    each = None
    if f"{side}_each_broken" in piece:
        each = EachBound(*(piece[f"{side}_each_{name}"].values for name in _EACH_DIMS))
    kept = {name: piece[f"{side}_{name}"].values for name in _TALLY_DIMS}
    return Tally(**kept, each=each)
