"""How PaCO2 moves after a change of settings, minute by minute."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import xarray as xr
from pydantic import Field

from ebbmap.analyses.asked import Asked, values_complaint
from ebbmap.analyses.base import Analysis, whole
from ebbmap.analyses.common.sizes import middle_lungs
from ebbmap.analyses.options import NO_AXES, Axes, Number, Options, ParameterName
from ebbmap.cases.evaluate import resolve
from ebbmap.cases.inputs import as_arrays
from ebbmap.cases.labelling import Variable, label_variables
from ebbmap.cases.pieces import Progress, join_groups
from ebbmap.cases.question import Question, middle_lung
from ebbmap.cases.simulate import simulate
from ebbmap.cases.steady import STORES
from ebbmap.cases.uses import Use, add_provenance
from ebbmap.exchange.co2_stores import paco2_course
from ebbmap.registries.parameters import PARAMETERS

#: Times, evenly spaced.
POINTS = 241

VARIABLES: Mapping[str, Variable] = {
    "paco2_start": Variable("PaCO2 before the change", "mmHg"),
    "paco2_end": Variable("PaCO2 in the end", "mmHg"),
    "time": Variable("time after the change", "s"),
}


class Course(Options):
    """PaCO2 after a change of settings."""

    change: dict[ParameterName, Number] = Field(
        min_length=1, description="parameters with their value from time 0 on"
    )
    minutes: float = Field(default=30.0, gt=0, le=1440, description="how long it is followed [min]")


def find_course(
    question: Question, options: Course, *, axes: Axes = NO_AXES, progress: Progress = None
) -> xr.Dataset:
    """Follow PaCO2 of each population's middle lung after a change at time 0.

    Parameters
    ----------
    question : Question
        Model, populations, and the values before the change.
    options : Course
        The change, and how long to follow it.
    axes : mapping of str to ndarray
        Not used.
    progress : callable, optional
        Called with the number of cases just finished.

    Returns
    -------
    xarray.Dataset
        `paco2` (population, time) [mmHg], and `paco2_start`, `paco2_end` (population): the
        balance before and after. NaN where there is no balance before the change; no end where
        nothing is ventilated after it.

    Raises
    ------
    EbbmapError
        For values that cannot be.

    Examples
    --------
    >>> shorter = find_course(Question(fixed={"t_low": 0.6}), Course(change={"t_low": 0.4}))
    >>> bool(shorter["paco2"][0, -1] > shorter["paco2"][0, 0])
    True
    """
    wanted = ("paco2", "alveolar_ventilation", "co2_production")
    seconds = np.linspace(0.0, options.minutes * 60.0, POINTS)
    rows = []
    for group in question.groups():
        before = middle_lung(question, group, {})
        after = {**before, **options.change}
        start = simulate(question.lung, outcomes=wanted[:1], progress=progress, **before)
        end = simulate(question.lung, outcomes=wanted[:2], progress=progress, **after)
        rows.append(_between(start, end, after, seconds))
    dataset = join_groups(rows, question.group_names)
    label_variables(dataset, VARIABLES, registry=["paco2"])
    return add_provenance(
        dataset,
        question,
        "PaCO2 after a change of settings",
        Use(middle=True, outcomes=wanted[:2], also=(wanted[2], *STORES)),
        comment="Two CO2 stores; their sizes are assumptions.",
        change=Question(fixed=options.change).fixed_text,
    )


def _between(
    start: xr.Dataset, end: xr.Dataset, values: Mapping[str, Any], seconds: np.ndarray
) -> xr.Dataset:
    """Follow PaCO2 from one balance towards another, shape (m,) over the times."""
    given = {name: array.values for name, array in as_arrays(values).items()}
    held = resolve(given, ("co2_production", *STORES))
    course = paco2_course(
        seconds, float(start["paco2"]), float(end["alveolar_ventilation"]), **held
    )
    return xr.Dataset(
        {
            "paco2": ("time", course),
            "paco2_start": float(start["paco2"]),
            "paco2_end": float(end["paco2"]),
        },
        {"time": seconds},
    )


def _check(asked: Asked) -> Iterator[str]:
    for name, value in asked.table("change").items():
        if name in PARAMETERS and (found := values_complaint(name, [value])):
            yield f"{asked.place}.change: {found}"


ANALYSIS = Analysis(
    name="course",
    long_name="PaCO2 after a change of settings",
    options=Course,
    pieces=whole(find_course),
    size=middle_lungs(lambda question, options, axes: 2),
    variables=VARIABLES,
    check=_check,
    computes=lambda options: ("paco2",),
)
