"""Release windows of every lung of a population, or of middle lungs along an axis."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Annotated, Any

import numpy as np
import xarray as xr
from pydantic import Field

from ebbmap.analyses.asked import Asked
from ebbmap.analyses.base import Analysis
from ebbmap.analyses.common.checks import check_along
from ebbmap.analyses.common.knowledge import with_knowledge
from ebbmap.analyses.common.sizes import Size, groups_of, lungs_drawn
from ebbmap.analyses.common.stand_in import STOOD_IN, StandIn, stood_in, surrogate_cases
from ebbmap.analyses.common.surrogate_kinds import SurrogateOptions
from ebbmap.analyses.common.window_stand_in import (
    FRESH_LUNGS,
    WINDOW_STAND_IN,
    foretold_windows,
    pick_cases,
)
from ebbmap.analyses.common.windows import (
    SEARCHED,
    T_LOW,
    UNCLEAR,
    WINDOW,
    WINDOW_VARIABLES,
    lungs_in_a_row,
    search_windows,
    stack_windows,
)
from ebbmap.analyses.options import (
    NO_AXES,
    Axes,
    Number,
    ParameterName,
    Positive,
    Share,
    axes_of,
    refuse_unused,
)
from ebbmap.cases.labelling import Variable, label_variables
from ebbmap.cases.pieces import Pieces, Progress, in_batches, listed
from ebbmap.cases.question import Question, draw_cases, middle_lung
from ebbmap.cases.uses import Use, add_provenance
from ebbmap.errors import EbbmapError
from ebbmap.kernels.serving import best_place_interval, served_counts
from ebbmap.kernels.shares import share_words, wilson
from ebbmap.kernels.windows import RESOLUTION, looks
from ebbmap.registries.limits import LimitSet
from ebbmap.registries.parameters import SPONTANEOUS

#: Places at which the share of lungs served is counted [s].
SERVED_AT = np.geomspace(0.1, 4.0, 161)

#: Evaluations that find where the margins of one lung change, besides the looks (measured before
#: there were several pieces: 25 to 40).
FOUND_CASES = 40


def window_cases(resolution: float = RESOLUTION) -> int:
    """Return the evaluations of one lung's window."""
    return len(looks(*SEARCHED, resolution)) + FOUND_CASES


#: Resamples of the lungs for the interval of the best single T low.
RESAMPLES = 200

#: Shares of the lungs of a population.
SHARES = (
    "served_share",
    "served_undetermined_share",
    "window_share",
    "window_undetermined_share",
)

_INTERVAL = Variable("interval of the share", "1", {"ci_method": "Wilson score"})

VARIABLES: Mapping[str, Variable] = {
    **WINDOW_VARIABLES,
    **WINDOW_STAND_IN,
    **{name: Variable(share_words(name)) for name in SHARES},
    "served_share_interval": _INTERVAL,
    "best_t_low": Variable("T low that serves most lungs, one for all", "s"),
    "best_t_low_interval": Variable(
        "interval of the T low that serves most lungs",
        "s",
        {"ci_method": f"bootstrap of lungs, percentile, {RESAMPLES} resamples"},
    ),
    "window_share_interval": _INTERVAL,
}


class Window(SurrogateOptions):
    """Release windows of every lung, or along an axis."""

    along: ParameterName | None = Field(
        default=None, description="axis along which middle lungs are followed; every lung if absent"
    )
    own_breathing: list[Annotated[Number, Field(ge=0)]] = Field(
        default=[],
        max_length=4,
        description="levels of alveolar ventilation by own breathing at which every rule judges "
        "[L min-1]; as the study has it if empty",
    )
    resolution: Share = Field(
        default=RESOLUTION,
        description="relative step of T low between two looks: narrower pieces and holes may be "
        "missed",
    )
    shortest: Positive = Field(
        default=SEARCHED[0], description="shortest T low that is searched [s]"
    )
    longest: Positive = Field(default=SEARCHED[1], description="longest T low that is searched [s]")
    level: Share = Field(default=0.95, description="level of the intervals")

    @property
    def searched(self) -> tuple[float, float]:
        """Range of T low that is searched [s]."""
        return self.shortest, self.longest

    @property
    def served_at(self) -> np.ndarray:
        """Places at which the share of lungs served is counted [s]: all, or those in the range."""
        inside = (SERVED_AT >= self.shortest) & (SERVED_AT <= self.longest)
        return SERVED_AT[inside] if self.surrogate else SERVED_AT

    def judges(self, question: Question) -> dict[str, tuple[LimitSet, dict[str, float]]]:
        """Return what is compared along `rule`: limits, and the values that they judge at."""
        if not self.own_breathing:
            return {name: (rule, {}) for name, rule in question.rules.items()}
        several = len(question.rules) > 1
        return {
            f"{name}, {level_words(level)}" if several else level_words(level): (
                rule,
                {SPONTANEOUS: level},
            )
            for name, rule in question.rules.items()
            for level in self.own_breathing
        }


