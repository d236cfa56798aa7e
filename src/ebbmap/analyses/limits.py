"""How much each limit decides, what its uncertainty does, and how far it is passed."""

from __future__ import annotations

from collections.abc import Iterator
from math import prod

import xarray as xr
from pydantic import Field

from ebbmap.analyses.asked import Asked
from ebbmap.analyses.base import Analysis
from ebbmap.analyses.common.each_limit import UNSTATED, VARIABLES, each_limit, same_everywhere
from ebbmap.analyses.common.knowledge import with_knowledge
from ebbmap.analyses.common.sizes import Size, groups_of, lungs_drawn
from ebbmap.analyses.options import (
    NO_AXES,
    Axes,
    Number,
    Options,
    ParameterName,
    Share,
    axes_of,
)
from ebbmap.cases.checks import check_memory
from ebbmap.cases.labelling import label_variables
from ebbmap.cases.pieces import Pieces, Progress, join_groups, listed
from ebbmap.cases.question import Question, draw_cases
from ebbmap.cases.simulate import simulate
from ebbmap.cases.uses import Use, add_provenance


class EachLimit(Options):
    """What each limit does to the share of lungs that are safe."""

    axes: list[ParameterName] = Field(
        default=[], description="settings that are laid out on their axes, averaged with the lungs"
    )
    unstated: Number = Field(
        default=UNSTATED,
        ge=0,
        description="how far a limit may lie either way where nobody says, in widths of it",
    )
    level: Share = Field(default=0.95, description="level of the intervals")


def find_limits(
    question: Question,
    options: EachLimit | None = None,
    *,
    axes: Axes = NO_AXES,
    progress: Progress = None,
) -> xr.Dataset:
    """Find how much of a share of safe lungs is each limit's doing, and how far limits are passed.

    Parameters
    ----------
    question : Question
        Populations, values and the rules, each a set of limits.
    options : EachLimit, optional
        The settings that are laid out, and the uncertainty of limits that state none.
    axes : mapping of str to ndarray, shape (m,)
        The values of these settings, by name.
    progress : callable, optional
        Called with the number of cases just finished.

    Returns
    -------
    xarray.Dataset
        Dims (population, rule): `safe_share`, the share with every limit at either end of its
        uncertainty, and `averaged_share` over all of it. Along `bound` besides: `without_share`
        where this limit does not count, `gained_share` (the difference) with its interval,
        `any_broken_share`, `broken_share` (broken most), `alone_share`, `tight_share`,
        `loose_share`; `expected_excess` and `worst_excess` in widths of the limit, and
        `past_share` by the distances `past`.

    Raises
    ------
    EbbmapError
        For values that cannot be, a setting without values, or no limits.

    Notes
    -----
    Over its uncertainty a limit lies anywhere with even chance, independently of the others and
    the same for all lungs; the average is then a product of chances, and nothing is drawn.

    Examples
    --------
    >>> from ebbmap.registries.limits import Limit, LimitSet
    >>> only = LimitSet("only", "only", (Limit("auto_peep", "invented", high=5.0),))
    >>> asked = Question(fixed={"t_low": 0.3}, rules={"only": only})
    >>> found = find_limits(asked)
    >>> found["safe_share"].item(), found["without_share"].item()
    (0.0, 1.0)
    """
    return ANALYSIS.pieces(question, options or EachLimit(), axes).whole(progress)


def limits_pieces(question: Question, options: EachLimit, axes: Axes) -> Pieces[xr.Dataset]:
    """Cut the work into populations; see `find_limits`."""
    question.require_rules()
    axes = axes_of(axes, *options.axes)
    groups = question.groups()

    def solve(number: int, progress: Progress) -> xr.Dataset:
        cases = lungs_drawn(question) * prod(len(axis) for axis in axes.values())
        check_memory(cases, 3 * (len(question.outcomes) + 4), "what each limit does")
        values = draw_cases(question, groups[number], axes)
        solved = simulate(question.lung, outcomes=question.outcomes, progress=progress, **values)
        rest = [dim for dim in solved["status"].dims if dim not in axes]
        solved = solved.transpose(*rest, *axes)
        lungs = prod(solved.sizes[dim] for dim in rest)
        found = []
        for limits in question.rules.values():
            outcomes = {n: solved[n].values.reshape(lungs, -1) for n in limits.outcomes}
            found.append(
                each_limit(limits, outcomes, level=options.level, unstated=options.unstated)
            )
        return xr.concat(
            found,
            dim=xr.Variable("rule", list(question.rules)),
            join="outer",
            fill_value={"limit": "", "unit": ""},
        )

    def join(found: list[xr.Dataset]) -> xr.Dataset:
        dataset = same_everywhere(join_groups(found, question.group_names), "population")
        of = "lungs at all averaged settings" if axes else "lungs"
        label_variables(dataset, VARIABLES, level=options.level, of=of)
        return add_provenance(
            dataset,
            question,
            "how much each limit decides",
            Use(tuple(axes), dict(axes), outcomes=question.outcomes),
            lungs=lungs_drawn(question),
            unstated=options.unstated,
        )

    return listed(len(groups), solve, join)


def _size(question: Question, options: EachLimit, axes: Axes) -> Size:
    held = lungs_drawn(question) * prod(len(axes[name]) for name in options.axes)
    bounds = sum(len(rule.hard) for rule in question.rules.values())
    return Size(groups_of(question) * held, held, groups_of(question) * 30 * bounds)


def _check(asked: Asked) -> Iterator[str]:
    yield from asked.need_axis("axes")
    yield from asked.repeated("axes")


ANALYSIS = with_knowledge(
    Analysis(
        name="limits",
        long_name="how much each limit decides",
        options=EachLimit,
        pieces=limits_pieces,
        size=_size,
        variables=VARIABLES,
        lays_out=lambda asked: asked.words("axes"),
        draws=lambda asked: True,
        check=_check,
        keeps_pieces=True,
        counts_cases=True,
    )
)
