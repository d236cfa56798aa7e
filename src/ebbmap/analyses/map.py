"""Safe-region maps: the share of lungs that a pair of values serves, and what fails elsewhere."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from math import prod
from typing import Annotated, Any

import numpy as np
import xarray as xr
from pydantic import Field

from ebbmap.analyses.asked import Asked
from ebbmap.analyses.base import Analysis
from ebbmap.analyses.common.cells import bounds_of, cell_shares, count_cells
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
from ebbmap.analyses.common.surrogate_kinds import SurrogateOptions
from ebbmap.analyses.options import (
    NO_AXES,
    Axes,
    Number,
    ParameterName,
    Share,
    axes_of,
    refuse_unused,
)
from ebbmap.cases.checks import check_memory
from ebbmap.cases.labelling import Variable, describe, label_variables
from ebbmap.cases.pieces import Found, Pieces, Progress, in_a_row, in_batches, join_groups, listed
from ebbmap.cases.question import BATCH, Question, draw_cases, middle_lung
from ebbmap.cases.simulate import simulate
from ebbmap.cases.uses import Use, add_provenance
from ebbmap.kernels.shares import crossing, share_words
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


class Map(SurrogateOptions):
    """Safe share over two axes."""

    x: ParameterName = Field(description="parameter on the horizontal axis")
    y: ParameterName = Field(description="parameter on the vertical axis")
    average_over: list[ParameterName] = Field(
        default=[], description="axes that are averaged over, with the lungs"
    )
    level: Share = Field(default=0.95, description="level of the intervals")
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
    groups, starts = len(question.groups()), len(cut.starts)
    if options.surrogate:
        of = [number // starts for number in range(groups * starts)]
        pieces = stood_in(groups, cut.picked, of, cut.foretold, cut.join, options)
    elif cut.grows:
        pieces = in_batches(groups * starts, question.batches, cut.counted, cut.join_batches)
    else:
        pieces = listed(groups * starts, cut.shares, cut.join)

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
    def grows(self) -> bool:
        """Whether more lungs may come later, so that they are counted in batches."""
        return self.question.lungs_may_grow and not self.options.surrogate

    @property
    def places(self) -> int:
        """Places behind one along y."""
        return prod(len(axis) for name, axis in self.axes.items() if name != self.options.y)

    @property
    def starts(self) -> range:
        """Where the pieces of a population start along y."""
        # rows of a piece must not depend on how many lungs there are where more of them may come
        lungs = BATCH if self.grows else lungs_drawn(self.question)
        return range(0, len(self.axes[self.options.y]), max(1, self.piece // (lungs * self.places)))

    def check_memory(self) -> None:
        """Refuse a map too large to hold: it is counted as it streams by a sweep without cases."""
        x, y = self.options.x, self.options.y
        cases = lungs_drawn(self.question) * self.places * len(self.axes[y])
        check_memory(cases, len(self.question.outcomes) + 4, f"the map of {y} against {x}")

    def _values(self, number: int, batch: int | None = None) -> dict[str, Any]:
        """Draw the cases of a piece."""
        group, at = divmod(number, len(self.starts))
        y, start = self.options.y, self.starts[at]
        own = {**self.axes, y: self.axes[y][start : start + self.starts.step]}
        return draw_cases(self.question, self.question.groups()[group], own, batch=batch)

    def _solved(self, number: int, progress: Progress, batch: int | None = None) -> xr.Dataset:
        x, y, question = self.options.x, self.options.y, self.question
        values = self._values(number, batch)
        cases = simulate(question.lung, outcomes=question.outcomes, progress=progress, **values)
        return cases.transpose(y, x, *(dim for dim in cases["status"].dims if dim not in (x, y)))

    def _by_rule(self, rows: Callable[[str, LimitSet], xr.Dataset], **how: Any) -> xr.Dataset:
        rules = self.question.rules
        found = [rows(name, limits) for name, limits in rules.items()]
        return xr.concat(found, dim=xr.Variable("rule", list(rules)), join="outer", **how)

    def shares(self, number: int, progress: Progress) -> xr.Dataset:
        """Solve a piece, and return its shares."""
        cases = self._solved(number, progress)
        return self._by_rule(lambda rule, limits: _rows(cases, limits, self.options))

    def counted(self, number: int, progress: Progress, batch: int) -> xr.Dataset:
        """Solve one batch of the lungs of a piece, and count."""
        cases, options = self._solved(number, progress, batch), self.options
        return self._by_rule(
            lambda rule, limits: count_cells(cases, limits, options)[0], fill_value=0
        )

    def join_batches(self, found: list[list[xr.Dataset]]) -> xr.Dataset:
        """Add up the batches of every piece, and put the pieces together."""
        options = self.options
        behind = lungs_drawn(self.question) * self.places // len(self.axes[options.x])

        def added(batches: list[xr.Dataset]) -> xr.Dataset:
            total = sum(batches[1:], batches[0])
            own = {r: total.sel(rule=r).drop_vars("rule") for r in self.question.rules}
            return self._by_rule(
                lambda rule, limits: cell_shares(
                    own[rule].sel(bound=bounds_of(limits)), behind, options
                )
            )

        return self.join([added(batches) for batches in found])

    def picked(self, group: int, progress: Progress) -> xr.Dataset:
        """Solve what a surrogate of a population is fitted to and judged by."""
        question = self.question
        values = draw_cases(question, question.groups()[group], self.axes)
        count = surrogate_cases(self.options.surrogate_runs)
        return picked_cases(question, values, question.outcomes, count, progress)

    def foretold(self, number: int, stand_in: StandIn, cases: xr.Dataset) -> xr.Dataset:
        """Let a surrogate foretell a piece, and return its shares."""
        x, y, values = self.options.x, self.options.y, self._values(number)
        rest = dict.fromkeys(d for array in values.values() for d in array.dims)
        dims = (y, x, *(d for d in rest if d not in (x, y)))
        outcomes = stand_in.foretell(values, dims)
        foretold = xr.Dataset(
            {name: (dims, array) for name, array in outcomes.items()},
            {n: values[n] for n in (x, y)},
        )
        return self._by_rule(
            lambda rule, limits: _rows(
                foretold, limits, self.options, misjudged(stand_in, cases, limits)
            )
        ).assign(surrogate_q2=stand_in.q2)

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
    counted, judged = count_cells(solved, limits, options)
    rows = cell_shares(counted, judged.verdict.shape[-1], options)
    if error is None:
        return rows
    ends = error.widened(judged.margin, options.level)
    rows["safe_share_interval"] = rows["safe_share_interval"].copy(data=np.stack(ends))
    return rows.assign(error.said())


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
        **options.stood_in_by,
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
        takes_more_lungs=lambda options, may_grow: may_grow and not options["surrogate"],
        counts_cases=True,
        several=True,
    )
)