def level_words(level: float) -> str:
    """Return a level of own breathing in words.

    Examples
    --------
    >>> level_words(0.0), level_words(2.0)
    ('no own breathing', 'own breathing 2 L/min')
    """
    return f"own breathing {level:g} L/min" if level else "no own breathing"


def find_window(
    question: Question,
    options: Window | None = None,
    *,
    axes: Axes = NO_AXES,
    progress: Progress = None,
) -> xr.Dataset:
    """Find the windows of every lung of every population, under every rule.

    Parameters
    ----------
    question : Question
        Model, lungs, values and rules.
    options : Window, optional
        An axis, and the level of the intervals.
    axes : mapping of str to ndarray, shape (m,)
        The values of that axis: then the windows are those of each population's middle lung
        along it, and `sample` counts its values.
    progress : callable, optional
        Called with the number of cases just finished.

    Returns
    -------
    xarray.Dataset
        As `search_windows`, dims (population, rule, sample, piece), with `window_share`, the share
        of all lungs that surely have a window, and `served_share` with its interval along
        `t_low`, the share of all lungs with this T low in a piece of their window; beside both
        the share that is undetermined, `window_undetermined_share` and
        `served_undetermined_share`; and `best_t_low` [s], the single T low that serves most, with
        its interval. With `surrogate`, intervals contain what it may misjudge, and how it fared
        on fresh cases and lungs is in the variables `surrogate_NAME`.

    Raises
    ------
    EbbmapError
        For values that cannot be, or an axis without values.

    Examples
    --------
    >>> from ebbmap.registries.limits import limit_set
    >>> windows = find_window(Question("linear", rules={"flow_ratio": limit_set("flow_ratio")}))
    >>> windows["state"].dims
    ('population', 'rule', 'sample')
    """
    options = options or Window()
    refuse_unused(axes, options.along)
    return ANALYSIS.pieces(question, options, axes).whole(progress)


def window_pieces(question: Question, options: Window, axes: Axes = NO_AXES) -> Pieces[xr.Dataset]:
    """Cut the windows into populations; see `find_window`."""
    question.require_rules()
    groups, judges = question.groups(), options.judges(question)
    along = axes_of(axes, options.along) if options.along else {}
    how: dict[str, Any] = {"searched": options.searched, "resolution": options.resolution}
    _refuse_surrogate(options)

    def solve(number: int, progress: Progress, batch: int | None = None) -> xr.Dataset:
        group = groups[number]
        drawn = {} if along else draw_cases(question, group, {}, batch=batch)
        values = middle_lung(question, group, along) if along else drawn
        rules = [
            search_windows(question.lung, values | held, rule, **how)
            for rule, held in judges.values()
        ]
        return stack_windows(rules, "rule", list(judges))

    def picked(number: int, progress: Progress) -> xr.Dataset:
        runs = options.surrogate_runs
        return pick_cases(question, groups[number], options.searched, runs, progress)

    def foretell(number: int, stand_in: StandIn, cases: xr.Dataset) -> xr.Dataset:
        at = how, options.served_at, options.level
        rules = [
            foretold_windows(question, groups[number], rule, stand_in, cases, *at)
            for rule, _ in judges.values()
        ]
        return stack_windows(rules, "rule", list(judges))

    def join(found: list[xr.Dataset]) -> xr.Dataset:
        dataset = stack_windows(found, "population", question.group_names)
        kept = {name: dataset.attrs[name] for name in ("searched", "resolution", "comment")}
        swept = (SPONTANEOUS,) if options.own_breathing else ()
        use = Use((*T_LOW, *along, *swept), middle=bool(along), outcomes=question.outcomes)
        dataset = add_provenance(
            dataset,
            question,
            "release windows",
            use,
            along=", ".join(along),
            **options.stood_in_by,
            **kept,
        )
        return dataset if along else _with_shares(dataset, options, question.seed)

    if options.surrogate:
        return stood_in(len(groups), picked, range(len(groups)), foretell, join, options)
    if question.lungs_may_grow and not along:
        return in_batches(
            len(groups), question.batches, solve, lambda found: join([*map(lungs_in_a_row, found)])
        )
    return listed(len(groups), solve, join)


def _refuse_surrogate(options: Window) -> None:
    """Refuse a range that is none, and what a surrogate of drawn lungs does not foretell."""
    if not options.shortest < options.longest:
        raise EbbmapError(
            f"shortest must be below longest; got {options.shortest:g} and {options.longest:g} s."
        )
    if not options.surrogate:
        return
    if options.along or options.own_breathing:
        raise EbbmapError(
            "a surrogate stands in for drawn lungs as they are: leave out along, and hold own "
            "breathing in the study's fixed values."
        )
    if not options.served_at.size:
        raise EbbmapError(
            f"a surrogate counts lungs at T low {SERVED_AT[0]:g} to {SERVED_AT[-1]:g} s; none of "
            f"it lies in {options.shortest:g} to {options.longest:g} s. Widen shortest and longest."
        )


