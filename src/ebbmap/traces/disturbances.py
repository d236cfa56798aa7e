"""What disturbs a measurement without being the lung, as flow that it adds near a fit.

Sizes: b bins, m disturbances.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ebbmap.traces.cycles import driven
from ebbmap.traces.misfit import Misfit

#: Prior standard deviations of offset [L s-1], of drift over the trace [L s-1] and of leak
#: [L s-1 cmH2O-1]: what a sound sensor and circuit have, and what they have where the trace asks
#: for it. Assumptions: next to nothing, so that a lung's slow part is not taken for a leak, and
#: 12 L/min of offset and of leak at 25 cmH2O.
NARROW = {"offset": 0.0005, "drift": 0.0003, "leak": 0.00001}
WIDE = {"offset": 0.2, "drift": 0.1, "leak": 0.008}

#: What is supposed to be large, each as likely as the others beforehand; a sensor that is off may
#: drift as well.
SUPPOSITIONS: tuple[tuple[str, ...], ...] = ((), ("offset",), ("leak",), ("offset", "leak"))

#: Cycles from which on samples show the period better than the steps of pressure do.
LEAST_COUNT = 3

#: At least: of the valve's constant [s], of the levels [cmH2O].
LEAST_VALVE, LEAST_LEVEL = 2e-4, 1e-3

#: Distance of the two places of a disturbance's slope: levels [cmH2O], valve [s].
NUDGE, VALVE_NUDGE = 0.05, 2e-3


def _disturbed(misfit: Misfit, place: np.ndarray) -> tuple[tuple[str, ...], np.ndarray]:
    """Return the disturbances near a lung: names, and flow by one prior SD, shape (b, m)."""
    cycles = misfit.cycles
    size = _large(misfit.wide)
    phase, since = misfit.bin_times
    here = misfit.flow(place[None])[0]
    time = misfit.averaging @ cycles.time[misfit.used]
    columns = {"offset": np.full(here.size, size["offset"])}
    columns["drift"] = size["drift"] * (time - time.mean()) / max(float(np.ptp(time)), 1e-9)
    pressure = np.zeros(here.size)
    for number, one in enumerate(cycles.phases):
        mine = phase == number
        pressure[mine] = cycles.p_low + one.pressure(since[mine])[0]
    columns["leak"] = size["leak"] * pressure
    slope = _slope(misfit, place, phase)
    even = np.ptp([one.duration for one in cycles.phases[::2]]) < 1e-9
    doubt = misfit.shift_doubt
    for number in range(2 if even else len(cycles.phases)):
        mine = phase % 2 == number if even else phase == number
        columns[("up", "down")[number % 2] + ("" if even else f" {number // 2 + 1}")] = np.where(
            mine, -doubt * slope, 0.0
        )
    for name, column in _driven_otherwise(misfit, place, here).items():
        columns[name] = column
    # where the model has no answer beside a lung, nothing is learnt of that disturbance
    return tuple(columns), np.nan_to_num(np.stack(list(columns.values()), axis=1))


def _large(wide: Sequence[str]) -> dict[str, float]:
    """Return the prior standard deviations of offset, drift and leak."""
    taken = {"offset": "offset", "drift": "offset", "leak": "leak"}
    return {name: (WIDE if part in wide else NARROW)[name] for name, part in taken.items()}


def _slope(misfit: Misfit, place: np.ndarray, phase: np.ndarray) -> np.ndarray:
    """Return the slope of flow over time in each bin [L s-2], within each phase."""
    nodes = misfit.nodes(place[None])
    if nodes is not None:
        one, _ = misfit.of_bins
        slope: np.ndarray = one @ nodes.slope[:, 0]
        return slope
    flow, (_, since) = misfit.flow(place[None])[0], misfit.bin_times
    slope = np.zeros_like(flow)
    for number in np.unique(phase):
        mine = np.flatnonzero(phase == number)
        mine = mine[np.argsort(since[mine])]
        if mine.size > 2:
            slope[mine] = np.gradient(flow[mine], since[mine])
    return slope


def longer_period(misfit: Misfit, place: np.ndarray) -> float:
    """Return by how much the period is longer than taken, as samples of settled cycles show [s].

    A step between two samples places a period only to within a share of their distance, and what
    it is wrong by grows from cycle to cycle.
    """
    cycles = misfit.cycles
    if not cycles.settled or cycles.count < LEAST_COUNT:
        return 0.0
    phase, _ = misfit.bin_times
    later = -_slope(misfit, place, phase)[misfit.bins] * cycles.from_middle[misfit.used]
    longer = float(later @ misfit.sample_residuals(place) / max(float(later @ later), 1e-12))
    most = cycles.interval / cycles.count
    return float(np.clip(longer, -most, most))


def _driven_otherwise(misfit: Misfit, place: np.ndarray, here: np.ndarray) -> dict[str, np.ndarray]:
    """Return what the doubt of levels, valve and start does to the flow in each bin."""
    cycles = misfit.cycles
    lengths = [one.duration for one in cycles.phases]
    valve = cycles.valve_time

    def flow(high: float, low: float, valve_time: float, start: float) -> np.ndarray:
        moved = replace(
            cycles,
            p_high=high,
            p_low=low,
            start_pressure=start,
            phases=driven(lengths, high - low, valve_time, cycles.settled),
        )
        # bins and weights do not depend on the levels
        twin = misfit.same_bins(cycles=moved, disturbances=None, suppositions=None)
        return twin.flow(place[None])[0] - here

    high, low, start = cycles.p_high, cycles.p_low, cycles.start_pressure
    doubts = (max(one, LEAST_LEVEL) for one in cycles.level_doubts)
    columns = {
        "p_high": next(doubts) / NUDGE * flow(high + NUDGE, low, valve, start),
        "p_low": next(doubts) / NUDGE * flow(high, low + NUDGE, valve, start),
    }
    if valve > 0.0:
        doubt = max(cycles.valve_doubt, LEAST_VALVE)
        moved = flow(high, low, valve + VALVE_NUDGE, start)
        columns["valve_time"] = doubt / VALVE_NUDGE * moved
    if not cycles.settled:
        columns["start_pressure"] = (
            cycles.start_doubt / NUDGE * flow(high, low, valve, start + NUDGE)
        )
    return columns


def with_disturbances(misfit: Misfit, place: np.ndarray) -> tuple[Misfit, tuple[str, ...]]:
    """Return the same with disturbances as they are near a lung, and their names."""
    names, columns = _disturbed(misfit, place)
    moved = dict(zip(("up", "down"), misfit.moved, strict=True))
    centre = np.array([-moved.get(name, 0.0) / misfit.shift_doubt for name in names])
    near = misfit.begins(place)
    own = sizes_of(misfit, names)
    factors = [sizes_of(replace(misfit, wide=wide), names) / own for wide in SUPPOSITIONS]
    known = misfit.same_bins(
        disturbances=columns, centre=centre, near=near, suppositions=np.array(factors)
    )
    return known, names


def sizes_of(misfit: Misfit, names: Sequence[str]) -> np.ndarray:
    """Return the prior standard deviation of each disturbance, shape (m,).

    Offset and drift in L s-1, leak in L s-1 cmH2O-1, switches and valve in s, levels in cmH2O.
    """
    high, low = (max(one, LEAST_LEVEL) for one in misfit.cycles.level_doubts)
    known = {
        **_large(misfit.wide),
        "p_high": high,
        "p_low": low,
        "valve_time": max(misfit.cycles.valve_doubt, LEAST_VALVE),
        "start_pressure": misfit.cycles.start_doubt,
    }
    return np.array([known.get(name, misfit.shift_doubt) for name in names])
