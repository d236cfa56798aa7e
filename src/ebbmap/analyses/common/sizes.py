"""How large analyses are: cases at most, what is in memory, what is kept."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from ebbmap.analyses.options import Axes
from ebbmap.cases.question import Question
from ebbmap.lungs import lung_model
from ebbmap.registries.outcomes import plan


@dataclass(frozen=True)
class Size:
    """How large an analysis is.

    Parameters
    ----------
    cases : int
        Cases to solve, at most.
    held : int
        Cases whose outcomes are in memory at once, in one process.
    kept : int
        Numbers in its files.
    seconds : float
        Work besides solving.
    """

    cases: int
    held: int
    kept: int
    seconds: float = 0.0


def solved_outcomes(question: Question, options: Any) -> tuple[str, ...]:
    """Return the outcomes that an analysis computes for every case."""
    named = getattr(options, "outcomes", ())
    named = plan(lung_model(question.lung)).outcomes if named is None else tuple(named)
    return tuple(dict.fromkeys((*named, *question.outcomes))) or ("release_volume",)


def lungs_drawn(question: Question) -> int:
    """Return the lungs drawn from each population, one where nothing is drawn."""
    return question.lungs if question.populations or question.samples else 1


def groups_of(question: Question) -> int:
    """Return the number of populations, one where there is none."""
    return len(question.groups())


def middle_lungs(cases: Callable[[Question, Any, Axes], int]) -> Callable[..., Size]:
    """Return the size of an analysis that follows middle lungs, from the cases of one of them."""

    def size(question: Question, options: Any, axes: Axes) -> Size:
        total = groups_of(question) * cases(question, options, axes)
        return Size(total, total, total)

    return size


def places_of(options: Any, axes: Axes) -> int:
    """Return the places of an analysis along an axis."""
    return len(axes[options.along]) if options.at is None else len(options.at)
