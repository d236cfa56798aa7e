"""The two rules for T low side by side: where they say the same, and in which lung model."""

from __future__ import annotations

import numpy as np
import xarray as xr

from ebbmap.cases.labelling import describe, label
from ebbmap.cases.pieces import join_groups
from ebbmap.cases.question import Question, middle_lung
from ebbmap.cases.simulate import simulate
from ebbmap.cases.uses import Use, add_provenance
from ebbmap.registries.limits import RULES


def compare_rules(
    question: Question, *, models: tuple[str, ...], along: str, grid: np.ndarray
) -> xr.Dataset:
    """Follow flow ratio and exhaled fraction along an axis in several lung models.

    Parameters
    ----------
    question : Question
        Populations (their middle lungs) and fixed values.
    models : tuple of str
        Lung models.
    along : str
        Parameter on the axis, such as t_low_in_time_constants.
    grid : ndarray, shape (m,)
        Its values.

    Returns
    -------
    xarray.Dataset
        Dims (population, model, along): `flow_ratio`, `exhaled_fraction`, and their `sum`, which
        is one where both rules are the same rule.

    Raises
    ------
    EbbmapError
        For values that cannot be.

    Examples
    --------
    >>> both = compare_rules(
    ...     Question(fixed={"resistance_quadratic": 8.0}), models=("linear", "tube"),
    ...     along="t_low", grid=np.array([0.5]),
    ... )
    >>> both["sum"].round(3).values.ravel().tolist()
    [1.0, 1.08]
    """
    rows = []
    for group in question.groups():
        values = middle_lung(question, group, {along: grid})
        solved = [simulate(model, outcomes=RULES, **values)[list(RULES)] for model in models]
        kept = [one.drop_vars([n for n in one.coords if n != along]) for one in solved]
        rows.append(xr.concat(kept, dim=xr.Variable("model", list(models)), join="outer"))
    labels = question.group_names
    dataset = join_groups(rows, labels)
    total = dataset["flow_ratio"] + dataset["exhaled_fraction"]
    for name in (*RULES, along):
        dataset[name] = label(dataset[name], name)
    dataset["sum"] = describe(total, "flow ratio plus exhaled fraction")
    use = Use((along,), middle=True, outcomes=RULES, lungs=models)
    return add_provenance(dataset, question, f"the two rules along {along}", use)