def _with_shares(dataset: xr.Dataset, options: Window, seed: int) -> xr.Dataset:
    """Add the shares of lungs that have a window, that each T low serves, and the best T low."""
    n, state, level = dataset.sizes["sample"], dataset["state"], options.level
    at = options.served_at
    count = _served(dataset, "lower", "upper", "piece", at)
    unknown = _served(dataset, "unknown_lower", "unknown_upper", "unknown_piece", at)
    dataset["served_share"] = count / n
    dataset["served_undetermined_share"] = unknown / n
    dataset["window_share"] = (state == WINDOW).mean("sample")
    dataset["window_undetermined_share"] = (state == UNCLEAR).mean("sample")
    with_window = (state == WINDOW).sum("sample")
    for name, successes in (("served", count), ("window", with_window)):
        if options.surrogate:  # with what it may misjudge
            continue
        edges = np.stack(wilson(successes.values, n, level))
        dataset[f"{name}_share_interval"] = xr.DataArray(
            edges, {"ci_bound": ["lower", "upper"]}, ("ci_bound", *successes.dims)
        )
    best = _best(dataset, level, seed, at)
    if options.surrogate:
        between = dataset["best_between"].transpose("population", "rule", "ci_bound").values
        best[..., 1] = np.fmin(best[..., 1], between[..., 0])
        best[..., 2] = np.fmax(best[..., 2], between[..., 1])
        dataset = dataset.drop_vars("best_between")
    dataset["best_t_low"] = (("population", "rule"), best[..., 0])
    dataset["best_t_low_interval"] = (("population", "rule", "ci_bound"), best[..., 1:])
    own = {name: VARIABLES[name] for name in VARIABLES if name not in WINDOW_VARIABLES}
    label_variables(dataset, own, axes=["t_low"], level=level)
    if options.surrogate:
        dataset = dataset.assign_coords(ci_bound=["lower", "upper"])
        for name in ("served_share_interval", "window_share_interval"):
            dataset[name] = dataset[name].transpose("ci_bound", "population", "rule", ...)
            dataset[name].attrs["ci_method"] += STOOD_IN
    return dataset


def _best(dataset: xr.Dataset, level: float, seed: int, at: np.ndarray) -> np.ndarray:
    """Return the T low that serves most lungs and its interval, shape (population, rule, 3)."""
    order = ("population", "rule", "sample", "piece")
    low, high = (dataset[name].transpose(*order).values for name in ("lower", "upper"))
    how: dict[str, Any] = {"resamples": RESAMPLES, "level": level, "seed": seed}
    return np.array(
        [
            [best_place_interval(*edges, at, **how) for edges in zip(*both, strict=True)]
            for both in zip(low, high, strict=True)
        ]
    )


def _served(dataset: xr.Dataset, start: str, end: str, piece: str, at: np.ndarray) -> xr.DataArray:
    """Count the lungs with each T low in a piece, dims (population, rule, t_low)."""
    order = ("population", "rule", "sample", piece)
    low, high = (dataset[name].transpose(*order).values for name in (start, end))
    counts = [
        [served_counts(*edges, at) for edges in zip(*both, strict=True)]
        for both in zip(low, high, strict=True)
    ]
    dims = ("population", "rule", "t_low")
    return xr.DataArray(np.array(counts), dims=dims, coords={"t_low": at})


def _size(question: Question, options: Window, axes: Axes) -> Size:
    lungs = len(axes[options.along]) if options.along else lungs_drawn(question)
    judges = max(1, len(options.judges(question)))
    total = groups_of(question) * lungs * judges
    if options.surrogate:
        fresh = FRESH_LUNGS * judges * window_cases(options.resolution)
        solved = surrogate_cases(options.surrogate_runs) + fresh
        return Size(groups_of(question) * solved, lungs, 8 * total)
    return Size(total * window_cases(options.resolution), lungs, 8 * total)


def _check(asked: Asked) -> Iterator[str]:
    place, study = asked.place, asked.study
    if "along" in asked:
        yield from check_along(asked)
        if study.table("samples"):
            yield f"{place}.along: follows middle lungs, not [samples]. Fix them."
    for name in T_LOW:
        if name in study.table("fixed") or name in study.table("samples"):
            yield f"{place}: searches for T low, so {name} cannot be given."
        if asked.get("along") == name:
            yield f"{place}.along: cannot be {name}, which is searched for."


ANALYSIS = with_knowledge(
    Analysis(
        name="window",
        long_name="release windows",
        options=Window,
        pieces=window_pieces,
        size=_size,
        variables=VARIABLES,
        lays_out=lambda asked: [
            *T_LOW,
            asked.get("along"),
            SPONTANEOUS if asked.get("own_breathing") else None,
        ],
        draws=lambda asked: asked.get("along") is None,
        check=_check,
        keeps_pieces=True,
        by_population=True,
        takes_more_lungs=lambda options, may_grow: (
            options["along"] is not None or (may_grow and not options["surrogate"])
        ),
    ),
    where=lambda options: options.along is None,
)
