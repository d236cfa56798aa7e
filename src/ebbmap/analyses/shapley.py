"""Shapley effects with labels: shares of each outcome's variance among dependent properties.

Lungs come with their correlations here, which variance-based indices have to drop; the same
lungs without correlations stand beside, so that the difference is what the dependence does.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import xarray as xr
from pydantic import Field

from ebbmap.analyses.common.checks import check_design
from ebbmap.analyses.common.design_size import design_size
from ebbmap.analyses.common.factors import (
    FAILED,
    count_failed,
    groups_among,
    say_factor,
    say_outcome,
)
from ebbmap.analyses.common.places import Place, analysis_along, pieces_along
from ebbmap.analyses.common.sensitivity import (
    label_estimates,
    pick_outcomes,
    stack,
)
from ebbmap.analyses.options import NO_AXES, Axes, OfOutcomes, refuse_unused
from ebbmap.cases.design import check_counted, check_kind, draw_shapley_design, factors_of
from ebbmap.cases.labelling import Variable
from ebbmap.cases.pieces import Pieces, Progress
from ebbmap.cases.question import Question
from ebbmap.kernels.resampling import CI_REPLICATES, REPLICATES
from ebbmap.kernels.shapley import shapley_effects
from ebbmap.kernels.sobol import NanPolicy
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.units import display

#: The lungs as the population has them, and the same without correlations.
DEPENDENT, INDEPENDENT = "correlated", "independent"

_OWN_DIMS = {
    "effect": ("parameter",),
    "first": ("parameter",),
    "total": ("parameter",),
    "effect_interval": ("parameter", "ci_bound"),
    "first_interval": ("parameter", "ci_bound"),
    "total_interval": ("parameter", "ci_bound"),
    "dropped": (),
}

#: What is said of an outcome on one design.
EFFECTS: Mapping[str, Variable] = {
    "effect": Variable("Shapley effect"),
    "first": Variable("share of the variance that goes once the property is known"),
    "total": Variable("share of the variance that stays when all others are known"),
    "effect_interval": Variable("interval of the Shapley effect"),
    "first_interval": Variable("interval of the share that goes"),
    "total_interval": Variable("interval of the share that stays"),
    "dropped": Variable("base rows left out because an outcome was not finite"),
}

VARIABLES: Mapping[str, Variable] = {
    **EFFECTS,
    "change": Variable("what the correlations change most"),
    "failed": FAILED,
}


class Shapley(OfOutcomes):
    """Shares of the variance among properties that depend on each other."""

    base_size: int = Field(
        default=512,
        ge=32,
        le=2**20,
        strict=True,
        description="base rows, a power of two; each takes a case for every subset of the factors",
    )
    replicates: int = Field(
        default=REPLICATES, ge=2, le=256, strict=True, description="designs that give the intervals"
    )


def estimate_shapley(
    design: xr.Dataset,
    outputs: xr.Dataset,
    *,
    level: float = 0.95,
    nan_policy: NanPolicy = "raise",
) -> xr.Dataset:
    """Estimate the Shapley effects of every outcome on a design.

    Parameters
    ----------
    design : Dataset
        What `draw_shapley_design` returned.
    outputs : Dataset
        Outcomes computed on it, each with dim `sample` and any extra dims, which pass through.
    level : float
        Probability that an interval is to cover, in (0, 1).
    nan_policy : {"raise", "drop_block"}
        As in `estimate_sobol`.

    Returns
    -------
    Dataset
        `effect`, `first`, `total` (..., outcome, parameter), their intervals (..., ci_bound) and
        `dropped` (..., outcome).

    Raises
    ------
    DesignMismatchError
        If the design is of another kind, or rows are missing or reordered.
    NonFiniteOutcomeError
        If an outcome is not finite and `nan_policy` is "raise".

    Examples
    --------
    >>> design = draw_shapley_design(["compliance", "resistance_exp"], 64, seed=0)
    >>> outputs = xr.Dataset({"auto_peep": design.score.sum("parameter")})
    >>> estimate_shapley(design, outputs)["effect"].values.round(1).tolist()
    [[0.5, 0.5]]
    """
    check_kind(design, "shapley")
    check_counted(design, outputs)
    outcomes = pick_outcomes(outputs, nan_policy)
    factors = factors_of(design)
    found = shapley_effects(
        stack(outcomes),
        players=len(factors),
        replicates=int(design.attrs["replicates"]),
        level=level,
        nan_policy=nan_policy,
    )
    attrs = {
        "title": "Shapley effects",
        "design": "shapley",
        "base_size": design.attrs["base_size"],
        "replicates": design.attrs["replicates"],
        "design_seed": design.attrs["seed"],
        "nan_policy": nan_policy,
        "ci_method": CI_REPLICATES,
        "ci_level": float(level),
    }
    return label_estimates(vars(found), EFFECTS, _OWN_DIMS, outputs, outcomes, factors, {}, attrs)


def find_shapley(
    question: Question,
    options: Shapley | None = None,
    *,
    axes: Axes = NO_AXES,
    progress: Progress = None,
) -> xr.Dataset:
    """Share out the variance of every outcome, of the margin and of being safe.

    Parameters
    ----------
    question : Question
        Model, populations with their correlations, samples and the rules that are compared.
    options : Shapley, optional
        The axis, the outcomes, and the size of the design.
    axes : mapping of str to ndarray, shape (m,)
        The values of the axis, by its name, unless the options give them.
    progress : callable, optional
        Called with the number of cases just finished.

    Returns
    -------
    xarray.Dataset
        As `estimate_shapley`, with dims (population, dependence, along, outcome, parameter,
        ci_bound); `dependence` is "correlated" or "independent", where `first` and `total` are
        Sobol indices. `change` (population) is a sentence on what the correlations change most.

    Raises
    ------
    NonFiniteOutcomeError
        If a case could not be solved or judged and `drop_failed` is not set.
    EbbmapError
        For values that cannot be, fewer than two factors, or too many of them.

    Examples
    --------
    >>> from ebbmap.registries.populations import population
    >>> normal = (population("normal"),)
    >>> asked = Question("linear", populations=normal)
    >>> few = Shapley(at=[0.5], outcomes=["flow_ratio"], base_size=32, replicates=2)
    >>> found = find_shapley(asked, few)
    >>> found["effect"].sum("parameter").values.round(6).ravel().tolist()
    [1.0, 1.0]
    """
    options = options or Shapley()
    refuse_unused(axes, options.along)
    return shapley_pieces(question, options, axes).whole(progress)


def shapley_pieces(
    question: Question, options: Shapley, axes: Axes = NO_AXES
) -> Pieces[xr.Dataset]:
    """Cut the shares of the variance into one population at one place; see `find_shapley`."""

    def solve(here: Place) -> xr.Dataset:
        own = here.factors.covariance
        # without correlations each property keeps the mean and variance that it has given others
        each = [_estimate(here, options, one) for one in (own, np.diag(np.diag(own)))]
        return xr.concat(each, xr.Variable("dependence", [DEPENDENT, INDEPENDENT]))

    return pieces_along(
        question,
        options,
        axes,
        solve,
        variables=VARIABLES,
        title=f"shares of the outcomes' variance along {options.along}",
        comment="Shapley effects add up to one. Independent: the same lungs without correlations, "
        "where first and total are Sobol indices.",
        of_population=lambda row: row.assign(change=change_sentence(row, options.along)),
    )


def _estimate(here: Place, options: Shapley, covariance: np.ndarray) -> xr.Dataset:
    """Estimate the effects with scores of a covariance, shape (d, d)."""
    design = draw_shapley_design(
        here.factors.names,
        options.base_size,
        mean=here.factors.mean,
        covariance=covariance,
        replicates=options.replicates,
        groups=groups_among(here.factors.names, options.groups),
        seed=here.question.seed,
    )
    solved = here.solve(here.factors.from_scores(design["score"].values))
    found = estimate_shapley(
        design,
        solved.assign_coords(sample=design["sample"]),
        level=options.level,
        nan_policy=here.nan_policy,
    )
    return found.assign(failed=count_failed(solved))


def change_sentence(both: xr.Dataset, along: str) -> str:
    """Say where the correlations change a Shapley effect of a margin most.

    Only changes whose intervals do not overlap count; margins if there are any, else all
    outcomes.
    """
    outcomes = both["outcome"].values.astype(str)
    margins = [name for name in outcomes if name.startswith("margin_")]
    shown = both.sel(outcome=margins or list(outcomes))
    with_it, without = (shown.sel(dependence=one) for one in (DEPENDENT, INDEPENDENT))
    size = (with_it["effect"] - without["effect"]).transpose(along, "outcome", "parameter")
    apart = (
        with_it["effect_interval"].sel(ci_bound="lower")
        > without["effect_interval"].sel(ci_bound="upper")
    ) | (
        with_it["effect_interval"].sel(ci_bound="upper")
        < without["effect_interval"].sel(ci_bound="lower")
    )
    sure = abs(size).where(apart.transpose(*size.dims)).values
    if not np.isfinite(sure).any():
        return "the correlations change no effect beyond its interval"
    place, number, column = np.unravel_index(int(np.nanargmax(sure)), sure.shape)
    at = {along: place, "outcome": number}
    old, new = (one["effect"].isel(at).values for one in (without, with_it))
    ranks = [int((one > one[column]).sum()) + 1 for one in (old, new)]
    low, high = with_it["effect_interval"].isel(at | {"parameter": column}).values
    moved = f"rank {ranks[0]} to {ranks[1]}" if ranks[0] != ranks[1] else f"rank {ranks[0]} stays"
    unit = display(PARAMETERS[along].units)
    name, outcome = str(shown["parameter"].values[column]), str(shown["outcome"].values[number])
    return (
        f"at {PARAMETERS[along].long_name} {float(shown[along][place]):g} {unit} the share of "
        f"{say_factor(name)} in {say_outcome(outcome)} is {new[column]:.2f} ({low:.2f} to "
        f"{high:.2f}) with the correlations, {old[column]:.2f} without ({moved})"
    )


ANALYSIS = analysis_along(
    "shapley",
    Shapley,
    long_name="shares of the outcomes' variance",
    pieces=shapley_pieces,
    size=design_size(lambda options, factors: options.base_size * 2 ** min(factors, 20)),
    variables=VARIABLES,
    check=check_design,
    takes_more_lungs=lambda options, may_grow: True,
    by_population=True,
)
