"""Published strategies as wholes on the same lungs: settings, harm, and their own limits."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Annotated, Any

import numpy as np
import xarray as xr
from pydantic import Field

from ebbmap.analyses.asked import Asked
from ebbmap.analyses.base import Analysis
from ebbmap.analyses.common.knowledge import with_knowledge
from ebbmap.analyses.common.sizes import Size, groups_of, lungs_drawn
from ebbmap.analyses.common.starting import Before, start_lungs
from ebbmap.analyses.common.windows import one_value_each
from ebbmap.analyses.options import NO_AXES, Axes, Number, Options, Share, known_name
from ebbmap.cases.drawn_bounds import bar_leavers
from ebbmap.cases.evaluate import evaluate
from ebbmap.cases.labelling import Variable, label_variables
from ebbmap.cases.pieces import Pieces, Progress, join_groups, listed
from ebbmap.cases.question import Question, draw_cases
from ebbmap.cases.uses import Use, add_provenance
from ebbmap.kernels.judging import judge
from ebbmap.kernels.shares import paired_difference, wilson
from ebbmap.lungs import lung_model
from ebbmap.registries.limits import LimitSet
from ebbmap.registries.parameters import SPONTANEOUS
from ebbmap.registries.strategies import SETTINGS, STRATEGIES, Strategy

StrategyName = Annotated[str, known_name("strategy", STRATEGIES)]

#: Evaluations for one T low that is searched for (measured: 6 to 12).
SEARCH_CASES = 12

_HELD = "share of all lungs that {what} at the settings of this strategy"
_WILSON = {"ci_method": "Wilson score"}
_HARMLESS = _HELD.format(what="surely break no hard limit")
_KEPT = _HELD.format(what="surely keep every hard limit that the strategy's source states")

VARIABLES: Mapping[str, Variable] = {
    "unharmed_share": Variable(_HARMLESS),
    "unharmed_share_interval": Variable(f"interval of the {_HARMLESS}", attrs=_WILSON),
    "undetermined_share": Variable(_HELD.format(what="could not be determined")),
    "unset_share": Variable("share of all lungs for which the strategy has no settings"),
    "harm_share": Variable(_HELD.format(what="surely break this limit")),
    "kept_share": Variable(f"{_KEPT}; NaN where it states none"),
    "kept_share_interval": Variable(f"interval of the {_KEPT}", attrs=_WILSON),
    "own_broken_share": Variable(_HELD.format(what="surely break this limit of its source")),
    "difference": Variable(
        "share of all lungs unharmed by this strategy less that by the other one, lung by lung"
    ),
    "difference_interval": Variable(
        "interval of the difference of the shares unharmed",
        attrs={"ci_method": "paired, half a case added to each cell of the table of pairs"},
    ),
    "strategy_source": Variable("source of the strategy", None),
    "leaves_out": Variable("what the source is silent on", None),
}


class Strategies(Options):
    """Strategies that are compared as wholes."""

    strategies: list[StrategyName] = Field(
        default=[], max_length=12, description="strategies; all that are bundled if empty"
    )
    own_breathing: list[Annotated[Number, Field(ge=0)]] = Field(
        default=[0.0, 2.0, 4.0],
        min_length=1,
        max_length=4,
        description="levels of alveolar ventilation by own breathing [L min-1]",
    )
    before: Before = Field(
        default=Before(), description="the ventilation before, where a source does not say"
    )
    level: Share = Field(default=0.95, description="level of the intervals")

    @property
    def chosen(self) -> list[Strategy]:
        """The strategies that are compared."""
        return [STRATEGIES[name] for name in self.strategies or STRATEGIES]


def find_strategies(
    question: Question,
    options: Strategies | None = None,
    *,
    axes: Axes = NO_AXES,
    progress: Progress = None,
) -> xr.Dataset:
    """Compare published strategies as wholes on the same lungs.

    Parameters
    ----------
    question : Question
        Populations, values, and the limits on harm that every strategy is judged by.
    options : Strategies, optional
        Which strategies, own breathing, the ventilation before.
    axes : mapping of str to ndarray
        Not used: the strategies set all four settings.
    progress : callable, optional
        Called with the number of cases just finished.

    Returns
    -------
    xarray.Dataset
        Dims (population, rule, strategy, own breathing): `unharmed_share` with its interval,
        `undetermined_share`, `harm_share` by `bound`, and `difference` to each `other_strategy`
        with its interval. Without `rule`: `kept_share` of the strategy's own limits with its
        interval, `own_broken_share` by `own_bound`. Along strategy and `sample`: the settings of
        each lung. `unset_share`: lungs without settings.

    Raises
    ------
    EbbmapError
        For values that cannot be, or no limits.

    Notes
    -----
    Nothing is taken from one strategy into another. What a source leaves out is named in
    `leaves_out`; the ventilation before is the study's own, the same for all.

    Examples
    --------
    >>> from ebbmap.registries.limits import limit_set
    >>> asked = Question("linear", fixed={"compliance": 50.0}, rules={"harm": limit_set("harm")})
    >>> two = Strategies(strategies=["trial_2017", "textbook"], own_breathing=[2.0])
    >>> found = find_strategies(asked, two)
    >>> found["p_high"].values.round(1).ravel().tolist()
    [17.8, 17.8]
    """
    return ANALYSIS.pieces(question, options or Strategies(), axes).whole(progress)


def strategies_pieces(question: Question, options: Strategies, axes: Axes) -> Pieces[xr.Dataset]:
    """Cut the work into populations and strategies; see `find_strategies`."""
    question.require_rules()
    chosen, groups = options.chosen, question.groups()

    def solve(number: int, progress: Progress) -> xr.Dataset:
        group, strategy = groups[number // len(chosen)], chosen[number % len(chosen)]
        full, drawn = one_value_each(
            {n: v for n, v in draw_cases(question, group, {}).items() if n != SPONTANEOUS}
        )
        lungs = bar_leavers(full, drawn)
        settings = start_lungs(strategy, lung_model(question.lung), lungs, options.before, progress)
        outcomes = _solve(question, strategy, {**lungs, **settings}, options, progress)
        return _one(question, strategy, settings, outcomes, options.level)

    def join(found: list[xr.Dataset]) -> xr.Dataset:
        rows = [
            _side_by_side(found[at : at + len(chosen)], chosen, options.level)
            for at in range(0, len(found), len(chosen))
        ]
        whole = join_groups(rows, question.group_names)
        whole = whole.assign_coords({SPONTANEOUS: options.own_breathing})
        whole["strategy_source"] = ("strategy", [one.source for one in chosen])
        whole["leaves_out"] = ("strategy", ["; ".join(one.leaves_out) for one in chosen])
        label_variables(
            whole, VARIABLES, registry=SETTINGS, axes=(SPONTANEOUS,), level=options.level
        )
        return add_provenance(
            whole,
            question,
            "published strategies as wholes",
            Use((*SETTINGS, SPONTANEOUS), outcomes=_needed(question, chosen), also=_ALSO),
            lungs=lungs_drawn(question),
            before=options.before.sentence,
        )

    return listed(len(groups) * len(chosen), solve, join)


#: What the start of a lung needs besides what its outcomes do.
_ALSO = ("predicted_body_weight", "compliance", "fio2")


def _needed(question: Question, chosen: list[Strategy]) -> tuple[str, ...]:
    """Return the outcomes that harm and the strategies' own limits need."""
    own = (name for strategy in chosen for name in strategy.keeps.outcomes)
    return tuple(dict.fromkeys((*question.outcomes, *own)))


