"""Bounds of Sobol indices from the slopes of outcomes with the properties of drawn lungs."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import xarray as xr
from pydantic import Field

from ebbmap.analyses.asked import Asked
from ebbmap.analyses.base import Analysis
from ebbmap.analyses.common.checks import check_design
from ebbmap.analyses.common.factors import (
    FAILED,
    Factors,
    computed_outcomes,
    factors_of,
    finish,
    named_outcomes,
    place_pieces,
    solve_places,
)
from ebbmap.analyses.common.sensitivity import (
    label_estimates,
    pick_outcomes,
    refuse_non_finite,
    stack,
)
from ebbmap.analyses.common.sizes import Size, places_of
from ebbmap.analyses.options import NO_AXES, Axes, OfOutcomes, refuse_unused
from ebbmap.cases.design import DESIGN_STREAM, RESAMPLING_STREAM, seed_stream
from ebbmap.cases.drawn_bounds import bar_leavers
from ebbmap.cases.evaluate import unsolved
from ebbmap.cases.gradient import EXACT, gradient
from ebbmap.cases.labelling import Variable, label_variables
from ebbmap.cases.pieces import Pieces, Progress, join_groups
from ebbmap.cases.question import Question
from ebbmap.engines import compiles
from ebbmap.errors import EbbmapError
from ebbmap.kernels.slopes import CI_SLOPES, LEAST_LUNGS, SlopeBounds, slope_bounds
from ebbmap.lungs import lung_model
from ebbmap.registries.populations import Population

#: Step in a normal score for central differences: their error is about a millionth of the third
#: derivative, and a solver's rounding of 1e-10 counts 1e-7.
STEP = 1e-3

#: Step in a normal score for the slope of a property with it, whose values are exact.
OWN_STEP = 1e-5

DIFFERENCES = f"central differences, {STEP:g} of a standard deviation either way"

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

    resamples: int = Field(
        default=1000,
        ge=100,
        le=100_000,
        strict=True,
        description="bootstrap resamples of the lungs",
    )


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
    if options.groups is not None:
        raise EbbmapError("groups: slopes have none. Drop them, or use sobol.")
    names, along = named_outcomes(question, options.outcomes), options.along

    def solve(group: Population | None, place: np.ndarray, progress: Progress) -> xr.Dataset:
        factors = factors_of(question, group, along, names, place=float(place[0]))
        rng = np.random.default_rng(seed_stream(question.seed, DESIGN_STREAM))
        scores = _scores(factors, rng.standard_normal((question.lungs, len(factors.names))))
        solved = solve_places(
            question,
            factors.from_scores(scores),
            along=along,
            grid=place,
            outcomes=names,
            progress=progress,
        )
        status = solved["status"].values
        shown = [*names, *(f"margin_{rule}" for rule in question.rules)]
        outputs = solved[shown].isel({along: 0})
        if compiles(lung_model(question.lung)):
            slopes = _exact(question, factors, scores, {along: place[0]}, names)
        else:
            slopes = _differences(question, factors, scores, along, place, names, shown, progress)
        found = _estimate(question, options, outputs, factors.names, slopes)
        found = found.expand_dims({along: place})
        return found.assign(failed=int(unsolved(status).sum()))

    def join(rows: list[xr.Dataset]) -> xr.Dataset:
        dataset = finish(
            join_groups(rows, question.group_names),
            question,
            f"bounds of sensitivity from slopes along {along}",
            along,
            "Properties are drawn independently. The least share is at most the first-order Sobol "
            "index, the largest one at least the total Sobol index. A verdict has no slope.",
            names,
        )
        dataset.attrs |= {
            "lungs": question.lungs,
            "ci_level": options.level,
            "derivatives": EXACT if compiles(lung_model(question.lung)) else DIFFERENCES,
        }
        return label_variables(dataset, VARIABLES)

    return place_pieces(question, along, options.grid(axes), solve, join)


def _scores(factors: Factors, drawn: np.ndarray) -> np.ndarray:
    """Return scores as the properties have them, from standard normal numbers, shape (n, d)."""
    scores: np.ndarray = factors.mean + np.sqrt(np.diag(factors.covariance)) * drawn
    return scores


def _exact(
    question: Question,
    factors: Factors,
    scores: np.ndarray,
    placed: Mapping[str, Any],
    names: tuple[str, ...],
) -> np.ndarray:
    """Return the slopes by the derivatives of the compiled engine, shape (n, d, s)."""
    values: dict[str, Any] = {**question.fixed, **placed}
    values |= {name: array.values for name, array in factors.from_scores(scores).items()}
    slopes = gradient(
        names,
        factors.names,
        question.lung,
        limits=question.rules,
        **bar_leavers(values, factors.names),
    )
    spread = np.sqrt(np.diag(factors.covariance))
    above, below = (factors.from_scores(scores + sign * OWN_STEP * spread) for sign in (1, -1))
    return np.stack(
        [
            np.stack([by[name] for by in slopes.values()], axis=-1)
            * ((above[name] - below[name]).values / (2.0 * OWN_STEP))[:, None]
            for name in factors.names
        ],
        axis=1,
    )


def _differences(
    question: Question,
    factors: Factors,
    scores: np.ndarray,
    along: str,
    place: np.ndarray,
    names: tuple[str, ...],
    shown: list[str],
    progress: Progress,
) -> np.ndarray:
    """Return the slopes by central differences, shape (n, d, s)."""
    spread, columns = np.sqrt(np.diag(factors.covariance)), []
    for number in range(len(factors.names)):
        step = np.zeros_like(spread)
        step[number] = STEP * spread[number]
        both = solve_places(
            question,
            factors.from_scores(np.concatenate([scores + step, scores - step])),
            along=along,
            grid=place,
            outcomes=names,
            progress=progress,
        )
        above, below = np.split(stack(pick_outcomes(both[shown])), 2)
        columns.append((above - below) / (2.0 * STEP))
    return np.stack(columns, axis=1)


def _estimate(
    question: Question,
    options: Slopes,
    outputs: xr.Dataset,
    factors: list[str],
    slopes: np.ndarray,
) -> xr.Dataset:
    """Estimate the bounds of every output from the lungs whose value and slopes are known."""
    outcomes = pick_outcomes(outputs)
    values = stack(outcomes)
    kept = np.isfinite(values) & np.isfinite(slopes).all(axis=1)
    if not options.drop_failed:
        lost = {name: array.where(kept[:, at]) for at, (name, array) in enumerate(outcomes.items())}
        refuse_non_finite(lost)
    sizes = {"parameter": len(factors), "ci_bound": 2}
    # where the kernel puts the outputs: before the bounds of an interval, and last elsewhere
    axis = {name: len(own) - ("ci_bound" in own) for name, own in _OWN_DIMS.items()}
    found = {}
    for name, own in _OWN_DIMS.items():
        shape = [sizes[dim] for dim in own]
        shape.insert(axis[name], len(outcomes))
        found[name] = np.full(shape, np.nan)
    patterns, which = np.unique(kept, axis=1, return_inverse=True)
    for number, rows in enumerate(patterns.T):
        if rows.sum() < LEAST_LUNGS:
            continue
        columns = np.flatnonzero(which.reshape(-1) == number)
        one = slope_bounds(
            values[np.ix_(rows, columns)],
            slopes[rows][:, :, columns],
            resamples=options.resamples,
            level=options.level,
            rng=np.random.default_rng(seed_stream(question.seed, RESAMPLING_STREAM)),
        )
        for name, array in found.items():
            np.moveaxis(array, axis[name], 0)[columns] = np.moveaxis(
                getattr(one, name), axis[name], 0
            )
    units = [values.attrs.get("units", "1") for values in outcomes.values()]
    attrs = {"ci_method": CI_SLOPES, "ci_level": float(options.level)}
    by_outcome = {"slope_units": ("outcome", units, {"long_name": "units of the slopes"})}
    result = label_estimates(
        SlopeBounds(**found), BOUNDS, _OWN_DIMS, outputs, outcomes, factors, by_outcome, attrs
    )
    dropped = (~kept).sum(axis=0).astype(float)
    return result.assign(dropped=("outcome", dropped))


def _size(question: Question, options: Slopes, axes: Axes) -> Size:
    total, largest = 0, 0
    names = computed_outcomes(options)
    for group in question.groups():
        d = len(factors_of(question, group, options.along, names).names)
        own = 1 if compiles(lung_model(question.lung)) else 1 + 2 * d
        total, largest = total + own * question.lungs, max(largest, 2 * question.lungs)
    return Size(places_of(options, axes) * total, largest, 0)


def _check(asked: Asked) -> Iterator[str]:
    yield from check_design(asked)
    lungs = asked.study.raw.get("lungs", Question.lungs)
    if isinstance(lungs, int) and lungs < LEAST_LUNGS:
        yield f"{asked.place}: needs at least {LEAST_LUNGS} lungs; got {lungs}. Draw more."
    if asked.get("groups") is not None:
        yield f"{asked.place}.groups: slopes have none. Drop them."


ANALYSIS = Analysis(
    name="slopes",
    long_name="bounds of sensitivity from slopes",
    options=Slopes,
    pieces=slopes_pieces,
    size=_size,
    variables=VARIABLES,
    lays_out=lambda asked: [asked.get("along")],
    draws=lambda asked: True,
    check=_check,
    computes=computed_outcomes,
    stem=lambda options: f"slopes_{options.along}",
    keeps_pieces=True,
)
