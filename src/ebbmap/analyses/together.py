"""Whether limits can hold together: which exclude each other, and which say the same."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from math import prod

import numpy as np
import xarray as xr
from pydantic import Field

from ebbmap.analyses.asked import Asked
from ebbmap.analyses.base import Analysis
from ebbmap.analyses.common.knowledge import with_knowledge
from ebbmap.analyses.common.sizes import Size, groups_of, lungs_drawn
from ebbmap.analyses.common.windows import T_LOW
from ebbmap.analyses.options import NO_AXES, Axes, Options, ParameterName, Share, axes_of
from ebbmap.cases.checks import check_memory
from ebbmap.cases.labelling import Variable, label_variables
from ebbmap.cases.pieces import Pieces, Progress, join_groups, listed
from ebbmap.cases.question import Question, draw_cases, middle_lung
from ebbmap.cases.simulate import simulate
from ebbmap.cases.uses import Use, add_provenance
from ebbmap.kernels.exclusion import (
    broken_sets,
    exclusions,
    largest_kept,
    members,
    rank_correlation,
)
from ebbmap.kernels.judging import judge
from ebbmap.kernels.shares import wilson
from ebbmap.registries.identities import identity_words, kept_sentence
from ebbmap.registries.limits import Bound, LimitSet

#: Sets that are listed, the commonest first.
LISTED = 12

#: Level of the intervals, where nobody gives another.
LEVEL = 0.95

VARIABLES: Mapping[str, Variable] = {
    "held_share": Variable("share of all lungs with a setting that surely breaks no hard limit"),
    "held_share_interval": Variable(
        "interval of the share of all lungs with a setting that surely breaks no hard limit",
        attrs={"ci_method": "Wilson score"},
    ),
    "excluding": Variable("smallest set of limits that no setting keeps together", None),
    "excluding_share": Variable("share of all lungs in which these limits exclude each other"),
    "largest": Variable("limits that a setting keeps together, and none keeps more of", None),
    "largest_share": Variable("share of all lungs in which these are such a set"),
    "identity": Variable("limits that exclude each other by algebra", None),
    "rank_correlation": Variable("rank correlation of two margins over lungs and settings"),
}


class Together(Options):
    """Limits that exclude each other at every setting of some axes."""

    axes: list[ParameterName] = Field(
        default=["t_low"], min_length=1, description="settings that are laid out on their axes"
    )
    level: Share = Field(default=LEVEL, description="level of the intervals")


def find_together(
    question: Question,
    options: Together | None = None,
    *,
    axes: Axes = NO_AXES,
    progress: Progress = None,
) -> xr.Dataset:
    """Find which limits can hold together in each lung, and which exclude each other.

    Parameters
    ----------
    question : Question
        Populations, values and the rules, each a set of limits.
    options : Together, optional
        The settings that are laid out.
    axes : mapping of str to ndarray, shape (m,)
        The values of these settings, by name.
    progress : callable, optional
        Called with the number of cases just finished.

    Returns
    -------
    xarray.Dataset
        Dims (population, rule): `held_share` with its interval; along `place`, the commonest
        first, `excluding` with `excluding_share` and `largest` with `largest_share`; (bound,
        other_bound): `rank_correlation` of margins. `identity` says what algebra excludes.

    Raises
    ------
    EbbmapError
        For values that cannot be, a setting without values, or a set without a hard limit.

    Notes
    -----
    The search is exact on the settings of the axes. What is not known is not excluded.

    Examples
    --------
    >>> from ebbmap.registries.limits import Limit
    >>> limits = LimitSet("both", "both", (Limit("flow_ratio", "invented", low=0.5),
    ...                                    Limit("auto_peep", "invented", high=10.0)))
    >>> asked = Question("linear", fixed={"p_high": 30.0, "p_low": 5.0}, rules={"both": limits})
    >>> found = find_together(asked, axes={"t_low": [0.1, 0.3, 0.5, 1.0]})
    >>> str(found["excluding"].values.ravel()[0])
    'flow ratio at least 50 % and auto-PEEP at most 10 cmH₂O'
    """
    return ANALYSIS.pieces(question, options or Together(), axes).whole(progress)


def together_pieces(question: Question, options: Together, axes: Axes) -> Pieces[xr.Dataset]:
    """Cut the work into populations; see `find_together`."""
    question.require_rules()
    axes = axes_of(axes, *options.axes)
    groups = question.groups()

    def solve(number: int, progress: Progress) -> xr.Dataset:
        cases = lungs_drawn(question) * prod(len(axis) for axis in axes.values())
        check_memory(cases, len(question.outcomes) + 4, "what can hold together")
        values = draw_cases(question, groups[number], axes)
        solved = simulate(question.lung, outcomes=question.outcomes, progress=progress, **values)
        return _under_every_rule(solved, question, options.level, tuple(axes))

    def join(found: list[xr.Dataset]) -> xr.Dataset:
        use = Use(tuple(axes), outcomes=question.outcomes)
        return _joined(found, question, options.level, use).assign_attrs(
            lungs=lungs_drawn(question)
        )

    return listed(len(groups), solve, join)


def find_middle_together(question: Question, t_low: np.ndarray) -> xr.Dataset:
    """Find which limits can hold together over T low in each population's middle lung.

    Parameters
    ----------
    question : Question
        Populations, values and the rules; a T low that it fixes gives way.
    t_low : ndarray, shape (m,)
        The T low that are tried [s].

    Returns
    -------
    xarray.Dataset
        As `find_together` gives it, of one lung for each population.

    Examples
    --------
    >>> from ebbmap.registries.limits import limit_set
    >>> asked = Question("linear", rules={"flow_ratio": limit_set("flow_ratio")})
    >>> found = find_middle_together(asked, np.array([0.1, 0.3, 1.0]))
    >>> found["held_share"].values.tolist()
    [[1.0]]
    """
    question.require_rules()
    fixed = {name: value for name, value in question.fixed.items() if name not in T_LOW}
    asked = replace(question, fixed=fixed)
    found = []
    for group in asked.groups():
        values = {**middle_lung(asked, group, {}), "t_low": xr.DataArray(t_low, dims="t_low")}
        solved = simulate(asked.lung, outcomes=asked.outcomes, **values)
        found.append(_under_every_rule(solved, asked, LEVEL, ("t_low",)))
    use = Use(("t_low",), middle=True, outcomes=asked.outcomes)
    return _joined(found, asked, LEVEL, use)


def _under_every_rule(
    solved: xr.Dataset, question: Question, level: float, axes: tuple[str, ...]
) -> xr.Dataset:
    """Find what holds together under every rule, in lungs that are solved over some axes."""
    rest = [dim for dim in solved["status"].dims if dim not in axes]
    solved = solved.transpose(*rest, *axes)
    lungs = prod(solved.sizes[dim] for dim in rest)
    return xr.concat(
        [_under(solved, limits, lungs, level) for limits in question.rules.values()],
        dim=xr.Variable("rule", list(question.rules)),
        join="outer",
        fill_value={"excluding": "", "largest": ""},
    )


def _joined(found: list[xr.Dataset], question: Question, level: float, use: Use) -> xr.Dataset:
    dataset = join_groups(found, question.group_names)
    said = [identity_words(one, known_values(question)) for one in question.rules.values()]
    dataset["identity"] = ("rule", said)
    label_variables(dataset, VARIABLES, level=level)
    title = f"limits that can hold together over {', '.join(use.laid_out)}"
    return add_provenance(dataset, question, title, use)


def _under(solved: xr.Dataset, limits: LimitSet, lungs: int, level: float) -> xr.Dataset:
    judged = judge(limits, {n: solved[n].values.reshape(lungs, -1) for n in limits.outcomes})
    names = [bound.name for bound in limits.hard]
    bits = broken_sets(judged.bound_broken)
    apart: Counter[int] = Counter()
    joined: Counter[int] = Counter()
    for row in bits:
        apart.update(exclusions(np.unique(row).tolist()))
        joined.update(largest_kept(np.unique(row).tolist(), len(names)))
    held = int(judged.safe.any(axis=1).sum())
    data = {
        "held_share": ((), held / lungs),
        "held_share_interval": ("ci_bound", np.stack(wilson(held, lungs, level))),
        "rank_correlation": (
            ("bound", "other_bound"),
            rank_correlation(judged.bound_margin.reshape(len(names), -1)),
        ),
    }
    for name, counted in (("excluding", apart), ("largest", joined)):
        common = [*sorted(counted.items(), key=lambda pair: (-pair[1], pair[0]))[:LISTED]]
        common += [(0, 0)] * (LISTED - len(common))
        data[name] = ("place", [_kept_words(one, limits.hard) for one, _ in common])
        data[f"{name}_share"] = ("place", [count / lungs for _, count in common])
    return xr.Dataset(data, {"bound": names, "other_bound": names, "ci_bound": ["lower", "upper"]})


def _kept_words(one: int, bounds: Sequence[Bound]) -> str:
    said = {bound.name: kept_sentence(bound) for bound in bounds}
    return " and ".join(said[name] for name in members(one, list(said)))


def known_values(question: Question) -> dict[str, float]:
    """Return what is held at one value, so that algebra can use it."""
    return {name: float(value) for name, value in question.fixed.items() if np.ndim(value) == 0}


def _size(question: Question, options: Together, axes: Axes) -> Size:
    held = lungs_drawn(question) * prod(len(axes[name]) for name in options.axes)
    return Size(groups_of(question) * held, held, groups_of(question) * len(question.rules) * 500)


def _check(asked: Asked) -> Iterator[str]:
    yield from asked.need_axis("axes")
    yield from asked.repeated("axes")


ANALYSIS = with_knowledge(
    Analysis(
        name="together",
        long_name="limits that can hold together",
        options=Together,
        pieces=together_pieces,
        size=_size,
        variables=VARIABLES,
        lays_out=lambda asked: asked.words("axes"),
        draws=lambda asked: True,
        check=_check,
        keeps_pieces=True,
        counts_cases=True,
    )
)
