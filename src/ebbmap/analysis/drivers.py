"""What drives each outcome at every release time: indices along an axis, for each population."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import xarray as xr
from scipy.special import ndtri

from ebbmap.analysis.regions import fixed_values, unconfirmed
from ebbmap.analysis.sensitivity import estimate_sobol
from ebbmap.cases import Question
from ebbmap.checks import check_memory
from ebbmap.design import draw_sobol_design
from ebbmap.evaluate import OK
from ebbmap.labelling import describe, provenance
from ebbmap.limits import CAUTION, SAFE, UNDETERMINED, judge
from ebbmap.lungs import lung_model
from ebbmap.outcomes import outcomes_of, plan
from ebbmap.parameters import DERIVATIONS, inputs_of, parameter
from ebbmap.populations import EDGE, Population
from ebbmap.simulate import simulate


def find_drivers(
    question: Question,
    *,
    along: str,
    grid: np.ndarray,
    base_size: int = 1024,
    second_order: bool = True,
    resamples: int = 1000,
    level: float = 0.95,
    outcomes: tuple[str, ...] | None = None,
    progress: Callable[[int], None] | None = None,
) -> xr.Dataset:
    """Estimate Sobol indices of every outcome, of the margin and of being safe.

    Parameters
    ----------
    question : Question
        Model, populations, samples and the rules that are compared. Factors are the properties
        of the population that are not fixed, and the samples.
    along : str
        Parameter whose values are the places of the indices, such as t_low.
    grid : ndarray, shape (m,)
        Its values.
    base_size, second_order, resamples, level
        Size of the design (a power of two) and of the bootstrap; level of the intervals.
    outcomes : tuple of str, optional
        Outcomes to explain; all that the lung gives if None.
    progress : callable, optional
        Called with the number of cases just finished.

    Returns
    -------
    xarray.Dataset
        As `estimate_sobol`, with dims (population, along, outcome, parameter, parameter_other,
        ci_bound). The outcome `margin_RULE` is the safety margin under a rule, `safe_RULE` is
        one where the case is safe and zero where it is not.

    Raises
    ------
    EbbmapError
        For values that cannot be, fewer than two factors, or a design too large to hold.

    Notes
    -----
    Variance-based indices need independent factors: the marginals are the population's, its
    correlations are dropped here.
    """
    names = outcomes or outcomes_of(lung_model(question.lung))
    results = [
        _one_group(
            question, group, names, along, grid, base_size, second_order, resamples, level, progress
        )
        for group in question.groups()
    ]
    labels = [group.name if group else "all" for group in question.groups()]
    dataset = xr.concat(
        results, dim=xr.Variable("population", labels), join="outer", combine_attrs="override"
    )
    entry = parameter(along)
    dataset[along].attrs = {"units": entry.units, "long_name": entry.long_name}
    dataset.attrs |= provenance(
        f"what drives the outcomes along {along}",
        lung=question.lung,
        comment="Factors are drawn independently: correlations of the population are dropped.",
        seed=question.seed,
        fixed=fixed_values(question),
        rules="; ".join(f"{name}: {rule.long_name}" for name, rule in question.rules.items()),
        unconfirmed=unconfirmed(question),
    )
    return dataset


def _one_group(
    question, group, names, along, grid, base_size, second_order, resamples, level, progress
):
    marginals = _factors(question, group, along)
    design = draw_sobol_design(
        tuple(marginals), base_size, second_order=second_order, seed=question.seed
    )
    scores = ndtri(np.clip(design["unit"].values, EDGE, 1.0 - EDGE))
    values: dict[str, Any] = {n: xr.DataArray(value) for n, value in question.fixed.items()}
    for column, (name, marginal) in enumerate(marginals.items()):
        values[name] = xr.DataArray(marginal.at(scores[:, column]), dims="sample")
    values[along] = xr.DataArray(grid, dims=along, coords={along: grid})
    wanted = tuple(dict.fromkeys((*names, *question.outcomes)))
    check_memory(len(scores) * len(grid), len(wanted) + 2 * len(question.rules), "the design")
    solved = simulate(question.lung, outcomes=wanted, progress=progress, **values)
    outputs = solved[list(names)].assign_coords(sample=design["sample"])
    for rule, limits in question.rules.items():
        judged = judge(limits, {name: solved[name].values for name in limits.outcomes})
        dims = solved["status"].dims
        safe = np.isin(judged.verdict, (SAFE, CAUTION)).astype(float)
        safe[judged.verdict == UNDETERMINED] = np.nan
        outputs[f"margin_{rule}"] = describe(
            xr.DataArray(judged.margin, dims=dims), f"safety margin ({rule})"
        )
        outputs[f"safe_{rule}"] = describe(xr.DataArray(safe, dims=dims), f"being safe ({rule})")
    outputs = outputs.drop_vars([n for n in outputs.coords if n not in ("sample", along)])
    indices = estimate_sobol(design, outputs, resamples=resamples, level=level, seed=question.seed)
    failed = int((solved["status"] != OK).sum())
    return indices.assign(failed=describe(xr.DataArray(failed), "cases that could not be solved"))


def _factors(question: Question, group: Population | None, along: str):
    marginals = dict(group.marginals) if group else {}
    marginals |= question.samples
    used = set(plan(lung_model(question.lung)).parameters)
    used |= {name for derived in DERIVATIONS.values() for name in inputs_of(derived)}
    return {
        name: marginal
        for name, marginal in marginals.items()
        if name not in question.fixed and name != along and name in used
    }
