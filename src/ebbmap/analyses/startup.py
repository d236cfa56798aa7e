"""Trapping as it happens: the first cycles from the start, and what one longer release undoes."""

from __future__ import annotations

import numpy as np
import xarray as xr

from ebbmap.cases.evaluate import resolve
from ebbmap.cases.labelling import describe, label
from ebbmap.cases.pieces import join_groups
from ebbmap.cases.question import Question, middle_lung
from ebbmap.cases.simulate import as_arrays, simulate
from ebbmap.cases.uses import Use, add_provenance
from ebbmap.cases.waveforms import cycle_times
from ebbmap.errors import EbbmapError
from ebbmap.kernels.cycles import follow_cycles
from ebbmap.lungs import lung_model
from ebbmap.registries.signals import SIGNALS

#: Times drawn in each phase.
POINTS = 40

#: What is kept of every cycle.
KEPT = ("end_release_pressure", "trapped_volume", "release_volume", "exhaled_fraction")

#: The two courses.
AS_SET, LONGER = "as set", "one longer release"


def follow_start(
    question: Question,
    *,
    start_pressure: float = 5.0,
    cycles: int = 12,
    longer_t_low: float | None = None,
    longer_cycle: int | None = None,
) -> xr.Dataset:
    """Follow every population's middle lung from the start of the mode.

    Parameters
    ----------
    question : Question
        Model, populations and settings.
    start_pressure : float
        End-expiratory pressure of the ventilation before [cmH2O].
    cycles : int
        How many, >= 1.
    longer_t_low : float, optional
        T low of the one longer release [s]; three times T low if None.
    longer_cycle : int, optional
        The cycle with the longer release, 1 to `cycles`; two thirds of the way if None.

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
    >>> first = follow_start(Question(fixed={"resistance_exp": 30.0}), cycles=6)
    >>> first["trapped_volume"].sizes["cycle"]
    6
    """
    at = max(1, round(2 * cycles / 3)) if longer_cycle is None else longer_cycle
    if not 1 <= at <= cycles:
        raise EbbmapError(f"the longer release must be in cycle 1 to {cycles}; got {at}.")
    rows, t_lows = [], []
    for group in question.groups():
        values = middle_lung(question, group, {})
        own, longer = _settings(question.lung, values, longer_t_low)
        t_lows.append(float(longer["t_low"][0]))
        row = xr.concat(
            [
                _one_course(question.lung, [own] * cycles, start_pressure),
                _one_course(
                    question.lung,
                    [longer if number == at else own for number in range(1, cycles + 1)],
                    start_pressure,
                ),
            ],
            dim=xr.Variable("course", [AS_SET, LONGER]),
        )
        settled = simulate(question.lung, outcomes=KEPT, **values)
        rows.append(row.assign({f"settled_{name}": float(settled[name]) for name in KEPT}))
    labels = question.group_names
    dataset = join_groups(rows, labels)
    dataset["longer_t_low"] = label(xr.DataArray(t_lows, dims="population"), "t_low")
    for name in KEPT:
        dataset[name] = label(dataset[name], name)
        text = f"{dataset[name].attrs['long_name']} of the settled cycle"
        dataset[f"settled_{name}"] = describe(
            dataset[f"settled_{name}"], text, dataset[name].attrs["units"]
        )
    for name in lung_model(question.lung).signals:
        entry = SIGNALS[name]
        dataset[name] = describe(dataset[name], entry.long_name, entry.units)
    dataset["time"] = describe(dataset["time"], "time from the start", "s")
    use = Use(middle=True, outcomes=KEPT)
    return add_provenance(
        dataset, question, "the first cycles", use, start_pressure=start_pressure, longer_cycle=at
    )


def _settings(lung: str, values, longer_t_low: float | None):
    """Return every parameter of the lung as set, and with the longer release, each shape (1,)."""
    given = {name: array.values for name, array in as_arrays(values).items()}
    used = resolve(given, lung_model(lung).parameters)
    own = {name: np.atleast_1d(np.asarray(value, float)) for name, value in used.items()}
    long = 3.0 * own["t_low"] if longer_t_low is None else np.atleast_1d(float(longer_t_low))
    as_arrays({"t_low": long})
    return own, {**own, "t_low": long}


def _one_course(lung: str, settings, start_pressure: float) -> xr.Dataset:
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
