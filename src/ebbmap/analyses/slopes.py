"""Bounds of Sobol indices from the slopes of outcomes with the properties of drawn lungs."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import xarray as xr
from pydantic import Field

from ebbmap.analyses.common.checks import check_sample, refuse_groups
from ebbmap.analyses.common.factors import FAILED, computed_outcomes, count_failed, factors_of
from ebbmap.analyses.common.places import Place, analysis_along, pieces_along
from ebbmap.analyses.common.sensitivity import (
    estimate_by_kept,
    label_estimates,
    pick_outcomes,
    refuse_non_finite,
    stack,
)
from ebbmap.analyses.common.sizes import Size, places_of
from ebbmap.analyses.options import NO_AXES, Axes, OfOutcomes, Resamples, refuse_unused
from ebbmap.cases.design import DESIGN_STREAM, RESAMPLING_STREAM, seed_stream
from ebbmap.cases.drawn_bounds import bar_leavers
from ebbmap.cases.gradient import EXACT, gradient
from ebbmap.cases.labelling import Variable
from ebbmap.cases.pieces import Pieces, Progress
from ebbmap.cases.question import Question
from ebbmap.engines import compiles
from ebbmap.kernels.slopes import CI_SLOPES, LEAST_LUNGS, SlopeBounds, slope_bounds
from ebbmap.lungs import lung_model

#: Step in a normal score for central differences: their error is about a millionth of the third
#: derivative, and a solver's rounding of 1e-10 counts 1e-7.
STEP = 1e-3

#: Step in a normal score for the slope of a property with it, whose values are exact.
OWN_STEP = 1e-5

DIFFERENCES = f"central differences, {STEP:g} of a standard deviation either way"

#: What stands in place of groups.
WITHOUT_GROUPS = "slopes have none"

_OWN_DIMS = {
    "slope": ("parameter",),
    "slope_interval": ("parameter", "ci_bound"),
    "least": ("parameter",),
    "least_interval": ("parameter", "ci_bound"),
    "most": ("parameter",),
    "most_interval": ("parameter", "ci_bound"),
    "variance": (),
}

# each outcome has its own unit, so one string cannot say what the slopes are in
_UNITS = "see slope_units"

#: What is said of an outcome on one sample.
BOUNDS: Mapping[str, Variable] = {
    "slope": Variable("mean change with one standard deviation of the property", _UNITS),
    "slope_interval": Variable("interval of the mean change", _UNITS),
    "least": Variable("share of the variance that the property explains at least"),
    "least_interval": Variable("interval of the least share"),
    "most": Variable("share of the variance in which the property has a part at most"),
    "most_interval": Variable("interval of the largest share"),
    "variance": Variable("variance of the outcome over the lungs", "square of slope_units"),
}

VARIABLES: Mapping[str, Variable] = {
    **BOUNDS,
    "dropped": Variable("lungs left out because an outcome or a slope was not finite"),
    "failed": FAILED,
}


class Slopes(OfOutcomes):
    """Bounds of Sobol indices from slopes: few lungs suffice, and every property is bounded."""

    resamples: Resamples = Field(1000, description="bootstrap resamples of the lungs")


def find_slopes(
    question: Question,
    options: Slopes | None = None,
    *,
    axes: Axes = NO_AXES,
    progress: Progress = None,
) -> xr.Dataset:
    """Bound from both sides what each property explains, by the slopes of every outcome.

    Parameters
    ----------
    question : Question
        Model, populations (taken as independent), samples and the rules that are compared. As
        many lungs as it says are drawn.
    options : Slopes, optional
        The axis, the outcomes, and the intervals.
    axes : mapping of str to ndarray, shape (m,)
        The values of the axis, by its name, unless the options give them.
    progress : callable, optional
        Called with the number of cases just finished.

    Returns
    -------
    xarray.Dataset
        Dims (population, along, outcome, parameter): `slope`, the mean change of an outcome with
        one standard deviation of a property's normal score; `least`, at most its first-order
        Sobol index; `most`, at least its total one; their intervals (..., ci_bound). Slopes are
        exact where the engine is JAX, central differences elsewhere; the attribute `derivatives`
        says which. Outcomes are those of the options, and the margin of each rule. A verdict has
        no slope.

    Raises
    ------
    NonFiniteOutcomeError
        If a case could not be solved or judged and `drop_failed` is not set.
    EbbmapError
        For values that cannot be, groups of parameters, or fewer than two factors.

    Notes
    -----
    For a function f of independent standard normal scores u,
    (E df/du)^2 / Var f <= S <= S_total <= E (df/du)^2 / Var f.

    Examples
    --------
    The time constant is a product, so that its bounds lie close together:

    >>> from ebbmap.registries.populations import population
    >>> asked = Question("linear", populations=(population("normal"),), lungs=500)
    >>> few = Slopes(at=[0.5], outcomes=["time_constant_exp"], resamples=100)
    >>> found = find_slopes(asked, few).isel(population=0, t_low=0, outcome=0)
    >>> bool((found["least"] <= found["most"]).all())
    True
    """
    options = options or Slopes()
    refuse_unused(axes, options.along)
    return slopes_pieces(question, options, axes).whole(progress)


def slopes_pieces(question: Question, options: Slopes, axes: Axes = NO_AXES) -> Pieces[xr.Dataset]:
    """Cut the bounds into one population at one place; see `find_slopes`."""
    refuse_groups(options, WITHOUT_GROUPS)
    compiled = compiles(lung_model(question.lung))

    def solve(here: Place) -> xr.Dataset:
        rng = np.random.default_rng(seed_stream(question.seed, DESIGN_STREAM))
        drawn = rng.standard_normal((question.lungs, len(here.factors.names)))
        scores = here.factors.mean + here.factors.spread * drawn
        solved = here.solve(here.factors.from_scores(scores))
        slopes = (_exact if compiled else _differences)(here, scores)
        outputs = _with_slopes(solved).isel({options.along: 0})
        found = _estimate(here, options, outputs, slopes).expand_dims({options.along: here.grid})
        return found.assign(failed=count_failed(solved))

    return pieces_along(
        question,
        options,
        axes,
        solve,
        variables=VARIABLES,
        title=f"bounds of sensitivity from slopes along {options.along}",
        comment="Properties are drawn independently. The least share is at most the first-order "
        "Sobol index, the largest one at least the total Sobol index. A verdict has no slope.",
        attrs={
            "lungs": question.lungs,
            "ci_level": options.level,
            "derivatives": EXACT if compiled else DIFFERENCES,
        },
    )


def _exact(here: Place, scores: np.ndarray) -> np.ndarray:
    """Return the slopes at scores, (n, d), by the compiled engine's derivatives, (n, d, s)."""
    question, factors = here.question, here.factors
    values: dict[str, Any] = {**question.fixed, here.options.along: here.grid[0]}
    values |= {name: array.values for name, array in factors.from_scores(scores).items()}
    slopes = gradient(
        here.outcomes,
        factors.names,
        question.lung,
        limits=question.rules,
        **bar_leavers(values, factors.names),
    )
    step = OWN_STEP * factors.spread
    above, below = (factors.from_scores(scores + sign * step) for sign in (1, -1))
    return np.stack(
        [
            np.stack([by[name] for by in slopes.values()], axis=-1)
            * ((above[name] - below[name]).values / (2.0 * OWN_STEP))[:, None]
            for name in factors.names
        ],
        axis=1,
    )