def _solve(
    question: Question,
    strategy: Strategy,
    cases: Mapping[str, np.ndarray],
    options: Strategies,
    progress: Progress,
) -> dict[str, np.ndarray]:
    """Return outcomes, shape (own breathing, n); NaN where a lung has no settings."""
    known = np.isfinite(cases["p_high"])
    # an impossible P high marks a case without settings; what else is lost needs a number
    filled = {name: np.where(known, cases[name], 1.0) for name in SETTINGS if name != "p_high"}
    columns = {n: np.reshape(v, (-1, 1)) for n, v in {**cases, **filled}.items()}
    levels = np.asarray(options.own_breathing)
    names = _needed(question, [strategy])
    solved = evaluate(
        lung_model(question.lung), {**columns, SPONTANEOUS: levels}, names, progress=progress
    )
    shape = (known.size, levels.size)
    return {name: np.broadcast_to(v, shape).T for name, v in solved.outcomes.items()}


def _one(
    question: Question,
    strategy: Strategy,
    settings: Mapping[str, np.ndarray],
    outcomes: Mapping[str, np.ndarray],
    level: float,
) -> xr.Dataset:
    """Return all that is found of one strategy in one population."""
    unset = float(np.isnan(settings["p_high"]).mean())
    harm = [_under(limits, outcomes, level) for limits in question.rules.values()]
    found = xr.concat(harm, dim=xr.Variable("rule", list(question.rules)), join="outer")
    found = found.merge(_own(strategy.keeps, outcomes, level))
    found["undetermined_share"] = found["undetermined_share"] - unset
    found["unset_share"] = ((), unset)
    return found.assign({name: ("sample", settings[name]) for name in SETTINGS})


