"""What drives each outcome at every release time: indices along an axis, for each population.

The design is doubled, and only its new rows are solved, until every interval is narrow enough or
the budget is spent.
"""

from __future__ import annotations

from collections.abc import Mapping

import xarray as xr
from pydantic import Field

from ebbmap.analyses.common.checks import check_design
from ebbmap.analyses.common.design_size import (
    GROWTH,
    LEAST_SIZE,
    design_size,
    largest_design,
    smaller_design,
)
from ebbmap.analyses.common.growth import BY_SIZE
from ebbmap.analyses.common.pawn import PAWN
from ebbmap.analyses.common.places import analysis_along
from ebbmap.analyses.common.sensitivity import INDICES
from ebbmap.analyses.common.sobol_work import SUMMARY, SobolWork
from ebbmap.analyses.common.surrogate import SURROGATE, fresh_cases
from ebbmap.analyses.common.surrogate_kinds import SurrogateOptions
from ebbmap.analyses.options import NO_AXES, Axes, OfOutcomes, Resamples, Share, refuse_unused
from ebbmap.cases.labelling import Variable
from ebbmap.cases.pieces import Pieces, Progress
from ebbmap.cases.question import Question
from ebbmap.kernels.resampling import REPLICATES

VARIABLES: Mapping[str, Variable] = {
    **INDICES,
    **BY_SIZE,
    **SUMMARY,
    **SURROGATE,
    **PAWN,
}


class Sobol(SurrogateOptions, OfOutcomes):
    """Sensitivity indices at every value of one axis."""

    base_size: int = Field(
        default=1024,
        ge=LEAST_SIZE,
        le=2**20,
        strict=True,
        description="base rows to start with, a power of two",
    )
    stopping_width: Share | None = Field(
        default=None, description="double the design until no interval is wider than this"
    )
    max_base_size: int | None = Field(
        default=None,
        ge=LEAST_SIZE,
        le=2**20,
        strict=True,
        description=f"base rows at which to give up; {GROWTH} times base_size if absent",
    )
    stopping_outcomes: list[str] | None = Field(
        default=None,
        min_length=1,
        description="outcomes, margin_RULE or safe_RULE that decide; all but safe_RULE if absent: "
        "a yes-or-no outcome that is nearly always the same has hardly any variance to share out",
    )
    second_order: bool = Field(default=True, description="indices of pairs of parameters too")
    replicates: int = Field(
        default=REPLICATES, ge=1, le=256, strict=True, description="designs that give the intervals"
    )
    resamples: Resamples = Field(1000, description="bootstrap resamples of one replicate")
    surrogate_runs: int = Field(
        default=256,
        ge=64,
        le=100_000,
        strict=True,
        description="cases that a surrogate is fitted to at each place; half as many judge it",
    )
    pawn: bool = Field(
        default=True, description="add the moment-independent index; there is none for groups"
    )


def find_sobol(
    question: Question,
    options: Sobol | None = None,
    *,
    axes: Axes = NO_AXES,
    progress: Progress = None,
) -> xr.Dataset:
    """Estimate Sobol indices of every outcome, of the margin and of being safe.

    Parameters
    ----------
    question : Question
        Model, populations, samples and the rules that are compared. Factors are the properties
        of the population that are not fixed, and the samples.
    options : Sobol, optional
        The axis, the outcomes, and the size of the design.
    axes : mapping of str to ndarray, shape (m,)
        The values of the axis, by its name, unless the options give them.
    progress : callable, optional
        Called with the number of cases just finished.

    Returns
    -------
    xarray.Dataset
        As `estimate_sobol`, with dims (population, along, outcome, parameter, parameter_other,
        ci_bound). The outcome `margin_RULE` is the safety margin under a rule, `safe_RULE` is
        one where the case is safe and zero where it is not. The convergence curve is
        `first_by_size`, `total_by_size` and their widths (..., size), `widest_by_size`
        (population, size); `verdict` (population) says whether it settled, `rows` on how many.
        `pawn` and `pawn_largest` (population, along, pawn_outcome, parameter), their noise, with
        `disagreement` (population), a sentence on where it ranks otherwise than the total index.

    Raises
    ------
    NonFiniteOutcomeError
        If a case could not be solved or judged and `drop_failed` is not set.
    EbbmapError
        If fresh cases do not bear a surrogate out; for values that cannot be, fewer than two
        factors, or a design too large to hold.

    Notes
    -----
    Variance-based indices need independent factors: the marginals are the population's, its
    correlations are dropped here.

    Examples
    --------
    >>> from ebbmap.registries.populations import population
    >>> normal = (population("normal"),)
    >>> asked = Question("linear", populations=normal)
    >>> few = Sobol(at=[0.5], outcomes=["flow_ratio"], base_size=64, replicates=2, resamples=100)
    >>> total = find_sobol(asked, few)["total"].isel(population=0, t_low=0, outcome=0)
    >>> total.sortby(total)["parameter"].values.tolist()[0]
    'resistance_insp'
    """
    options = options or Sobol()
    refuse_unused(axes, options.along)
    return sobol_pieces(question, options, axes).whole(progress)


def sobol_pieces(question: Question, options: Sobol, axes: Axes = NO_AXES) -> Pieces[xr.Dataset]:
    """Cut the indices into one population at one place on a design of one size.

    A population's next size is wanted once all of its places are there and one is not narrow
    enough; its pieces solve the new rows only. See `find_sobol`.
    """
    work = SobolWork(question, options, options.grid(axes))
    return Pieces(work.wanted, work.solve, work.join)


ANALYSIS = analysis_along(
    "sobol",
    Sobol,
    stem="drivers",
    long_name="Sobol indices",
    pieces=sobol_pieces,
    size=design_size(
        lambda options, factors: (
            options.surrogate_runs + fresh_cases(options.surrogate_runs)
            if options.surrogate
            else largest_design(options)
            * (2 * factors + 2 if options.second_order else factors + 2)
        )
    ),
    variables=VARIABLES,
    check=check_design,
    takes_more_lungs=lambda options, may_grow: True,
    by_population=True,
    serves=smaller_design,
)
