"""Indices from the lungs of a population as they are: their correlations kept, no design drawn."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import xarray as xr

from ebbmap.analyses.common.checks import check_sample, refuse_groups
from ebbmap.analyses.common.dependence import DEPENDENCE, estimate_dependence
from ebbmap.analyses.common.factors import FAILED, count_failed
from ebbmap.analyses.common.places import Place, analysis_along, pieces_along
from ebbmap.analyses.common.sensitivity import (
    estimate_by_kept,
    label_estimates,
    pick_outcomes,
    stack,
    unstack,
)
from ebbmap.analyses.common.sizes import Size, groups_of, lungs_drawn, places_of
from ebbmap.analyses.options import NO_AXES, Axes, OfOutcomes, refuse_unused
from ebbmap.cases.design import RESAMPLING_STREAM, seed_stream
from ebbmap.cases.labelling import Variable, label_variables
from ebbmap.cases.pieces import Pieces, Progress
from ebbmap.cases.question import Question, draw_cases
from ebbmap.kernels.given_data import CI_GIVEN, LEAST_CASES, GivenData, given_data_indices
from ebbmap.kernels.sobol import NanPolicy

#: What is said of an outcome on one sample.
INDICES: Mapping[str, Variable] = {
    "first": Variable("share of the variance that goes once the property is known"),
    "rank_first": Variable("the same from neighbours in rank, as a check"),
    "total": Variable("share that stays once all that is independent of the property is known"),
    "independent_first": Variable("share that goes once what only the property brings is known"),
    "independent_total": Variable("share that stays once all other properties are known"),
}

#: What stands in place of groups.
WITHOUT_GROUPS = "indices from given data have none"

_OWN_DIMS = {
    name: ("parameter", "ci_bound") if name.endswith("_interval") else ("parameter",)
    for name in GivenData.__dataclass_fields__
}

VARIABLES: Mapping[str, Variable] = {
    **INDICES,
    **{f"{name}_interval": Variable(f"interval of {name}") for name in INDICES},
    "dropped": Variable("cases left out because an outcome was not finite"),
    **DEPENDENCE,
    "failed": FAILED,
}


class Given(OfOutcomes):
    """Indices from lungs as they are drawn for maps, correlations kept."""


def estimate_given(
    values: xr.Dataset,
    outputs: xr.Dataset,
    *,
    correlation: np.ndarray | None = None,
    level: float = 0.95,
    nan_policy: NanPolicy = "raise",
) -> xr.Dataset:
    """Estimate the indices of every outcome from a sample that exists: a cohort, an earlier run.

    Parameters
    ----------
    values : Dataset
        The factors, each with dim `sample`: rows drawn independently of each other.
    outputs : Dataset
        Outcomes of the same rows, each with dim `sample` and any extra dims, which pass through.
    correlation : ndarray, shape (d, d), optional
        Correlation of the factors' normal scores where it is known, as of a population.
    level : float
        Level of the intervals, in (0, 1).
    nan_policy : {"raise", "drop_block"}
        Refuse outcomes that are not finite, or leave these rows out, for each outcome by itself;
        below `LEAST_CASES` rows it has no indices.

    Returns
    -------
    Dataset
        `first`, `rank_first`, `total`, `independent_first`, `independent_total`
        (..., outcome, parameter), their intervals (..., ci_bound), and `dropped` (..., outcome).

    Raises
    ------
    NonFiniteOutcomeError
        If an outcome is not finite and `nan_policy` is "raise".
    EbbmapError
        For fewer than two factors, too few rows, or a factor that does not vary.

    Examples
    --------
    >>> x, y = np.random.default_rng(0).standard_normal((2, 1000))
    >>> values = xr.Dataset({"compliance": ("sample", x), "resistance_exp": ("sample", y)})
    >>> outputs = xr.Dataset({"auto_peep": 2.0 * values["compliance"] + values["resistance_exp"]})
    >>> estimate_given(values, outputs)["first"].values.round(1).tolist()
    [[0.8, 0.2]]
    """
    outcomes = pick_outcomes(outputs, nan_policy)
    names = [str(name) for name in values.data_vars]
    x = np.stack([values[name].values for name in names], axis=1)
    y = stack(outcomes)
    kept = np.isfinite(y)

    def estimate(rows: np.ndarray, columns: np.ndarray) -> GivenData | None:
        if not rows.all() and rows.sum() < LEAST_CASES:
            return None
        own = y[np.ix_(rows, columns)]
        return given_data_indices(x[rows], own, correlation=correlation, level=level)

    found = estimate_by_kept(kept, _OWN_DIMS, len(names), estimate)
    attrs = {
        "title": "indices from given data",
        "nan_policy": nan_policy,
        "ci_method": CI_GIVEN,
        "ci_level": float(level),
    }
    result = label_estimates(found, VARIABLES, _OWN_DIMS, outputs, outcomes, names, {}, attrs)
    result["dropped"] = unstack((~kept).sum(axis=0).astype(float), (), outcomes)
    return label_variables(result, VARIABLES)


def find_given(
    question: Question,
    options: Given | None = None,
    *,
    axes: Axes = NO_AXES,
    progress: Progress = None,
) -> xr.Dataset:
    """Share out the variance of every outcome among the properties of lungs as they are.

    Parameters
    ----------
    question : Question
        Model, populations with their correlations, samples and the rules that are compared.
    options : Given, optional
        The axis, the outcomes, and the level of the intervals.
    axes : mapping of str to ndarray, shape (m,)
        The values of the axis, by its name, unless the options give them.
    progress : callable, optional
        Called with the number of cases just finished.

    Returns
    -------
    xarray.Dataset
        As `estimate_given`, with dims (population, along, outcome, parameter, ci_bound). The
        lungs are those that a map of the same question meets. Along `rule` too, where there are
        rules: `target_hsic`, how far being unsafe depends on each property, and
        `conditional_hsic`, how far the margin does among the unsafe, with their p values and
        `unsafe_share`; see `estimate_dependence`.

    Raises
    ------
    NonFiniteOutcomeError
        If a case could not be solved or judged and `drop_failed` is not set.
    EbbmapError
        For values that cannot be, groups of parameters, or fewer than two factors.
    """
    options = options or Given()
    refuse_unused(axes, options.along)
    return given_pieces(question, options, axes).whole(progress)


def given_pieces(question: Question, options: Given, axes: Axes = NO_AXES) -> Pieces[xr.Dataset]:
    """Cut the indices into one population at one place; see `find_given`."""
    refuse_groups(options, WITHOUT_GROUPS)

    def solve(here: Place) -> xr.Dataset:
        along, factors = options.along, here.factors
        drawn = draw_cases(question, here.group, {along: here.grid})
        values = {
            name: array.isel({along: 0}, drop=True) if along in array.dims else array
            for name, array in drawn.items()
            if "sample" in array.dims
        }
        solved = here.solve(values)
        lungs = xr.Dataset({name: values[name] for name in factors.names})
        found = estimate_given(
            lungs,
            solved,
            correlation=factors.covariance / np.outer(factors.spread, factors.spread),
            level=options.level,
            nan_policy=here.nan_policy,
        )
        found = found.assign(failed=count_failed(solved))
        if not question.rules:
            return found
        stream = seed_stream(question.seed, RESAMPLING_STREAM)
        bearing = estimate_dependence(lungs, solved, question.rules, rng=stream)
        return found.assign_coords(rule=list(question.rules)).assign(
            {
                name: xr.DataArray(array, dims=dims).expand_dims({along: here.grid}, axis=1)
                for name, (dims, array) in bearing.items()
            }
        )

    return pieces_along(
        question,
        options,
        axes,
        solve,
        variables=VARIABLES,
        title=f"what explains the outcomes along {options.along}, from lungs as they are",
        comment="Correlated properties share what they explain, so first-order indices may add up "
        "to more than one; independent indices count what only the property brings.",
        design=False,
        attrs={"lungs": question.lungs, "ci_level": options.level},
    )


def _size(question: Question, options: Given, axes: Axes) -> Size:
    lungs = lungs_drawn(question)
    return Size(groups_of(question) * places_of(options, axes) * lungs, lungs, lungs)


ANALYSIS = analysis_along(
    "given",
    Given,
    long_name="indices from lungs as they are",
    pieces=given_pieces,
    size=_size,
    variables=VARIABLES,
    check=check_sample(LEAST_CASES, WITHOUT_GROUPS),
    by_population=True,
    counts_cases=True,
)