def _under(limits: LimitSet, outcomes: Mapping[str, np.ndarray], level: float) -> xr.Dataset:
    judged = judge(limits, outcomes)
    n = judged.safe.shape[1]
    unharmed = judged.safe.sum(axis=1)
    ends = np.stack(wilson(unharmed, n, level))
    return xr.Dataset(
        {
            "unharmed": ((SPONTANEOUS, "sample"), judged.safe),
            "unharmed_share": (SPONTANEOUS, unharmed / n),
            "unharmed_share_interval": (("ci_bound", SPONTANEOUS), ends),
            "undetermined_share": (SPONTANEOUS, (~judged.determined).mean(axis=1)),
            "harm_share": (("bound", SPONTANEOUS), judged.bound_broken.mean(axis=2)),
        },
        {"bound": [bound.name for bound in limits.hard], "ci_bound": ["lower", "upper"]},
    )


def _own(keeps: LimitSet, outcomes: Mapping[str, np.ndarray], level: float) -> xr.Dataset:
    """Return how many lungs keep the strategy's own limits; NaN where its source states none."""
    levels = next(iter(outcomes.values())).shape[0]
    if not keeps.hard:
        none = np.full(levels, np.nan)
        data: dict[str, Any] = {
            "kept_share": (SPONTANEOUS, none),
            "kept_share_interval": (("ci_bound", SPONTANEOUS), np.stack([none, none])),
            "own_broken_share": (("own_bound", SPONTANEOUS), np.empty((0, levels))),
        }
        return xr.Dataset(data, {"own_bound": np.array([], dtype="<U1")})
    found = _under(keeps, outcomes, level).rename(
        unharmed_share="kept_share",
        unharmed_share_interval="kept_share_interval",
        harm_share="own_broken_share",
        bound="own_bound",
    )
    return found.drop_vars(["unharmed", "undetermined_share"])


def _side_by_side(found: list[xr.Dataset], chosen: list[Strategy], level: float) -> xr.Dataset:
    """Return strategies side by side, with the paired differences of each two."""
    names = [strategy.name for strategy in chosen]
    whole = xr.concat(found, dim=xr.Variable("strategy", names), join="outer")
    unharmed = whole["unharmed"].transpose("strategy", "rule", SPONTANEOUS, "sample").values > 0
    difference, low, high = paired_difference(unharmed[:, None], unharmed[None, :], level)
    dims = ("strategy", "other_strategy", "rule", SPONTANEOUS)
    whole["difference"] = (dims, difference)
    whole["difference_interval"] = (("ci_bound", *dims), np.stack([low, high]))
    return whole.drop_vars("unharmed").assign_coords(other_strategy=names)


def _size(question: Question, options: Strategies, axes: Axes) -> Size:
    lungs, levels, groups = lungs_drawn(question), len(options.own_breathing), groups_of(question)
    chosen = options.chosen
    searched = sum(one.starts["t_low"].way == "flow_ratio" for one in chosen)
    bounds = sum(len(rule.hard) for rule in question.rules.values()) + 20
    cells = len(chosen) * levels * (bounds + 3 * len(chosen))
    return Size(
        groups * lungs * (levels * len(chosen) + SEARCH_CASES * searched),
        lungs * levels,
        groups * (cells + len(SETTINGS) * len(chosen) * lungs),
    )


#: Other names under which a setting may be given, which the strategies set themselves.
_STAND_INS = ("t_low_in_time_constants", "plateau_peep")


def _check(asked: Asked) -> Iterator[str]:
    yield from asked.repeated("strategies")
    for name in (*SETTINGS, *_STAND_INS):
        if name in asked.study.table("fixed"):
            yield f"{asked.place}: the strategies set {name}, which is fixed too. Drop it."


ANALYSIS = with_knowledge(
    Analysis(
        name="strategies",
        long_name="published strategies as wholes",
        options=Strategies,
        pieces=strategies_pieces,
        size=_size,
        variables=VARIABLES,
        lays_out=lambda asked: [*SETTINGS, *_STAND_INS, SPONTANEOUS],
        draws=lambda asked: True,
        check=_check,
        keeps_pieces=True,
    )
)
