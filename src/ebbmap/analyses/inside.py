"""What the flow curve does not show: the slow compartment during a release."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Annotated, Any

import numpy as np
import xarray as xr
from pydantic import Field

from ebbmap.analyses.asked import Asked
from ebbmap.analyses.base import Analysis, whole
from ebbmap.analyses.common.sizes import middle_lungs
from ebbmap.analyses.options import NO_AXES, Axes, Options
from ebbmap.cases.evaluate import resolve
from ebbmap.cases.inputs import as_arrays
from ebbmap.cases.labelling import Variable, label_variables, signal_variables
from ebbmap.cases.pieces import Progress, join_groups
from ebbmap.cases.question import Question, middle_lung
from ebbmap.cases.simulate import simulate
from ebbmap.cases.uses import Use, add_provenance
from ebbmap.cases.waveforms import CLEAR, waveforms
from ebbmap.errors import EbbmapError
from ebbmap.lungs import lung_model

#: Signals of the two compartments.
INSIDE = ("alveolar_pressure_fast", "alveolar_pressure_slow")

#: Shares of the peak flow at which a look is taken, and points of time.
LOOKS = (0.75, 0.5, 0.25, 0.1)
POINTS = 400

#: What the settled cycle adds.
KEPT = (
    "flow_ratio",
    "exhaled_fraction",
    "slow_exhaled_fraction",
    "auto_peep_fast",
    "auto_peep_slow",
    "trapped_volume_fast",
    "trapped_volume_slow",
)


VARIABLES: Mapping[str, Variable] = {
    **signal_variables(("flow", "airway_pressure", *INSIDE)),
    "flow_share": Variable("flow over its peak"),
    "fast_left": Variable("left in the fast compartment"),
    "slow_left": Variable("left in the slow compartment"),
    "look_time": Variable("time at which the flow has fallen to this share of its peak", "s"),
    "look_fast_left": Variable("left in the fast compartment then"),
    "look_slow_left": Variable("left in the slow compartment then"),
    "time": Variable("time from the start of the release", "s"),
    "look": Variable("flow over its peak"),
}


class Inside(Options):
    """One release of a lung with two compartments, seen from inside."""

    seconds: Annotated[float, Field(gt=0, le=60)] = Field(
        default=2.0, description="how long the release is followed [s], beyond T low if need be"
    )


def find_inside(
    question: Question,
    options: Inside | None = None,
    *,
    axes: Axes = NO_AXES,
    progress: Progress = None,
) -> xr.Dataset:
    """Follow flow at the airway and what each compartment still holds during one release.

    Parameters
    ----------
    question : Question
        A model with two compartments, populations and settings.
    options : Inside, optional
        How long the release is followed.
    axes : mapping of str to ndarray
        Not used.
    progress : callable, optional
        Called with the number of cases just finished.

    Returns
    -------
    xarray.Dataset
        Dims (population, time), time from the start of the release: `flow`, the pressures in the
        compartments, `flow_share` (of the peak), `fast_left` and `slow_left` (pressure above P
        low over that at the start of the release). Dims (population, look): `look_time` [s] at
        which the flow has fallen to this share of its peak, and `look_fast_left`,
        `look_slow_left` then; NaN where it has not fallen so far. Dims (population): outcomes of
        the settled cycle at T low, and `t_low` [s].

    Raises
    ------
    EbbmapError
        If the model has no slow compartment.

    Examples
    --------
    >>> inside = find_inside(Question(lung="paired", fixed={"t_low": 0.5}))
    >>> bool((inside["slow_left"] >= inside["fast_left"]).all())
    True
    """
    if not set(INSIDE) <= set(lung_model(question.lung).signals):
        raise EbbmapError(
            f"the lung {question.lung!r} has no slow compartment. Use 'paired' or 'whole'."
        )
    times = np.linspace(0.0, (options or Inside()).seconds, POINTS)
    rows = []
    for group in question.groups():
        values = middle_lung(question, group, {})
        rows.append(_one_release(question.lung, values, times, progress))
    dataset = join_groups(rows, question.group_names)
    label_variables(dataset, VARIABLES, registry=(*KEPT, "t_low"))
    use = Use(middle=True, outcomes=KEPT)
    return add_provenance(dataset, question, "what the flow curve does not show", use)


def _one_release(
    lung: str, values: Mapping[str, Any], times: np.ndarray, progress: Progress
) -> xr.Dataset:
    solved = simulate(lung, outcomes=KEPT, progress=progress, **values)
    given = {name: array.values for name, array in as_arrays(values).items()}
    used = resolve(given, ("t_high", "p_low", "t_low"))
    t_high, p_low = float(used["t_high"]), float(used["p_low"])
    # the first time lies just inside the release
    drawn = waveforms(
        lung, times=t_high + np.maximum(times, CLEAR * t_high), release_goes_on=True, **values
    )
    outwards = -drawn["flow"].values
    # a slow valve puts the peak some way into the release
    peak = int(outwards.argmax())
    share = outwards / outwards[peak]
    left = {}
    for name in INSIDE:
        height = drawn[name].values - p_low
        left[name.removeprefix("alveolar_pressure_")] = height / height[0]
    reached = share[-1] <= np.asarray(LOOKS)
    # shares fall with time from the peak on; interpolation wants them to rise
    when = np.where(reached, np.interp(LOOKS, share[peak:][::-1], times[peak:][::-1]), np.nan)
    then = {name: np.where(reached, np.interp(when, times, a), np.nan) for name, a in left.items()}
    return xr.Dataset(
        {
            **{n: ("time", drawn[n].values) for n in ("flow", "airway_pressure", *INSIDE)},
            "flow_share": ("time", share),
            "fast_left": ("time", left["fast"]),
            "slow_left": ("time", left["slow"]),
            "look_time": ("look", when),
            "look_fast_left": ("look", then["fast"]),
            "look_slow_left": ("look", then["slow"]),
            **{name: float(solved[name]) for name in KEPT},
            "t_low": float(used["t_low"]),
        },
        {"time": times, "look": list(LOOKS)},
    )


def _check(asked: Asked) -> Iterator[str]:
    lung = asked.study.lung
    if "alveolar_pressure_slow" not in lung.signals:
        yield (
            f"{asked.place}: the lung {lung.name!r} has no slow compartment. Use 'paired' "
            "or 'whole'."
        )


ANALYSIS = Analysis(
    name="inside",
    long_name="what the flow curve does not show",
    options=Inside,
    pieces=whole(find_inside),
    size=middle_lungs(lambda question, options, axes: 2),
    variables=VARIABLES,
    check=_check,
)
