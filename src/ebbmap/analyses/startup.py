"""Trapping as it happens: the first cycles from the start, and what one longer release undoes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
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
from ebbmap.cases.labelling import Variable, label_variables, registry_attrs, signal_variables
from ebbmap.cases.pieces import Progress, join_groups
from ebbmap.cases.question import Question, middle_lung
from ebbmap.cases.simulate import simulate
from ebbmap.cases.uses import Use, add_provenance
from ebbmap.cases.waveforms import cycle_times
from ebbmap.errors import EbbmapError
from ebbmap.kernels.cycles import follow_cycles
from ebbmap.lungs import lung_model
from ebbmap.registries.outcomes import OUTCOMES

#: Times drawn in each phase.
POINTS = 40

#: What is kept of every cycle.
KEPT = ("end_release_pressure", "trapped_volume", "release_volume", "exhaled_fraction")

#: The two courses.
AS_SET, LONGER = "as set", "one longer release"


VARIABLES: Mapping[str, Variable] = {
    **{
        f"settled_{name}": Variable(
            f"{OUTCOMES[name].long_name} of the settled cycle", OUTCOMES[name].units
        )
        for name in KEPT
    },
    "time": Variable("time from the start", "s"),
}


class Startup(Options):
    """The first cycles of each population's middle lung, and one longer release among them."""

    start_pressure: Annotated[float, Field(ge=0, le=40)] = Field(
        default=5.0, description="end-expiratory pressure of the ventilation before [cmH2O]"
    )
    cycles: int = Field(
        default=12, ge=1, le=500, strict=True, description="cycles that are followed"
    )
    longer_t_low: Annotated[float, Field(gt=0)] | None = Field(
        default=None, description="T low of the one longer release [s]; three times T low if absent"
    )
    longer_cycle: int | None = Field(
        default=None,
        ge=1,
        strict=True,
        description="the cycle with the longer release; two thirds of the way if absent",
    )


def find_startup(
    question: Question,
    options: Startup | None = None,
    *,
    axes: Axes = NO_AXES,
    progress: Progress = None,
) -> xr.Dataset:
    """Follow every population's middle lung from the start of the mode.

    Parameters
    ----------
    question : Question
        Model, populations and settings.
    options : Startup, optional
        Where it starts, how many cycles are followed, and the one longer release.
    axes : mapping of str to ndarray
        Not used.
    progress : callable, optional
        Called with the number of cases just finished.

    Returns
    -------
    xarray.Dataset
        Dims (population, course, cycle): the outcomes in `KEPT`. Dims (population, course,
        point): the signals, and `time` (population, course, point) [s]. Dims (population):
        `settled_` and each outcome in `KEPT`: where the cycles as set lead to.

    Raises
    ------
    EbbmapError
        For values that cannot be, or a longer cycle that is not one of them.

    Examples
    --------
    >>> first = find_startup(Question(fixed={"resistance_exp": 30.0}), Startup(cycles=6))
    >>> first["trapped_volume"].sizes["cycle"]
    6
    """
    options = options or Startup()
    cycles, start_pressure = options.cycles, options.start_pressure
    at = options.longer_cycle or max(1, round(2 * cycles / 3))
    if not 1 <= at <= cycles:
        raise EbbmapError(f"the longer release must be in cycle 1 to {cycles}; got {at}.")
    rows, t_lows = [], []
    for group in question.groups():
        values = middle_lung(question, group, {})
        own, longer = _settings(question.lung, values, options.longer_t_low)
        t_lows.append(float(longer["t_low"][0]))
        courses = ([own] * cycles, [longer if n == at else own for n in range(1, cycles + 1)])
        row = xr.concat(
            [_one_course(question.lung, course, start_pressure) for course in courses],
            dim=xr.Variable("course", [AS_SET, LONGER]),
        )
        settled = simulate(question.lung, outcomes=KEPT, progress=progress, **values)
        rows.append(row.assign({f"settled_{name}": float(settled[name]) for name in KEPT}))
    dataset = join_groups(rows, question.group_names)
    dataset["longer_t_low"] = ("population", np.array(t_lows))
    signals = signal_variables(lung_model(question.lung).signals)
    label_variables(dataset, {**VARIABLES, **signals}, registry=KEPT)
    dataset["longer_t_low"].attrs = registry_attrs("t_low")
    use = Use(middle=True, outcomes=KEPT)
    return add_provenance(
        dataset, question, "the first cycles", use, start_pressure=start_pressure, longer_cycle=at
    )


def _settings(
    lung: str, values: Mapping[str, Any], longer_t_low: float | None
) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray]]:
    """Return every parameter of the lung as set, and with the longer release, each shape (1,)."""
    given = {name: array.values for name, array in as_arrays(values).items()}
    used = resolve(given, lung_model(lung).parameters)
    own = {name: np.atleast_1d(np.asarray(value, float)) for name, value in used.items()}
    long = 3.0 * own["t_low"] if longer_t_low is None else np.atleast_1d(float(longer_t_low))
    as_arrays({"t_low": long})
    return own, {**own, "t_low": long}


def _one_course(
    lung: str, settings: Sequence[Mapping[str, np.ndarray]], start_pressure: float
) -> xr.Dataset:
    pairs = [(float(own["t_high"][0]), float(own["t_low"][0])) for own in settings]
    times = [cycle_times(*pair, POINTS) for pair in pairs]
    begun = np.concatenate([[0.0], np.cumsum([sum(pair) for pair in pairs])[:-1]])
    outcomes, signals = follow_cycles(
        lung_model(lung), settings, times, start_pressure=start_pressure
    )
    return xr.Dataset(
        {
            **{name: ("cycle", outcomes[name][0]) for name in KEPT},
            **{name: ("point", a[0].reshape(-1)) for name, a in signals.items()},
            "time": ("point", np.concatenate([b + t for b, t in zip(begun, times, strict=True)])),
        },
        {"cycle": np.arange(1, len(settings) + 1)},
    )


def _check(asked: Asked) -> Iterator[str]:
    at, cycles = asked.get("longer_cycle"), asked.get("cycles")
    if isinstance(at, int) and isinstance(cycles, int) and at > cycles:
        yield f"{asked.place}.longer_cycle: must be one of {cycles} cycles; got {at}."


ANALYSIS = Analysis(
    name="startup",
    long_name="the first cycles",
    options=Startup,
    pieces=whole(find_startup),
    size=middle_lungs(lambda question, options, axes: 2 * options.cycles),
    variables=VARIABLES,
    check=_check,
)
