"""What is not known of the populations, for any analysis whose numbers have an interval of lungs.

An analysis is asked again about populations as they may be, with the same lungs otherwise; each
of these outer draws is a piece. Sizes: m outer draws.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import Any

import xarray as xr

from ebbmap.analyses.base import Analysis, MakePieces
from ebbmap.analyses.common.sizes import Size
from ebbmap.analyses.options import Axes
from ebbmap.cases.labelling import Variable
from ebbmap.cases.pieces import Pieces, Progress, listed, together
from ebbmap.cases.question import Question
from ebbmap.cases.uncertain import asked_again
from ebbmap.digits import share_text
from ebbmap.kernels.knowledge import check_draws, knowledge_interval

#: Suffixes of the two intervals of a number, and of what is said of the second one.
LUNGS, KNOWLEDGE = "_interval", "_knowledge"

#: What a result says where it was not asked for.
NOT_ASKED = "How well the populations themselves are known is not in the intervals."

#: And where it was: level, draws.
_ASKED = (
    "Knowledge: {} intervals of {} outer draws of the numbers behind the populations, each "
    "with the same lungs."
)

#: Part of the pieces that holds the outer draws, and their dimension.
OUTER_DRAWS, DRAW = "knowledge", "draw"


def with_knowledge(
    entry: Analysis,
    *,
    where: Callable[[Any], bool] = lambda options: True,
    pieces: MakePieces | None = None,
) -> Analysis:
    """Give every number of an analysis that has an interval of lungs one of knowledge too.

    Parameters
    ----------
    entry : Analysis
        Its options have a `level`; its variables with a second one ``NAME_interval`` get a third,
        ``NAME_knowledge``, where a question asks for it.
    where : callable
        ``where(options) -> bool``: whether it draws lungs and has intervals at all.
    pieces : callable, optional
        Its pieces with the outer draws, where it makes more of these than intervals.

    Returns
    -------
    Analysis
        The same without knowledge; with it, each outer draw is one piece more.
    """
    names = numbers_with_intervals(entry.variables)
    declared = with_intervals_of_knowledge(entry.variables)
    own = {f"{name}{KNOWLEDGE}": declared[f"{name}{KNOWLEDGE}"] for name in names}

    def join(question: Question, options: Any, central: xr.Dataset, drawn: xr.Dataset) -> None:
        add_intervals(central, drawn, own, options.level)

    return replace(
        entry,
        variables=declared,
        pieces=pieces or over_draws(entry.pieces, names, join, where=where),
        size=_size_of(entry.size, where),
    )


def numbers_with_intervals(variables: Iterable[str]) -> list[str]:
    """Return the names of the variables that have an interval of lungs.

    Examples
    --------
    >>> numbers_with_intervals(["share", "share_interval", "state"])
    ['share']
    """
    return [name for name in variables if f"{name}{LUNGS}" in variables]


def with_intervals_of_knowledge(variables: Mapping[str, Variable]) -> dict[str, Variable]:
    """Return variables, with an interval of knowledge for each that has one of lungs."""
    names = numbers_with_intervals(variables)
    return {**variables, **{f"{name}{KNOWLEDGE}": _variable(variables[name]) for name in names}}


def over_draws(
    make: MakePieces,
    names: Iterable[str],
    finish: Callable[[Question, Any, xr.Dataset, xr.Dataset], None],
    *,
    where: Callable[[Any], bool] = lambda options: True,
) -> MakePieces:
    """Return pieces that ask an analysis again in every outer draw, if the question wants it.

    Parameters
    ----------
    make : callable
        Pieces of the analysis.
    names : iterable of str
        Variables that are kept of each draw.
    finish : callable
        ``finish(question, options, central, drawn)`` adds to the result what follows from the
        draws, which have a dimension `draw`; called where knowledge is asked for.
    where : callable
        As in `with_knowledge`.
    """
    kept = list(names)

    def pieces(question: Question, options: Any, axes: Axes) -> Pieces[xr.Dataset]:
        own = make(question, options, axes)
        draws = question.knowledge
        if not where(options) or not question.populations:
            return own
        if not draws:
            return replace(
                own, join=lambda found: own.join(found).assign_attrs(knowledge=NOT_ASKED)
            )
        check_draws(draws, options.level)

        def solve(number: int, progress: Progress) -> xr.Dataset:
            again = make(asked_again(question, number), options, axes).whole(progress)
            return again[[n for n in kept if n in again]].reset_coords(drop=True).drop_attrs()

        def stack(found: list[xr.Dataset]) -> xr.Dataset:
            return xr.concat(found, dim=DRAW, join="exact", combine_attrs="drop")

        def join(found: Mapping[str, xr.Dataset]) -> xr.Dataset:
            central = found["lungs"]
            finish(question, options, central, found[OUTER_DRAWS])
            return central.assign_attrs(knowledge=asked_text(options.level, draws))

        return together({"lungs": own, OUTER_DRAWS: listed(draws, solve, stack)}, join)

    return pieces


def asked_text(level: float, draws: int) -> str:
    """Return what a result with intervals of knowledge says of them."""
    return _ASKED.format(share_text(level), draws)


def add_intervals(
    central: xr.Dataset, drawn: xr.Dataset, declared: Mapping[str, Variable], level: float
) -> None:
    """Add to a result the interval of knowledge of each of its numbers.

    Parameters
    ----------
    central : Dataset
        With the numbers, labelled.
    drawn : Dataset
        The same numbers along `draw`.
    declared : mapping of str to Variable
        The intervals to add, under their names.
    level : float
        Their level.
    """
    for name, variable in declared.items():
        number = name.removesuffix(KNOWLEDGE)
        if number not in drawn:
            continue
        values = drawn[number].transpose(DRAW, *central[number].dims).values
        ends = knowledge_interval(values, level=level)
        central[name] = (("ci_bound", *central[number].dims), ends)
        said = central[number].attrs
        central[name].attrs = dict(variable.attrs) | {
            "long_name": _KNOWLEDGE_OF.format(said["long_name"]),
            "ci_level": level,
            "outer_draws": drawn.sizes[DRAW],
        }
        if "units" in said:
            central[name].attrs["units"] = said["units"]


def said_share(found: xr.Dataset, name: str) -> str:
    """Return a share in words, with the digits that the wider of its intervals bears."""
    pairs = (found.get(f"{name}{suffix}") for suffix in (LUNGS, KNOWLEDGE))
    known = (pair.values.tolist() for pair in pairs if pair is not None)
    return share_text(float(found[name]), *known)


_KNOWLEDGE_OF = "interval over what is not known of the populations: {}"
_METHOD = "order statistics of outer draws of the numbers behind the populations, same lungs"


def _variable(number: Variable) -> Variable:
    return Variable(_KNOWLEDGE_OF.format(number.long_name), number.units, {"ci_method": _METHOD})


def _size_of(
    size: Callable[[Question, Any, Axes], Size], where: Callable[[Any], bool]
) -> Callable[..., Size]:
    """Return the size of an analysis and of all of its outer draws."""

    def whole(question: Question, options: Any, axes: Axes) -> Size:
        own = size(question, options, axes)
        times = 1 + (question.knowledge if where(options) else 0)
        return replace(own, cases=times * own.cases, seconds=times * own.seconds)

    return whole
