"""The whole check of a protocol: every question a committee asks, in turn."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import xarray as xr

from ebbmap.cases.pieces import Pieces, together
from ebbmap.cases.question import Question
from ebbmap.cases.uses import Use, add_provenance
from ebbmap.committee.base import Part
from ebbmap.committee.lungs import question_of
from ebbmap.committee.parts import PARTS
from ebbmap.committee.protocol import Protocol
from ebbmap.committee.verdict import holds


@dataclass(frozen=True)
class Check:
    """What a check found.

    Parameters
    ----------
    protocol : Protocol
        What was checked.
    results : dict of str to Dataset
        `verdict`, `patients`, `broken`, `limits`, `lungs`, `boxes`, `ways`, `windows`, `parting`,
        and `map` and `drivers` where the draft allows them; `beside` where a run puts
        conventional ventilation beside the draft.
    """

    protocol: Protocol
    results: dict[str, xr.Dataset]

    @property
    def holds(self) -> bool:
        """Whether the draft is safe enough for every group and for the whole."""
        return holds(self.results["verdict"])


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
    cut = {name: part.pieces(protocol) for name, part in PARTS.items() if part.pieces is not None}
    return {name: pieces for name, pieces in cut.items() if pieces is not None}


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
    results: dict[str, xr.Dataset] = {}
    for name, part in PARTS.items():
        pieces = part.needs or name
        result = part.result(protocol, found[pieces]) if pieces in found else None
        if result is not None:
            results[name] = add_provenance(
                result,
                *use_of(protocol, part),
                limits=protocol.limits.long_name,
                protocol=protocol.text,
                protocol_hash=protocol.digest,
            ).assign_attrs(history=f"{date} made by ebbmap")
    return Check(protocol, results)


def use_of(protocol: Protocol, part: Part) -> tuple[Question, str, Use]:
    """Return what a part of a check asks, its title, and how it uses the question."""
    draft = protocol.draft
    use = Use(
        (*draft.rules, *part.lays_out(draft)),
        factors=part.factors,
        design=True,
        outcomes=protocol.limits.outcomes,
    )
    question = question_of(protocol, at_middle=part.at_middle)
    return question, f"{protocol.title}: {part.name}", use
