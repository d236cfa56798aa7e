"""Which unknown number moves a conclusion most: what to measure next."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping

import numpy as np
import xarray as xr
from pydantic import Field

from ebbmap.analyses.asked import Asked
from ebbmap.analyses.base import Analysis
from ebbmap.analyses.common.knowledge import DRAW, add_intervals, over_draws, with_knowledge
from ebbmap.analyses.common.sizes import Size, groups_of, lungs_drawn
from ebbmap.analyses.options import NO_AXES, Axes, Options, Positive, Share, axis_of, refuse_unused
from ebbmap.cases.labelling import Variable, label_variables
from ebbmap.cases.pieces import Pieces, Progress, join_groups, listed
from ebbmap.cases.question import Question, draw_cases, seed_of
from ebbmap.cases.simulate import simulate
from ebbmap.cases.uncertain import outer_scores
from ebbmap.cases.uses import Use, add_provenance
from ebbmap.errors import EbbmapError
from ebbmap.kernels.judging import judge
from ebbmap.kernels.knowledge import SPARE_DRAWS, linear_effects
from ebbmap.kernels.resampling import bootstrap_weights
from ebbmap.kernels.shares import share_words, wilson
from ebbmap.registries.copula import Population, known_of
from ebbmap.registries.limits import LimitSet
from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.registries.parameters import PARAMETERS

#: Resamples of the lungs for the interval of the best T low.
RESAMPLES = 200

_WILSON = {"ci_method": "Wilson score"}
_OF_LUNGS = {"ci_method": f"bootstrap of lungs, percentile, {RESAMPLES} resamples"}
_BEST = "share of all lungs that the best single T low serves"

#: What a study concludes of a population, each with its interval of lungs.
CONCLUSIONS: Mapping[str, Variable] = {
    "safe_share": Variable(share_words("safe_share")),
    "best_share": Variable(_BEST),
    "best_t_low": Variable("T low that serves most lungs, one for all", "s"),
}

VARIABLES: Mapping[str, Variable] = {
    **CONCLUSIONS,
    "safe_share_interval": Variable(share_words("safe_share_interval"), attrs=_WILSON),
    "best_share_interval": Variable(f"interval of the {_BEST}", attrs=_WILSON),
    "best_t_low_interval": Variable("interval of the T low that serves most lungs", "s", _OF_LUNGS),
    "effect": Variable("share of what knowledge leaves open that this number alone accounts for"),
    "effect_error": Variable("standard error of the share that this number accounts for"),
    "slope": Variable(
        "change of the conclusion when the number is one standard error higher, in its unit", None
    ),
    "explained": Variable("share of what knowledge leaves open that all numbers account for"),
    "explained_error": Variable("standard error of the share that all numbers account for"),
    "grade": Variable("how the number is known", None),
    "number_source": Variable("where the number comes from", None),
}


class Unknowns(Options):
    """Which unknown numbers move a conclusion most."""

    t_low: Positive = Field(description="T low at which the share of safe lungs is asked [s]")
    level: Share = Field(default=0.95, description="level of the intervals")


def find_unknowns(
    question: Question, options: Unknowns, *, axes: Axes = NO_AXES, progress: Progress = None
) -> xr.Dataset:
    """Rank the numbers behind populations by how much they move what is concluded.

    Parameters
    ----------
    question : Question
        Fitted populations, values, rules, and `knowledge` draws: more than there are numbers.
    options : Unknowns
        The T low at which the share of safe lungs is asked.
    axes : mapping of str to ndarray, shape (m,)
        `t_low`: the values among which the best single one is looked for.
    progress : callable, optional
        Called with the number of cases just finished.

    Returns
    -------
    xarray.Dataset
        Dims (population, rule): `safe_share` at the stated T low, `best_share` and `best_t_low`,
        each with its interval of lungs and of knowledge. Along `conclusion` and `number`:
        `effect`, the share of the variance over knowledge that a number accounts for, with
        `effect_error`, and `slope`; `explained` by all of them, one by one. NaN for numbers that
        are not behind a population, and where nothing moves a conclusion or it is missing.

    Raises
    ------
    EbbmapError
        For values that cannot be, no axis of T low, or too few draws for so many numbers.
    """
    refuse_unused(axes, "t_low")
    return ANALYSIS.pieces(question, options, axes).whole(progress)


def _conclusion_pieces(question: Question, options: Unknowns, axes: Axes) -> Pieces[xr.Dataset]:
    """Cut what is concluded into populations."""
    axis = axis_of(axes, "t_low")
    places = np.append(axis, options.t_low)
    groups = question.groups()

    def solve(number: int, progress: Progress) -> xr.Dataset:
        values = draw_cases(question, groups[number], {})
        values["t_low"] = xr.DataArray(places, dims="place")
        solved = simulate(question.lung, outcomes=question.outcomes, progress=progress, **values)
        solved = solved.transpose("sample", "place")
        rules = question.rules.values()
        return xr.concat(
            [_conclude(solved, limits, axis, options.level, question.seed) for limits in rules],
            dim=xr.Variable("rule", list(question.rules)),
        )

    def join(found: list[xr.Dataset]) -> xr.Dataset:
        dataset = join_groups(found, question.group_names)
        label_variables(dataset, VARIABLES, level=options.level)
        use = Use(("t_low",), outcomes=question.outcomes)
        title = "which unknown number moves a conclusion most"
        lungs = lungs_drawn(question)
        return add_provenance(dataset, question, title, use, lungs=lungs, t_low_asked=options.t_low)

    return listed(len(groups), solve, join)


def _conclude(
    solved: xr.Dataset, limits: LimitSet, axis: np.ndarray, level: float, seed: int
) -> xr.Dataset:
    """Return what is concluded under one rule; the last place is that asked for."""
    safe = judge(limits, {name: solved[name].values for name in limits.outcomes}).safe
    n = len(safe)
    counts = safe.sum(axis=0)
    top = int(counts[:-1].argmax())
    served = bool(counts[top])
    rng = np.random.default_rng(seed_of(np.random.SeedSequence(seed).spawn(3)[2]))
    weights = bootstrap_weights(n, RESAMPLES, rng)[1:]
    tops = axis[(weights @ safe[:, :-1]).argmax(axis=1)]
    ends = np.quantile(tops, [0.5 - level / 2.0, 0.5 + level / 2.0])
    return xr.Dataset(
        {
            "safe_share": ((), counts[-1] / n),
            "safe_share_interval": ("ci_bound", np.stack(wilson(counts[-1], n, level))),
            "best_share": ((), counts[top] / n),
            "best_share_interval": ("ci_bound", np.stack(wilson(counts[top], n, level))),
            "best_t_low": ((), axis[top] if served else np.nan),
            "best_t_low_interval": ("ci_bound", ends if served else np.full(2, np.nan)),
        },
        {"ci_bound": ["lower", "upper"]},
    )


def _finish(question: Question, options: Unknowns, central: xr.Dataset, drawn: xr.Dataset) -> None:
    """Add intervals of knowledge, and the ranking of the numbers."""
    declared = {n: v for n, v in ANALYSIS.variables.items() if n.endswith("_knowledge")}
    add_intervals(central, drawn, declared, options.level)
    ranked = [
        _ranked(drawn.sel(population=group.name), group, question) for group in question.populations
    ]
    whole = xr.concat(
        ranked,
        dim=xr.Variable("population", question.group_names),
        join="outer",
        fill_value={"grade": "", "number_source": ""},
    )
    own = label_variables(whole, VARIABLES)
    central.update(own)


def _ranked(drawn: xr.Dataset, group: Population, question: Question) -> xr.Dataset:
    """Return the effects of the numbers behind one population on each conclusion."""
    numbers = known_of(group).numbers
    scores = outer_scores(group, drawn.sizes[DRAW], question.seed)
    conclusions = drawn[list(CONCLUSIONS)].to_dataarray("conclusion")
    conclusions = conclusions.transpose("rule", "conclusion", DRAW)
    shape = conclusions.shape[:2]
    found = np.full((3, *shape, len(numbers)), np.nan)
    explained = np.full((2, *shape), np.nan)
    for place in np.ndindex(shape):
        values = conclusions.values[place]
        known = np.isfinite(values)
        if known.sum() < len(numbers) + SPARE_DRAWS:
            continue
        effects = linear_effects(scores[known], values[known])
        found[:, *place] = effects.index, effects.error, effects.slope
        explained[:, *place] = effects.explained, np.sqrt((effects.error**2).sum())
    dims = ("rule", "conclusion", "number")
    return xr.Dataset(
        {
            **{
                n: (dims, a)
                for n, a in zip(("effect", "effect_error", "slope"), found, strict=True)
            },
            "explained": (dims[:2], explained[0]),
            "explained_error": (dims[:2], explained[1]),
            "grade": ("number", [str(one.confirmed) for one in numbers]),
            "number_source": ("number", [str(one.source) for one in numbers]),
        },
        {
            "rule": conclusions["rule"].values,
            "conclusion": list(CONCLUSIONS),
            "number": [one.name for one in numbers],
        },
    )


def unknowns_pieces(question: Question, options: Unknowns, axes: Axes) -> Pieces[xr.Dataset]:
    """Cut the ranking into what is concluded and outer draws; see `find_unknowns`."""
    most = max((len(known_of(group).numbers) for group in question.populations), default=0)
    if question.knowledge < most + SPARE_DRAWS or not most:
        raise EbbmapError(
            f"knowledge must be at least {most + SPARE_DRAWS} outer draws to rank {most} numbers "
            f"of fitted populations; got {question.knowledge}. Set knowledge = 200."
        )
    return over_draws(_conclusion_pieces, CONCLUSIONS, _finish)(question, options, axes)


def leading(found: xr.Dataset) -> list[str]:
    """Return the numbers that account for most of one conclusion, the first one first.

    Parameters
    ----------
    found : Dataset
        One rule, population and conclusion of `unknowns`.
    """
    effect = found["effect"].values
    order = np.argsort(-np.nan_to_num(effect, nan=-np.inf), kind="stable")
    return [str(found["number"].values[i]) for i in order if np.isfinite(effect[i])]


def number_words(name: str) -> str:
    """Return the name of a number in words: registry entries by their long names.

    Examples
    --------
    >>> number_words("centre: resistance_quadratic")
    'centre: quadratic resistance'
    >>> number_words("time_constant_exp: median")
    'expiratory time constant: median'
    """
    known = "|".join(sorted([*PARAMETERS, *OUTCOMES], key=len, reverse=True))
    said = re.sub(rf"\b({known})\b", _long_name, name)
    return said.replace("_", " ")


def _long_name(found: re.Match[str]) -> str:
    name = found[0]
    entry = PARAMETERS[name] if name in PARAMETERS else OUTCOMES[name]
    return entry.long_name.partition(" (")[0]


def _size(question: Question, options: Unknowns, axes: Axes) -> Size:
    lungs = lungs_drawn(question)
    cases = groups_of(question) * lungs * (len(axes["t_low"]) + 1)
    return Size(cases, cases // groups_of(question), 200 * groups_of(question))


def _check(asked: Asked) -> Iterator[str]:
    study = asked.study
    if "t_low" not in study.table("axes"):
        yield f"{asked.place}: looks for the best T low. Add [axes.t_low]."
    if not study.raw.get("knowledge") or not study.populations:
        yield f"{asked.place}: needs knowledge of populations. Name some, and set knowledge = 200."


ANALYSIS = with_knowledge(
    Analysis(
        name="unknowns",
        long_name="which unknown number moves a conclusion most",
        options=Unknowns,
        pieces=_conclusion_pieces,
        size=_size,
        variables=VARIABLES,
        lays_out=lambda asked: ["t_low", "t_low_in_time_constants"],
        draws=lambda asked: True,
        check=_check,
        keeps_pieces=True,
        counts_cases=True,
    ),
    pieces=unknowns_pieces,
)