def _differences(here: Place, scores: np.ndarray) -> np.ndarray:
    """Return the slopes at scores, (n, d), by central differences, (n, d, s)."""
    columns = []
    for step in STEP * np.diag(here.factors.spread):
        sides = np.concatenate([scores + step, scores - step])
        both = _with_slopes(here.solve(here.factors.from_scores(sides)))
        above, below = np.split(stack(pick_outcomes(both)), 2)
        columns.append((above - below) / (2.0 * STEP))
    return np.stack(columns, axis=1)


def _with_slopes(solved: xr.Dataset) -> xr.Dataset:
    """Return the outputs of solved cases that have slopes: a verdict has none."""
    return solved[[name for name in solved.data_vars if not str(name).startswith("safe_")]]


def _estimate(here: Place, options: Slopes, outputs: xr.Dataset, slopes: np.ndarray) -> xr.Dataset:
    """Estimate the bounds of every output from the lungs whose value and slopes are known."""
    outcomes = pick_outcomes(outputs)
    values = stack(outcomes)
    kept = np.isfinite(values) & np.isfinite(slopes).all(axis=1)
    if not options.drop_failed:
        lost = {name: array.where(kept[:, at]) for at, (name, array) in enumerate(outcomes.items())}
        refuse_non_finite(lost)

    def estimate(rows: np.ndarray, columns: np.ndarray) -> SlopeBounds | None:
        if rows.sum() < LEAST_LUNGS:
            return None
        return slope_bounds(
            values[np.ix_(rows, columns)],
            slopes[rows][:, :, columns],
            resamples=options.resamples,
            level=options.level,
            rng=np.random.default_rng(seed_stream(here.question.seed, RESAMPLING_STREAM)),
        )

    factors = here.factors.names
    found = estimate_by_kept(kept, _OWN_DIMS, len(factors), estimate)
    units = [values.attrs.get("units", "1") for values in outcomes.values()]
    attrs = {"ci_method": CI_SLOPES, "ci_level": float(options.level)}
    by_outcome = {"slope_units": ("outcome", units, {"long_name": "units of the slopes"})}
    result = label_estimates(
        found, BOUNDS, _OWN_DIMS, outputs, outcomes, factors, by_outcome, attrs
    )
    return result.assign(dropped=("outcome", (~kept).sum(axis=0).astype(float)))


def _size(question: Question, options: Slopes, axes: Axes) -> Size:
    total, largest = 0, 0
    names = computed_outcomes(options)
    for group in question.groups():
        d = len(factors_of(question, group, options.along, names).names)
        own = 1 if compiles(lung_model(question.lung)) else 1 + 2 * d
        total, largest = total + own * question.lungs, max(largest, 2 * question.lungs)
    return Size(places_of(options, axes) * total, largest, 0)


ANALYSIS = analysis_along(
    "slopes",
    Slopes,
    long_name="bounds of sensitivity from slopes",
    pieces=slopes_pieces,
    size=_size,
    variables=VARIABLES,
    check=check_sample(LEAST_LUNGS, WITHOUT_GROUPS),
)
