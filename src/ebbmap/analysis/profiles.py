"""Outcomes of each population's middle lung along an axis."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from ebbmap.cases import Question
from ebbmap.labelling import label, provenance
from ebbmap.simulate import simulate


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
    axis = xr.DataArray(grid, dims=along, coords={along: grid})
    solved = []
    for group in question.groups():
        middle = group.median if group else {}
        values: dict[str, Any] = {**middle, **question.fixed, along: axis}
        one = simulate(question.lung, outcomes=outcomes, **values)
        solved.append(one.drop_vars([name for name in one.coords if name != along]))
    labels = question.group_names
    dataset = xr.concat(solved, dim=xr.Variable("population", labels), join="outer")
    for name in (*outcomes, along):
        dataset[name] = label(dataset[name], name)
    dataset.attrs = provenance(
        f"outcomes along {along}", lung=question.lung, fixed=question.fixed_text,
        unconfirmed=question.unconfirmed_text,
    )  # fmt: skip
    return dataset
