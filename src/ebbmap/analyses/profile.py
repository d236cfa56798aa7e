"""Outcomes of each population's middle lung along an axis."""

from __future__ import annotations

import numpy as np
import xarray as xr

from ebbmap.cases.labelling import label
from ebbmap.cases.pieces import join_groups
from ebbmap.cases.question import Question, middle_lung
from ebbmap.cases.simulate import simulate
from ebbmap.cases.uses import Use, add_provenance


def profile_outcomes(
    question: Question, *, along: str, grid: np.ndarray, outcomes: tuple[str, ...]
) -> xr.Dataset:
    """Solve the middle lung of every population along an axis.

    Parameters
    ----------
    question : Question
        Model, populations and fixed values.
    along : str
        Parameter on the axis.
    grid : ndarray, shape (m,)
        Its values.
    outcomes : tuple of str
        What to keep.

    Returns
    -------
    xarray.Dataset
        Dims (population, along).

    Raises
    ------
    EbbmapError
        For values that cannot be.
    """
    solved = []
    for group in question.groups():
        values = middle_lung(question, group, {along: grid})
        one = simulate(question.lung, outcomes=outcomes, **values)
        solved.append(one.drop_vars([name for name in one.coords if name != along]))
    labels = question.group_names
    dataset = join_groups(solved, labels)
    for name in (*outcomes, along):
        dataset[name] = label(dataset[name], name)
    use = Use((along,), middle=True, outcomes=outcomes)
    return add_provenance(dataset, question, f"outcomes along {along}", use)
