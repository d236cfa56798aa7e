"""Outcomes of each population's middle lung along an axis."""

from __future__ import annotations

from collections.abc import Iterator

import xarray as xr
from pydantic import Field

from ebbmap.analyses.asked import Asked
from ebbmap.analyses.base import Analysis, whole
from ebbmap.analyses.common.checks import check_along, check_outcomes
from ebbmap.analyses.common.sizes import middle_lungs
from ebbmap.analyses.options import NO_AXES, Axes, Options, OutcomeName, ParameterName, axis_of
from ebbmap.cases.labelling import label_variables
from ebbmap.cases.pieces import Progress, join_groups
from ebbmap.cases.question import Question, middle_lung
from ebbmap.cases.simulate import simulate
from ebbmap.cases.uses import Use, add_provenance


class Profile(Options):
    """Outcomes of each population's middle lung along an axis."""

    along: ParameterName = Field(description="parameter on the axis")
    outcomes: list[OutcomeName] = Field(min_length=1, description="outcomes to keep")


def find_profile(
    question: Question, options: Profile, *, axes: Axes = NO_AXES, progress: Progress = None
) -> xr.Dataset:
    """Solve the middle lung of every population along an axis.

    Parameters
    ----------
    question : Question
        Model, populations and fixed values.
    options : Profile
        The axis and the outcomes.
    axes : mapping of str to ndarray, shape (m,)
        The values of the axis, by its name.
    progress : callable, optional
        Called with the number of cases just finished.

    Returns
    -------
    xarray.Dataset
        The outcomes, dims (population, along).

    Raises
    ------
    EbbmapError
        For values that cannot be, or an axis without values.

    Examples
    --------
    >>> asked = Profile(along="t_low", outcomes=["flow_ratio"])
    >>> profile = find_profile(Question(), asked, axes={"t_low": [0.3, 0.6]})
    >>> profile["flow_ratio"].dims
    ('population', 't_low')
    """
    along, outcomes = options.along, tuple(options.outcomes)
    grid = axis_of(axes, along)
    solved = []
    for group in question.groups():
        values = middle_lung(question, group, {along: grid})
        lung = simulate(question.lung, outcomes=outcomes, progress=progress, **values)
        solved.append(lung.drop_vars([name for name in lung.coords if name != along]))
    dataset = join_groups(solved, question.group_names)
    label_variables(dataset, {}, registry=(*outcomes, along))
    use = Use((along,), middle=True, outcomes=outcomes)
    return add_provenance(dataset, question, f"outcomes along {along}", use)


def _check(asked: Asked) -> Iterator[str]:
    yield from check_along(asked)
    yield from check_outcomes(asked)


ANALYSIS = Analysis(
    name="profile",
    long_name="outcomes along an axis",
    options=Profile,
    pieces=whole(find_profile),
    size=middle_lungs(lambda question, options, axes: len(axis_of(axes, options.along))),
    lays_out=lambda asked: [asked.get("along")],
    check=_check,
    computes=lambda options: tuple(options.outcomes),
)
