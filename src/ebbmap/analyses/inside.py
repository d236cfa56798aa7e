"""What the flow curve does not show: the slow compartment during a release."""

from __future__ import annotations

import numpy as np
import xarray as xr

from ebbmap.cases.evaluate import resolve
from ebbmap.cases.labelling import describe, label
from ebbmap.cases.pieces import join_groups
from ebbmap.cases.question import Question, middle_lung
from ebbmap.cases.simulate import as_arrays, simulate
from ebbmap.cases.uses import Use, add_provenance
from ebbmap.cases.waveforms import CLEAR, waveforms
from ebbmap.errors import EbbmapError
from ebbmap.lungs import lung_model
from ebbmap.registries.signals import SIGNALS

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


def look_inside(question: Question, *, seconds: float = 2.0) -> xr.Dataset:
    """Follow flow at the airway and what each compartment still holds during one release.

    Parameters
    ----------
    question : Question
        A model with two compartments, populations and settings.
    seconds : float
        How long the release is followed [s], beyond T low if need be.

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
    >>> inside = look_inside(Question(lung="paired", fixed={"t_low": 0.5}))
    >>> bool((inside["slow_left"] >= inside["fast_left"]).all())
    True
    """
    if not set(INSIDE) <= set(lung_model(question.lung).signals):
        raise EbbmapError(
            f"the lung {question.lung!r} has no slow compartment. Use 'paired' or 'whole'."
        )
    times = np.linspace(0.0, seconds, POINTS)
    rows = []
    for group in question.groups():
        values = middle_lung(question, group, {})
        rows.append(_one_release(question.lung, values, times))
    labels = question.group_names
    dataset = join_groups(rows, labels)
    for name in (*KEPT, "t_low"):
        dataset[name] = label(dataset[name], name)
    for name in ("flow", "airway_pressure", *INSIDE):
        entry = SIGNALS[name]
        dataset[name] = describe(dataset[name], entry.long_name, entry.units)
    texts = {
        "flow_share": ("flow over its peak", "1"),
        "fast_left": ("left in the fast compartment", "1"),
        "slow_left": ("left in the slow compartment", "1"),
        "look_time": ("time at which the flow has fallen to this share of its peak", "s"),
        "look_fast_left": ("left in the fast compartment then", "1"),
        "look_slow_left": ("left in the slow compartment then", "1"),
    }
    for name, (text, units) in texts.items():
        dataset[name] = describe(dataset[name], text, units)
    dataset["time"].attrs = {"units": "s", "long_name": "time from the start of the release"}
    dataset["look"].attrs = {"units": "1", "long_name": "flow over its peak"}
    use = Use(middle=True, outcomes=KEPT)
    return add_provenance(dataset, question, "what the flow curve does not show", use)


def _one_release(lung: str, values, times: np.ndarray) -> xr.Dataset:
    solved = simulate(lung, outcomes=KEPT, **values)
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
