"""Screening with labels: which of many parameters can be fixed, and on what evidence."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import xarray as xr
from pydantic import Field

from ebbmap.analyses.common.checks import check_design
from ebbmap.analyses.common.design_size import design_size
from ebbmap.analyses.common.factors import FAILED, count_failed, groups_among
from ebbmap.analyses.common.places import Place, analysis_along, pieces_along
from ebbmap.analyses.common.sensitivity import (
    label_estimates,
    pick_outcomes,
    stack,
)
from ebbmap.analyses.options import NO_AXES, Axes, OfOutcomes, Resamples, Share, refuse_unused
from ebbmap.cases.design import (
    RESAMPLING_STREAM,
    check_counted,
    check_kind,
    draw_morris_design,
    factors_of,
    seed_stream,
)
from ebbmap.cases.labelling import Variable, flags
from ebbmap.cases.pieces import Pieces, Progress
from ebbmap.cases.question import Question
from ebbmap.kernels.morris import CI_MORRIS, elementary_effects
from ebbmap.kernels.sobol import NanPolicy

#: Codes of `verdict`.
VERDICTS = ("can_be_fixed", "cannot_tell", "matters")
FIX, UNSURE, MATTERS = 0, 1, 2

_OWN_DIMS = {
    "mu": ("parameter",),
    "mu_star": ("parameter",),
    "sigma": ("parameter",),
    "mu_star_interval": ("parameter", "ci_bound"),
    "dropped": (),
}

# each outcome has its own unit, so one string cannot say what the effects are in
_EFFECT_UNITS = "see effect_units"

#: What is said of an outcome on one design.
EFFECTS: Mapping[str, Variable] = {
    "mu": Variable("mean elementary effect", _EFFECT_UNITS),
    "mu_star": Variable("mean size of the elementary effects", _EFFECT_UNITS),
    "sigma": Variable("standard deviation of the elementary effects", _EFFECT_UNITS),
    "mu_star_interval": Variable("interval of the mean size", _EFFECT_UNITS),
    "dropped": Variable("trajectories left out because an outcome was not finite"),
}

VARIABLES: Mapping[str, Variable] = {
    **EFFECTS,
    "relative": Variable("mean size of the effects over the largest parameter's"),
    "relative_interval": Variable("interval of the relative size"),
    "verdict": flags("whether the parameter can be fixed", VERDICTS),
    "evidence": Variable(
        "largest upper bound of the relative size over graded outcomes and places"
    ),
    "fixable": Variable("1: can be fixed for every graded outcome at every place"),
    "failed": FAILED,
}


class Screening(OfOutcomes):
    """Elementary effects: which of many parameters can be fixed."""

    trajectories: int = Field(
        default=64, ge=4, le=2**20, strict=True, description="paths of the design"
    )
    levels: int = Field(
        default=8, ge=2, le=64, multiple_of=2, strict=True, description="values of each parameter"
    )
    fix_below: Share = Field(
        default=0.05, description="share of the largest effect below which a parameter can be fixed"
    )
    resamples: Resamples = Field(1000, description="bootstrap resamples of the paths")


def estimate_effects(
    design: xr.Dataset,
    outputs: xr.Dataset,
    *,
    resamples: int = 1000,
    level: float = 0.95,
    seed: int = 0,
    nan_policy: NanPolicy = "raise",
) -> xr.Dataset:
    """Summarise the elementary effects of every outcome on a design.

    Parameters
    ----------
    design : Dataset
        What `draw_morris_design` returned.
    outputs : Dataset
        Outcomes computed on it, each with dim `sample` and any extra dims, which pass through.
    resamples, level, seed
        Bootstrap of the trajectories: resamples, level of the intervals, seed.
    nan_policy : {"raise", "drop_block"}
        Refuse outcomes that are not finite, or leave out whole trajectories.

    Returns
    -------
    Dataset
        `mu`, `mu_star`, `sigma` (..., outcome, parameter) [unit of the outcome, over the whole
        range of a parameter], `mu_star_interval` (..., ci_bound), `dropped` (..., outcome).

    Raises
    ------
    DesignMismatchError
        If the design is of another kind, or rows are missing or reordered.
    NonFiniteOutcomeError
        If an outcome is not finite and `nan_policy` is "raise".

    Examples
    --------
    >>> design = draw_morris_design(["compliance", "resistance_exp"], 8, seed=0)
    >>> strength = xr.DataArray([2.0, 1.0], dims="parameter")
    >>> outputs = xr.Dataset({"auto_peep": (design.unit * strength).sum("parameter")})
    >>> estimate_effects(design, outputs)["mu_star"].values.round(6).tolist()
    [[2.0, 1.0]]
    """
    check_kind(design, "morris")
    check_counted(design, outputs)
    outcomes = pick_outcomes(outputs, nan_policy)
    factors = factors_of(design)
    membership = design["group"] if "group" in design.coords else design["parameter"]
    found = elementary_effects(
        design["unit"].transpose("sample", "parameter").values,
        stack(outcomes),
        membership.values == np.array(factors)[:, None],
        resamples=resamples,
        level=level,
        rng=seed_stream(seed, RESAMPLING_STREAM),
        nan_policy=nan_policy,
    )
    units = [values.attrs.get("units", "1") for values in outcomes.values()]
    attrs = {
        "title": "elementary effects",
        "design": "morris",
        "base_size": design.attrs["base_size"],
        "levels": design.attrs["levels"],
        "design_seed": design.attrs["seed"],
        "resamples": int(resamples),
        "nan_policy": nan_policy,
        "ci_method": CI_MORRIS,
        "ci_level": float(level),
    }
    own = {"effect_units": ("outcome", units, {"long_name": "units of the effects"})}
    return label_estimates(vars(found), EFFECTS, _OWN_DIMS, outputs, outcomes, factors, own, attrs)


def find_screening(
    question: Question,
    options: Screening | None = None,
    *,
    axes: Axes = NO_AXES,
    progress: Progress = None,
) -> xr.Dataset:
    """Screen the parameters of a model with many: which of them can be fixed.

    Parameters
    ----------
    question : Question
        Model, populations (taken as independent), samples and rules.
    options : Screening, optional
        The axis, the outcomes, and the size of the design. A parameter can be fixed where the
        upper bound of its effect is below `fix_below` of the largest effect; it matters where its
        lower bound is above.
    axes : mapping of str to ndarray, shape (m,)
        The values of the axis, by its name, unless the options give them.
    progress : callable, optional
        Called with the number of cases just finished.

    Returns
    -------
    xarray.Dataset
        As `estimate_effects`, with dims (population, along, outcome, parameter): besides
        `relative` (mean size over the largest, with `relative_interval`) and `verdict` (flags);
        `fixable` (population, parameter) sums up: 1 where the parameter can be fixed for every
        graded outcome (all but being safe) at every place. `evidence` is the largest upper bound
        found there.

    Raises
    ------
    NonFiniteOutcomeError
        If a case could not be solved or judged and `drop_failed` is not set.
    EbbmapError
        For values that cannot be, or fewer than two factors.

    Examples
    --------
    >>> from ebbmap.registries.limits import limit_set
    >>> from ebbmap.registries.populations import population
    >>> judged_by = {"flow_ratio": limit_set("flow_ratio")}
    >>> normal = (population("normal"),)
    >>> asked = Question("linear", populations=normal, rules=judged_by)
    >>> few = Screening(at=[0.5], outcomes=["auto_peep"], trajectories=8, resamples=100)
    >>> found = find_screening(asked, few)
    >>> dict(zip(found["parameter"].values.tolist(), found["fixable"].values[0].tolist()))
    {'compliance': 0, 'resistance_insp': 1, 'resistance_exp': 0}
    """
    options = options or Screening()
    refuse_unused(axes, options.along)
    return screening_pieces(question, options, axes).whole(progress)


def screening_pieces(
    question: Question, options: Screening, axes: Axes = NO_AXES
) -> Pieces[xr.Dataset]:
    """Cut a screening into one population at one place; see `find_screening`."""

    def solve(here: Place) -> xr.Dataset:
        design = draw_morris_design(
            here.factors.names,
            options.trajectories,
            levels=options.levels,
            seed=question.seed,
            groups=groups_among(here.factors.names, options.groups),
        )
        solved = here.solve(here.factors.from_unit(design["unit"].values))
        found = estimate_effects(
            design,
            solved.assign_coords(sample=design["sample"]),
            resamples=options.resamples,
            level=options.level,
            seed=question.seed,
            nan_policy=here.nan_policy,
        )
        return found.assign(failed=count_failed(solved))

    return pieces_along(
        question,
        options,
        axes,
        solve,
        variables=VARIABLES,
        title=f"screening of the parameters along {options.along}",
        comment="Effects over the whole range of a parameter; factors drawn independently.",
        of_population=lambda row: _judged(row, options.along, options.fix_below),
        attrs={"fix_below": options.fix_below},
    )


def _judged(found: xr.Dataset, along: str, fix_below: float) -> xr.Dataset:
    largest = found["mu_star"].max("parameter")
    largest = largest.where(largest > 0)
    relative = found["mu_star"] / largest
    interval = found["mu_star_interval"] / largest
    low, high = (interval.sel(ci_bound=bound, drop=True) for bound in ("lower", "upper"))
    verdict = xr.where(high < fix_below, FIX, xr.where(low > fix_below, MATTERS, UNSURE))
    # a yes-or-no outcome that is rarely yes changes in a handful of trajectories: no evidence
    graded = [str(n) for n in found["outcome"].values if not str(n).startswith("safe_")]
    evidence = high.sel(outcome=graded).max((along, "outcome"))
    verdict = verdict.where(relative.notnull(), UNSURE).astype(np.int8)
    return found.assign(
        relative=relative,
        relative_interval=interval,
        verdict=verdict,
        evidence=evidence,
        fixable=(evidence < fix_below).astype(np.int8),
    )


ANALYSIS = analysis_along(
    "screening",
    Screening,
    long_name="screening of the parameters",
    pieces=screening_pieces,
    size=design_size(lambda options, factors: options.trajectories * (factors + 1)),
    variables=VARIABLES,
    check=check_design,
    takes_more_lungs=lambda options, may_grow: True,
)
