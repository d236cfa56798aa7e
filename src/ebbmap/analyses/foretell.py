"""How well each rule for T low foretells harm, and what it does as a way of choosing T low."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Annotated, Any, Literal

import numpy as np
import xarray as xr
from pydantic import Field

from ebbmap.analyses.asked import Asked
from ebbmap.analyses.base import Analysis
from ebbmap.analyses.common.foretold import VARIABLES, after_choosing, scores_of
from ebbmap.analyses.common.knowledge import with_knowledge
from ebbmap.analyses.common.models import further_models, of_models
from ebbmap.analyses.common.sizes import Size, groups_of, lungs_drawn
from ebbmap.analyses.common.windows import SEARCHED, one_value_each
from ebbmap.analyses.options import (
    NO_AXES,
    Axes,
    LungName,
    Number,
    Options,
    Positive,
    Share,
    axis_of,
)
from ebbmap.cases.drawn_bounds import bar_leavers
from ebbmap.cases.evaluate import evaluate, resolve
from ebbmap.cases.labelling import label_variables
from ebbmap.cases.pieces import Pieces, Progress, join_groups, named
from ebbmap.cases.question import Question, draw_cases, seed_of
from ebbmap.cases.uses import Use, add_provenance
from ebbmap.kernels.choosing import t_low_reaching
from ebbmap.kernels.foretelling import count_releases, foretold
from ebbmap.kernels.judging import Judgement, judge
from ebbmap.kernels.resampling import bootstrap_weights
from ebbmap.lungs import lung_model
from ebbmap.registries.derivations import ways
from ebbmap.registries.parameters import SPONTANEOUS

WayName = Literal["flow_ratio", "exhaled_fraction", "t_low", "release_in_time_constants"]

#: Ways of choosing T low, each with its thresholds in the order of longer and longer releases.
WAYS: Mapping[WayName, tuple[float, ...]] = {
    "flow_ratio": tuple(np.linspace(0.9, 0.2, 15).round(2).tolist()),
    "exhaled_fraction": tuple(np.linspace(0.1, 0.8, 15).round(2).tolist()),
    "t_low": tuple(np.linspace(0.1, 1.5, 15).round(2).tolist()),
    "release_in_time_constants": tuple(np.linspace(0.1, 1.5, 15).round(2).tolist()),
}

#: What falls as a release goes on.
FALLS = ("flow_ratio",)

#: Evaluations for one T low that is searched for (measured: 6 to 12).
SEARCH_CASES = 12


class Foretell(Options):
    """Rules for T low against the harm that follows."""

    ways: dict[WayName, list[Positive]] = Field(
        default={name: list(values) for name, values in WAYS.items()},
        min_length=1,
        description="thresholds of each way of choosing T low, in its unit",
    )
    own_breathing: list[Annotated[Number, Field(ge=0)]] = Field(
        default=[0.0, 2.0, 4.0],
        min_length=1,
        max_length=4,
        description="levels of alveolar ventilation by own breathing [L min-1]",
    )
    models: list[LungName] = Field(default=[], description="lung models; the study's own if empty")
    resamples: int = Field(default=500, ge=2, le=10_000, description="bootstrap resamples")
    level: Share = Field(default=0.95, description="level of the intervals")

    def thresholds(self, way: WayName) -> np.ndarray:
        """Return the thresholds of a way in the order of longer and longer releases."""
        values = np.unique(np.asarray(self.ways[way]))
        return values[::-1] if way in FALLS else values

    @property
    def steps(self) -> int:
        """Thresholds of the way that has most."""
        return max(len(self.thresholds(way)) for way in self.ways)


def find_foretell(
    question: Question,
    options: Foretell | None = None,
    *,
    axes: Axes = NO_AXES,
    progress: Progress = None,
) -> xr.Dataset:
    """Find how well each rule for T low foretells harm, and what choosing by it does.

    Parameters
    ----------
    question : Question
        Populations, values, and the limits on harm: a case is harmed where it surely breaks a
        hard one, unharmed where it surely breaks none.
    options : Foretell, optional
        Ways of choosing T low with their thresholds, own breathing, lung models.
    axes : mapping of str to ndarray, shape (m,)
        `t_low`: the releases that every rule is held against, the same in every lung.
    progress : callable, optional
        Called with the number of cases just finished.

    Returns
    -------
    xarray.Dataset
        Dims (population, model, rule, own breathing, way, step). T low chosen at each threshold:
        `chosen_t_low`, `unharmed_share` with its interval, `undetermined_share`,
        `unreached_share`, and `harm_share` by `bound`. Releases on the axis of T low, told apart
        by each threshold: `kept_unharmed_share`, `broken_unharmed_share`, `sensitivity`,
        `specificity`, `youden`; and without `step` the two thresholds between which harm is
        foretold best, all with intervals over lungs.

    Raises
    ------
    EbbmapError
        For values that cannot be, no axis of T low, or no limits.

    Examples
    --------
    >>> from ebbmap.registries.limits import limit_set
    >>> harm = {"harm": limit_set("auto_peep")}
    >>> asked = Question("linear", fixed={"resistance_exp": 10.0}, rules=harm)
    >>> options = Foretell(ways={"flow_ratio": [0.75, 0.5]}, own_breathing=[0.0])
    >>> found = find_foretell(asked, options, axes={"t_low": [0.2, 0.4, 2.0]})
    >>> found["chosen_t_low"].values.round(3).ravel().tolist()
    [0.144, 0.347]
    """
    return ANALYSIS.pieces(question, options or Foretell(), axes).whole(progress)


def foretell_pieces(question: Question, options: Foretell, axes: Axes) -> Pieces[xr.Dataset]:
    """Cut the work into populations and lung models; see `find_foretell`."""
    question.require_rules()
    t_low = axis_of(axes, "t_low")
    models = list(options.models) or [question.lung]
    groups = question.groups()

    def solve(name: str, progress: Progress) -> xr.Dataset:
        number, _, model = name.partition(".")
        asked = replace(question, lung=model)
        group = asked.groups()[int(number)]
        cases = _Cases(asked, options, draw_cases(asked, group, {}), progress)
        every = np.broadcast_to(t_low, (cases.lungs, t_low.size))
        looked_at = [way for way in options.ways if way != "t_low"]
        solved = cases.solve(every, (*question.outcomes, *looked_at))
        at_every = {"t_low": every, **solved}
        return xr.concat(
            [_way(cases, way, at_every) for way in options.ways],
            dim=xr.Variable("way", list(options.ways)),
            join="outer",
        )

    def join(found: list[xr.Dataset]) -> xr.Dataset:
        each = [found[at : at + len(models)] for at in range(0, len(found), len(models))]
        dim = xr.Variable("model", models)
        whole = join_groups(
            [xr.concat(one, dim=dim, join="outer") for one in each], question.group_names
        )
        label_variables(whole, VARIABLES, axes=(SPONTANEOUS,), level=options.level)
        return _with_words(whole, question, options, t_low)

    return named(of_models(len(groups), models), solve, join)


class _Cases:
    """Lungs of one population in one model, solved at any T low."""

    def __init__(
        self,
        question: Question,
        options: Foretell,
        values: Mapping[str, Any],
        progress: Progress,
    ):
        self.question, self.options, self.progress = question, options, progress
        self.model = lung_model(question.lung)
        full, drawn = one_value_each({n: v for n, v in values.items() if n != SPONTANEOUS})
        self.values = bar_leavers(full, drawn)
        self.lungs = max((array.size for array in full.values()), default=1)
        p_high = resolve(self.values, ("p_high", "compliance"))["p_high"]
        self.values = {
            name: value
            for name, value in self.values.items()
            if name not in {way.trigger for way in ways("p_high", self.values)}
        } | {"p_high": p_high}

    def solve(self, t_low: np.ndarray, names: Sequence[str]) -> dict[str, np.ndarray]:
        """Return outcomes, shape (own breathing, n, k), at T low of shape (n, k)."""
        lungs = {name: np.reshape(value, (-1, 1, 1)) for name, value in self.values.items()}
        # last, so that a block holds every level and its lungs are solved once
        levels = np.asarray(self.options.own_breathing)
        t_low = t_low[..., None]
        # an impossible P high marks a case that has no T low
        known = np.isfinite(t_low)
        lungs |= {
            "p_high": np.where(known, lungs["p_high"], np.nan),
            "t_low": np.where(known, t_low, 1.0),
            SPONTANEOUS: levels,
        }
        solved = evaluate(self.model, lungs, tuple(names), progress=self.progress)
        # outcomes that take no account of own breathing are the same at every level of it
        shape = (self.lungs, t_low.shape[1], levels.size)
        return {
            name: np.moveaxis(np.broadcast_to(value, shape), -1, 0)
            for name, value in solved.outcomes.items()
        }

    def choose(self, way: WayName, thresholds: np.ndarray) -> np.ndarray:
        """Return T low chosen at every threshold, shape (n, t); NaN where there is none."""
        if way == "t_low":
            return np.broadcast_to(thresholds, (self.lungs, thresholds.size))
        full = {n: np.broadcast_to(value, (self.lungs,)) for n, value in self.values.items()}

        def measure(t_low: np.ndarray, lung: np.ndarray) -> np.ndarray:
            case = {name: value[lung] for name, value in full.items()}
            solved = evaluate(self.model, {**case, "t_low": t_low}, (way,), progress=self.progress)
            return solved.outcomes[way]

        low, high = SEARCHED
        return t_low_reaching(measure, thresholds, self.lungs, low=low, high=high)


def _way(cases: _Cases, way: WayName, at_every: Mapping[str, np.ndarray]) -> xr.Dataset:
    """Return all that is found of one way, with its thresholds along `step`."""
    options, rules = cases.options, cases.question.rules
    thresholds = options.thresholds(way)
    chosen = cases.choose(way, thresholds)
    at_chosen = cases.solve(chosen, cases.question.outcomes)
    measure = at_every[way]
    measure = measure[0] if measure.ndim > 2 else measure
    unreached = np.isnan(chosen)
    found = []
    for limits in rules.values():
        apart = _told_apart(cases, judge(limits, at_every), measure, thresholds, way in FALLS)
        found.append(after_choosing(limits, at_chosen, options.level).merge(apart))
    whole = xr.concat(found, dim=xr.Variable("rule", list(rules)), join="outer")
    whole["threshold"] = ("step", thresholds)
    with np.errstate(all="ignore"):
        middle = np.where(unreached.all(axis=0), np.nan, np.nanmedian(chosen, axis=0))
    whole["chosen_t_low"] = ("step", middle)
    whole["unreached_share"] = ("step", unreached.mean(axis=0))
    whole["undetermined_share"] = whole["undetermined_share"] - whole["unreached_share"]
    whole = whole.assign_coords({SPONTANEOUS: options.own_breathing})
    return whole.pad(step=(0, options.steps - thresholds.size))


def _told_apart(
    cases: _Cases, judged: Judgement, measure: np.ndarray, thresholds: np.ndarray, falls: bool
) -> xr.Dataset:
    """Count what the releases on the axis of T low do on both sides of every threshold."""
    options = cases.options
    rng = np.random.default_rng(seed_of(np.random.SeedSequence(cases.question.seed).spawn(3)[2]))
    weights = bootstrap_weights(cases.lungs, options.resamples, rng)
    levels = []
    for safe, unsafe in zip(judged.safe, judged.unsafe, strict=True):
        counted = count_releases(measure, unsafe, safe, thresholds, falls=falls)
        levels.append(scores_of(foretold(counted, weights), thresholds, options.level))
    whole = xr.concat(levels, dim=SPONTANEOUS, join="outer")
    whole["unharmed_releases"] = (SPONTANEOUS, judged.safe.mean(axis=(1, 2)))
    whole["undetermined_releases"] = (SPONTANEOUS, 1.0 - judged.determined.mean(axis=(1, 2)))
    return whole


def _with_words(
    dataset: xr.Dataset, question: Question, options: Foretell, t_low: np.ndarray
) -> xr.Dataset:
    return add_provenance(
        dataset,
        question,
        "how well each rule for T low foretells harm",
        Use(
            ("t_low", SPONTANEOUS),
            outcomes=question.outcomes,
            lungs=tuple(options.models),
        ),
        lungs=lungs_drawn(question),
        releases=f"T low {t_low[0]:g} to {t_low[-1]:g} s, {t_low.size} values",
        resamples=options.resamples,
    )


def _size(question: Question, options: Foretell, axes: Axes) -> Size:
    lungs, levels = lungs_drawn(question), len(options.own_breathing)
    groups = groups_of(question) * max(1, len(options.models))
    chosen = sum(len(options.thresholds(way)) for way in options.ways)
    solved = lungs * (levels * (chosen + len(axes["t_low"])))
    cells = groups * levels * max(1, len(question.rules)) * len(options.ways) * options.steps
    held = lungs * levels * max(options.steps, len(axes["t_low"]))
    return Size(groups * (solved + SEARCH_CASES * lungs * chosen), held, 30 * cells)


def _check(asked: Asked) -> Iterator[str]:
    place, study = asked.place, asked.study
    yield from asked.repeated("models")
    if "t_low" not in study.table("axes"):
        yield f"{place}: needs releases to hold the rules against. Add [axes.t_low]."
    for way in ("flow_ratio", "exhaled_fraction"):
        for value in asked.table("ways").get(way, ()):
            if isinstance(value, int | float) and value >= 1:
                yield f"{place}.ways.{way}: must be a share below 1; got {value:g}."


ANALYSIS = with_knowledge(
    Analysis(
        name="foretell",
        long_name="how well rules for T low foretell harm",
        options=Foretell,
        pieces=foretell_pieces,
        size=_size,
        variables=VARIABLES,
        lays_out=lambda asked: [
            "t_low",
            "t_low_in_time_constants",
            SPONTANEOUS,
        ],
        draws=lambda asked: True,
        models=lambda asked: asked.words("models"),
        check=_check,
        keeps_pieces=True,
        by_population=True,
        serves=further_models,
    )
)
