"""Safe-region maps: the share of lungs that a pair of values serves, and what fails elsewhere."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from math import prod
from typing import Annotated, Any

import numpy as np
import xarray as xr
from pydantic import Field

from ebbmap.analyses.asked import Asked
from ebbmap.analyses.base import Analysis
from ebbmap.analyses.common.knowledge import with_knowledge
from ebbmap.analyses.common.sizes import Size, groups_of, lungs_drawn
from ebbmap.analyses.common.stand_in import (
    STAND_IN,
    STOOD_IN,
    Misjudged,
    StandIn,
    misjudged,
    picked_cases,
    stood_in,
    surrogate_cases,
)
from ebbmap.analyses.options import (
    NO_AXES,
    Axes,
    Number,
    Options,
    ParameterName,
    Share,
    axes_of,
    refuse_unused,
)
from ebbmap.cases.checks import check_memory
from ebbmap.cases.labelling import Variable, describe, label_variables
from ebbmap.cases.pieces import Found, Pieces, Progress, in_a_row, join_groups, listed
from ebbmap.cases.question import Question, draw_cases, middle_lung
from ebbmap.cases.simulate import simulate
from ebbmap.cases.uses import Use, add_provenance
from ebbmap.kernels.dropping import kept_probability
from ebbmap.kernels.judging import cautions_clear, judge
from ebbmap.kernels.shares import crossing, share_words, shares
from ebbmap.registries.limits import LimitSet
from ebbmap.registries.parameters import parameter

#: The boundary of a safe region: where half of the lungs are served.
BOUNDARY = 0.5

#: Cases of a piece: some tenths of a second of the linear lung, and less than 0.2 GB.
PIECE = 2**20


_SHARES = (
    "safe_share",
    "safe_share_interval",
    "caution_share",
    "undetermined_share",
    "unsteady_share",
    "broken_share",
)

VARIABLES: Mapping[str, Variable] = {
    **{name: Variable(share_words(name, "{of}")) for name in _SHARES},
    "commonest_bound": Variable("limit broken most often", None),
    "averaged_share": Variable(
        "share of all {of} that break no hard limit, averaged over the limits' uncertainty"
    ),
    **STAND_IN,
    "boundary": Variable("edges of the part that serves half of the lungs, along {x}", "{x_units}"),
}


class Map(Options):
    """Safe share over two axes."""

    x: ParameterName = Field(description="parameter on the horizontal axis")
    y: ParameterName = Field(description="parameter on the vertical axis")
    average_over: list[ParameterName] = Field(
        default=[], description="axes that are averaged over, with the lungs"
    )
    level: Share = Field(default=0.95, description="level of the intervals")
    surrogate: bool = Field(
        default=False,
        description="let polynomials of the outcomes stand in for the lung, fitted to some of the "
        "map's own cases, if fresh ones bear them out",
    )
    surrogate_runs: int = Field(
        default=1024,
        ge=64,
        le=100_000,
        strict=True,
        description="cases that a surrogate is fitted to in each population; half as many judge it",
    )
    over_limits: Annotated[Number, Field(ge=0)] | None = Field(
        default=None,
        description="average over the limits' uncertainty too; this one, in widths, where a limit "
        "states none",
    )


def find_map(
    question: Question, options: Map, *, axes: Axes = NO_AXES, progress: Progress = None
) -> xr.Dataset:
    """Map the safe share over two axes.

    Parameters
    ----------
    question : Question
        Model, lungs, values and the rules that are compared.
    options : Map
        The two axes, those that are averaged over, and the level of the intervals.
    axes : mapping of str to ndarray, shape (m,)
        The values of all of these axes, by parameter name.
    progress : callable, optional
        Called with the number of cases just finished.

    Returns
    -------
    xarray.Dataset
        Dims (population, rule, y, x): `safe_share` with `safe_share_interval`, `caution_share`,
        `undetermined_share`, `unsteady_share`, `broken_share` by `bound`, all of all cases behind
        a cell; `commonest_bound`, and the `boundary` along x where the safe share crosses one
        half. Along population, `middle_x` and `middle_y` by the names of those axes that are lung
        properties: the middle lung, given what is fixed. With `over_limits`, `averaged_share`: the
        safe share averaged over the limits' uncertainty. With `surrogate`, intervals contain what
        it may misjudge; how it fared on fresh cases is in `surrogate_q2`, `surrogate_misjudged`,
        `surrogate_falsely_safe` and `surrogate_falsely_unsafe` (population, rule).

    Raises
    ------
    EbbmapError
        For values that cannot be, a map too large to hold, or if fresh cases do not bear a
        surrogate out.

    Examples
    --------
    >>> from ebbmap.registries.limits import limit_set
    >>> from ebbmap.registries.populations import population
    >>> asked = Question(
    ...     "linear",
    ...     populations=(population("normal"),), lungs=50,
    ...     rules={"flow_ratio": limit_set("flow_ratio")},
    ... )
    >>> axes = {"t_low": [0.2, 0.4], "p_high": [20.0, 25.0, 30.0]}
    >>> find_map(asked, Map(x="t_low", y="p_high"), axes=axes)["safe_share"].shape
    (1, 1, 3, 2)
    """
    refuse_unused(axes, options.x, options.y, *options.average_over)
    return ANALYSIS.pieces(question, options, axes).whole(progress)


def map_pieces(
    question: Question, options: Map, axes: Axes, *, piece: int = PIECE
) -> Pieces[xr.Dataset]:
    """Cut a map into rows of cells of one population.

    Parameters
    ----------
    question, options, axes
        As in `find_map`.
    piece : int
        Cases of a piece, at most, unless a single row has more. It changes no number.
    """
    question.require_rules()
    cut = _Cut(question, options, axes_of(axes, options.x, options.y, *options.average_over), piece)
    of = [group for group in range(len(question.groups())) for _ in cut.starts]
    if options.surrogate:
        groups, runs = len(question.groups()), options.surrogate_runs
        pieces = stood_in(groups, cut.picked, of, cut.foretold, cut.join, runs)
    else:
        pieces = listed(len(of), cut.solved, cut.join)

    def wanted(found: Found) -> list[str]:
        cut.check_memory()
        return pieces.wanted(found)

    return replace(pieces, wanted=wanted)


@dataclass(frozen=True)
class _Cut:
    """A map cut into rows of cells of one population: `height` places along y each.

    The parameters are those of `map_pieces`, with all axes of the map.
    """

    question: Question
    options: Map
    axes: Axes
    piece: int

    @property
    def row(self) -> int:
        """Cases of one place along y."""
        others = (len(axis) for name, axis in self.axes.items() if name != self.options.y)
        return lungs_drawn(self.question) * prod(others)

    @property
    def height(self) -> int:
        """Places along y in a piece."""
        return max(1, self.piece // self.row)

    @property
    def starts(self) -> range:
        """Where the pieces of a population start along y."""
        return range(0, len(self.axes[self.options.y]), self.height)

    def check_memory(self) -> None:
        """Refuse a map too large to hold: it is counted as it streams by a sweep without cases."""
        x, y = self.options.x, self.options.y
        cases = self.row * len(self.axes[y])
        check_memory(cases, len(self.question.outcomes) + 4, f"the map of {y} against {x}")

    def _values(self, number: int) -> dict[str, Any]:
        """Return all values of a piece."""
        group, at = divmod(number, len(self.starts))
        y, start = self.options.y, self.starts[at]
        own = {**self.axes, y: self.axes[y][start : start + self.height]}
        return draw_cases(self.question, self.question.groups()[group], own)

    def _judged(self, solved: xr.Dataset, errors: Mapping[str, Misjudged]) -> xr.Dataset:
        """Count verdicts under every rule."""
        rules = self.question.rules
        rows = [_rows(solved, own, self.options, errors.get(name)) for name, own in rules.items()]
        return xr.concat(rows, dim=xr.Variable("rule", list(rules)), join="outer")

    def solved(self, number: int, progress: Progress) -> xr.Dataset:
        """Solve a piece, and count verdicts."""
        x, y, question = self.options.x, self.options.y, self.question
        values = self._values(number)
        solved = simulate(question.lung, outcomes=question.outcomes, progress=progress, **values)
        rest = [dim for dim in solved["status"].dims if dim not in (x, y)]
        return self._judged(solved.transpose(y, x, *rest), {})

    def picked(self, group: int, progress: Progress) -> xr.Dataset:
        """Solve what a surrogate of a population is fitted to and judged by."""
        question = self.question
        values = draw_cases(question, question.groups()[group], self.axes)
        count = surrogate_cases(self.options.surrogate_runs)
        return picked_cases(question, values, question.outcomes, count, progress)

    def foretold(self, number: int, stand_in: StandIn, cases: xr.Dataset) -> xr.Dataset:
        """Let a surrogate foretell a piece, and count verdicts."""
        x, y, values = self.options.x, self.options.y, self._values(number)
        rest = dict.fromkeys(d for array in values.values() for d in array.dims)
        dims = (y, x, *(d for d in rest if d not in (x, y)))
        outcomes = stand_in.foretell(values, dims)
        solved = xr.Dataset(
            {name: (dims, array) for name, array in outcomes.items()},
            {n: values[n] for n in (x, y)},
        )
        errors = {r: misjudged(stand_in, cases, own) for r, own in self.question.rules.items()}
        return self._judged(solved, errors).assign(surrogate_q2=stand_in.q2)

    def join(self, found: list[xr.Dataset]) -> xr.Dataset:
        """Put the pieces of every population together, and find where half of the lungs end."""
        x, y, of = self.options.x, self.options.y, len(self.starts)
        groups = [in_a_row(found[at : at + of], y) for at in range(0, len(found), of)]
        dataset = join_groups(groups, self.question.group_names)
        edges = crossing(self.axes[x], dataset["safe_share"].values, BOUNDARY)
        dataset["boundary"] = (("population", "rule", "ci_bound", y), np.stack(edges, axis=2))
        dataset = dataset.assign(_middle_places(self.question, self.axes, (x, y)))
        return _with_words(dataset, self.question, self.options, self.axes)


def _middle_places(
    question: Question, axes: Mapping[str, np.ndarray], shown: tuple[str, ...]
) -> dict[str, xr.DataArray]:
    """Return where each population's middle lung, given what is fixed, lies on axes of properties.

    NaN in a population without the property; no variable where no population has it.
    """
    fixed = {name: value for name, value in question.fixed.items() if name not in axes}
    middles = [
        middle_lung(replace(question, fixed=fixed), group, {}) if group else {}
        for group in question.groups()
    ]
    return {
        f"middle_{name}": describe(
            xr.DataArray([float(one.get(name, np.nan)) for one in middles], dims="population"),
            f"{parameter(name).long_name} of the middle lung",
            parameter(name).units,
        )
        for name in shown
        if any(name in one for one in middles)
    }


def _rows(
    solved: xr.Dataset, limits: LimitSet, options: Map, error: Misjudged | None = None
) -> xr.Dataset:
    x, y = options.x, options.y
    cells = (solved.sizes[y], solved.sizes[x])
    outcomes = {n: solved[n].values.reshape(*cells, -1) for n in limits.outcomes}
    judged = judge(limits, outcomes)
    bounds = [bound.name for bound in limits.hard]
    counted = shares(judged.verdict, judged.binding, bounds=len(bounds), level=options.level)
    named = np.array([*bounds, "none"])[counted.commonest]
    ends = [counted.safe_low, counted.safe_high]
    if error is not None:
        ends = error.widened(judged.margin, options.level)
    rows = xr.Dataset(
        {
            "safe_share": ((y, x), counted.safe),
            "safe_share_interval": (
                ("ci_bound", y, x),
                np.stack(ends),
            ),
            "caution_share": ((y, x), counted.caution),
            "undetermined_share": ((y, x), counted.undetermined),
            "unsteady_share": ((y, x), judged.unsteady.mean(axis=-1)),
            "broken_share": (("bound", y, x), counted.broken),
            "commonest_bound": ((y, x), named),
        },
        {x: solved[x], y: solved[y], "bound": bounds, "ci_bound": ["lower", "upper"]},
    )
    if error is not None:
        rows = rows.assign(error.said())
    if options.over_limits is not None:
        spread = [bound.spread(options.over_limits) for bound in limits.hard]
        kept = kept_probability(judged.bound_margin, np.array(spread)).prod(axis=0)
        clear = cautions_clear(limits, outcomes)
        rows["averaged_share"] = ((y, x), (kept * clear).mean(axis=-1))
    return rows


def _with_words(dataset: xr.Dataset, question: Question, options: Map, axes: Axes) -> xr.Dataset:
    x, y = options.x, options.y
    averaged = {name: axis for name, axis in axes.items() if name not in (x, y)}
    of = "lungs at all averaged settings" if averaged else "lungs"
    label_variables(dataset, VARIABLES, axes=(x, y), of=of, x=x, x_units=parameter(x).units)
    method = "Wilson score"
    if options.surrogate:
        method += STOOD_IN
    interval = {"ci_method": method, "ci_level": options.level}
    dataset["safe_share_interval"].attrs |= interval
    return add_provenance(
        dataset,
        question,
        f"safe region: {y} against {x}",
        Use(tuple(axes), averaged, outcomes=question.outcomes),
        lungs=question.lungs if question.populations or question.samples else 0,
        surrogate_runs=options.surrogate_runs if options.surrogate else 0,
    )


def _size(question: Question, options: Map, axes: Axes) -> Size:
    rest = prod(len(axes[name]) for name in (options.x, *options.average_over))
    cells = rest * len(axes[options.y])
    rules = max(1, len(question.rules))
    kept = groups_of(question) * cells * rules * 40
    if options.surrogate:
        solved = surrogate_cases(options.surrogate_runs)
        return Size(groups_of(question) * solved, rest * lungs_drawn(question), kept)
    # rows of the map are solved one after the other; a population at a time
    return Size(
        groups_of(question) * cells * lungs_drawn(question),
        rest * lungs_drawn(question),
        kept,
    )


def _check(asked: Asked) -> Iterator[str]:
    for key in ("x", "y", "average_over"):
        yield from asked.need_axis(key)
    if asked.get("x") == asked.get("y"):
        yield f"{asked.place}: x and y must differ."
    family, _, number = asked.place.rpartition(".")
    for before, other in enumerate(asked.same_kind[: int(number)]):
        if [str(other.get(side)) for side in "xy"] == [str(asked.get(side)) for side in "xy"]:
            yield f"{asked.place}: has the x and y of {family}.{before}. Keep one of them."
            return


ANALYSIS = with_knowledge(
    Analysis(
        name="map",
        long_name="safe-region map",
        options=Map,
        pieces=map_pieces,
        size=_size,
        variables=VARIABLES,
        lays_out=lambda asked: [asked.get("x"), asked.get("y"), *asked.words("average_over")],
        draws=lambda asked: True,
        check=_check,
        stem=lambda options: f"map_{options.x}_{options.y}",
        keeps_pieces=True,
        by_population=True,
        counts_cases=True,
        several=True,
    )
)
