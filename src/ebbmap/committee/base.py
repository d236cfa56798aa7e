"""The entry of a part of a check: all that the rest of the house needs to know of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from ebbmap.cases.labelling import Variable
from ebbmap.cases.pieces import Pieces
from ebbmap.committee.draft import Draft
from ebbmap.committee.protocol import Protocol


def _as_it_is(protocol: Protocol, found: Any) -> Any:
    return found


def _none(protocol: Protocol) -> int:
    return 0


@dataclass(frozen=True, kw_only=True)
class Part:
    """A part of a check.

    Parameters
    ----------
    name : str
        Of its result file, and of its pieces.
    pieces : callable, optional
        ``pieces(protocol) -> Pieces or None``: what it does; None where the draft does not allow
        it. A part without pieces is made of those of another one.
    needs : str
        The part whose pieces it is made of; its own if empty.
    result : callable
        ``result(protocol, found) -> Dataset or None``: what is made of the pieces put together.
    variables : mapping of str to Variable
        Its own result variables; others in a result are registry entries.
    cases : callable
        ``cases(protocol) -> int``: cases that it solves, at most.
    lays_out : callable
        ``lays_out(draft) -> names`` of the parameters that it searches or lays out on a grid.
    at_middle : bool
        Whether it holds the settings that it does not lay out half-way through the draft; else
        it draws them.
    factors : bool
        Whether properties and settings are its factors.
    """

    name: str
    pieces: Callable[[Protocol], Pieces[Any] | None] | None = None
    needs: str = ""
    result: Callable[[Protocol, Any], Any] = _as_it_is
    variables: Mapping[str, Variable] = field(default_factory=dict)
    cases: Callable[[Protocol], int] = _none
    lays_out: Callable[[Draft], tuple[str, ...]] = lambda draft: ()
    at_middle: bool = False
    factors: bool = False
