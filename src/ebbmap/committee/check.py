"""The whole check of a protocol: every question a committee asks, in turn."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import xarray as xr

from ebbmap.cases.pieces import Pieces, together
from ebbmap.cases.question import Question
from ebbmap.cases.uses import Use, add_provenance
from ebbmap.committee.boxes import box_pieces
from ebbmap.committee.comparison import ways_pieces
from ebbmap.committee.drivers import along_of, margin_pieces, part_lungs
from ebbmap.committee.lungs import question_of
from ebbmap.committee.maps import axes_of, map_pieces
from ebbmap.committee.protocol import Protocol
from ebbmap.committee.verdict import count_pieces, find_verdict, holds, lung_shares
from ebbmap.committee.windows import group_window_pieces


@dataclass(frozen=True)
class Check:
    """What a check found.

    Parameters
    ----------
    protocol : Protocol
        What was checked.
    results : dict of str to Dataset
        `verdict`, `lungs`, `boxes`, `ways`, `windows`, `parting`, and `map` and `drivers` where
        the draft allows them.
    """

    protocol: Protocol
    results: dict[str, xr.Dataset]

    @property
    def holds(self) -> bool:
        """Whether the draft is safe enough for every group and for the whole."""
        return holds(self.results["verdict"])


def cases_of(protocol: Protocol) -> int:
    """Lung and setting combinations that the verdict looks at."""
    settings = protocol.settings_drawn if protocol.draft.free else 1
    return len(protocol.groups) * protocol.lungs * settings


def check_protocol(
    protocol: Protocol, *, date: str, progress: Callable[[int], None] | None = None
) -> Check:
    """Answer every question about a draft.

    Parameters
    ----------
    protocol : Protocol
        The protocol.
    date : str
        Stated in every result: the only thing that differs between two runs.
    progress : callable, optional
        Called with the number of cases just finished.

    Returns
    -------
    Check
    """
    pieces = together(check_parts(protocol), lambda found: join_check(protocol, date, found))
    return pieces.whole(progress)


def check_parts(protocol: Protocol) -> dict[str, Pieces[Any]]:
    """Cut a check into its parts, and these into pieces."""
    parts: dict[str, Pieces[Any] | None] = {
        "verdict": count_pieces(protocol),
        "boxes": box_pieces(protocol),
        "ways": ways_pieces(protocol),
        "windows": group_window_pieces(protocol),
        "map": map_pieces(protocol),
        "drivers": margin_pieces(protocol),
    }
    return {name: part for name, part in parts.items() if part is not None}


def join_check(protocol: Protocol, date: str, found: Mapping[str, Any]) -> Check:
    """Put the parts of a check together.

    Parameters
    ----------
    protocol : Protocol
        The protocol.
    date : str
        Stated in every result.
    found : mapping of str to object
        What came of each of `check_parts`.
    """
    counted = found["verdict"]
    results: dict[str, xr.Dataset | None] = {
        **found,
        "verdict": find_verdict(protocol, counted),
        "lungs": lung_shares(counted),
        "parting": part_lungs(counted),
    }
    kept = {name: result for name, result in results.items() if result is not None}
    for name, result in kept.items():
        kept[name] = add_provenance(
            result,
            *use_of(protocol, name, f"{protocol.title}: {name}"),
            limits=protocol.limits.long_name,
            protocol=protocol.text,
            protocol_hash=protocol.digest,
        ).assign_attrs(history=f"{date} made by ebbmap")
    return Check(protocol, kept)


def use_of(protocol: Protocol, name: str, title: str) -> tuple[Question, str, Use]:
    """Return what a part of a check asks, its title, and how it uses the question.

    Windows and map hold the settings that they do not search half-way through the draft; boxes
    search all that have a range; the other parts draw these.
    """
    draft = protocol.draft
    by_rule = tuple(draft.rules)
    laid_out: tuple[str, ...] = {
        "windows": ("t_low", "t_low_in_time_constants"),
        "ways": ("t_low", "t_low_in_time_constants"),
        "map": axes_of(draft) or (),
        "boxes": draft.free,
        "drivers": (along_of(draft),),
    }.get(name, ())
    use = Use(
        (*by_rule, *laid_out),
        factors=name == "drivers",
        design=True,
        outcomes=protocol.limits.outcomes,
    )
    return question_of(protocol, at_middle=name in ("windows", "map")), title, use
