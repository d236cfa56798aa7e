"""One cycle by time stepping, what it means, and the settled cycle.

Sizes: n cases.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ebbmap.lungs.base import SOLVED
from ebbmap.lungs.stepped import effort
from ebbmap.lungs.stepped.airway import FASTEST_VALVE, flow
from ebbmap.lungs.stepped.cases import Cases
from ebbmap.lungs.stepped.march import State, Stretch, march, size_of_volume
from ebbmap.lungs.stepped.quadrature import SETTLED_SHARE
from ebbmap.lungs.stepped.recoil import recoil
from ebbmap.lungs.stepped.recruitment import held_open, open_fraction
from ebbmap.units import L_PER_ML

#: What this lung solves for.
SOLVES = (
    *SOLVED,
    "end_high_transpulmonary_pressure",
    "mean_pleural_pressure",
    "open_fraction_end_high",
    "open_fraction_end_release",
    "closed_per_release",
    "closed_fraction",
    "cycles_to_settle",
    "effort_share",
    "transpulmonary_pressure_swing",
)

#: With effort, this many cycles are run before the window opens, and this many make the window.
SETTLING_CYCLES, WINDOW_CYCLES = 10, 20

#: Most Newton steps on the cycle map, and the residuals at which it has settled: of the gas in a
#: release, of the openness.
NEWTON_STEPS, VOLUME_RESIDUAL, OPENNESS_RESIDUAL = 25, 3e-10, 3e-10

#: Steps of the differences that give the derivatives of the cycle map.
NUDGE = 1e-5

#: A direction in which less than this share of a disturbance fades in a cycle is neutral.
NEUTRAL = 1e-7


@dataclass(frozen=True)
class Snapshot:
    """The lung at one moment, ndarray of shape (n,) each, registry units, outward flow positive."""

    alveolar: np.ndarray
    transpulmonary: np.ndarray
    outward_flow: np.ndarray
    open_fraction: np.ndarray


def snapshot(cases: Cases, state: State) -> Snapshot:
    """Look at the lung in a state."""
    fraction = open_fraction(state.openness, cases.recruitable_share)
    lung, _ = recoil(
        state.volume, fraction, cases.lung_elastance, cases.recoil_curvature, cases.rest
    )
    active, _ = effort.next_switch(state.clock, cases.effort_rate, cases.effort_duration)
    muscle = effort.muscle_pressure(
        state.clock, active, cases.effort_pressure, cases.effort_rate, cases.effort_duration
    )
    alveolar = lung + cases.wall_elastance * state.volume - muscle
    speed, _, _ = flow(
        state.airway_pressure - alveolar, state.airway_pressure >= alveolar, lung,
        cases.resistance_insp, cases.resistance_exp, cases.resistance_quadratic,
        cases.flow_limitation,
    )  # fmt: skip
    return Snapshot(alveolar, lung, -speed, fraction)


def run_cycle(cases: Cases, start: State) -> tuple[dict[str, np.ndarray], State, np.ndarray]:
    """Run one cycle: return its outcomes, the state after it, and the share that has not faded."""
    top, high = march(cases, start, cases.p_high, cases.t_high)
    end, low = march(cases, top, cases.p_low, cases.t_low)
    return _describe(cases, start, top, end, high, low), end, np.exp(high.faded + low.faded)


def _describe(
    cases: Cases, start: State, top: State, end: State, high: Stretch, low: Stretch
) -> dict[str, np.ndarray]:
    filled, emptied = snapshot(cases, top), snapshot(cases, end)
    full, _ = cases.static_volume(cases.p_high, filled.open_fraction)
    empty, _ = cases.static_volume(cases.p_low, emptied.open_fraction)
    period = cases.t_high + cases.t_low
    released = top.volume - end.volume
    expired = high.inspired + low.inspired + start.volume - end.volume
    breathing = (cases.effort_pressure > 0.0) & (expired > 0.0)
    return {
        "release_volume": released,
        "trapped_volume": end.volume - empty,
        "end_high_pressure": filled.alveolar,
        "end_release_pressure": emptied.alveolar,
        "peak_expiratory_flow": low.fastest,
        "end_release_flow": emptied.outward_flow,
        "mean_alveolar_pressure": (high.alveolar + low.alveolar) / period,
        "fill_fraction": (top.volume - start.volume) / (full - start.volume),
        "exhaled_fraction": released / (top.volume - empty),
        "time_constant_exp": cases.compliance * cases.resistance_exp * L_PER_ML,
        "end_high_transpulmonary_pressure": filled.transpulmonary,
        "mean_pleural_pressure": (high.pleural + low.pleural) / period,
        "open_fraction_end_high": filled.open_fraction,
        "open_fraction_end_release": emptied.open_fraction,
        "closed_per_release": filled.open_fraction - emptied.open_fraction,
        # the two ends stand for their phases: the lung mostly moves early in each
        "closed_fraction": 1.0
        - (filled.open_fraction * cases.t_high + emptied.open_fraction * cases.t_low) / period,
        "cycles_to_settle": np.log(SETTLED_SHARE) / (high.faded + low.faded),
        "effort_share": np.where(
            breathing, 1.0 - released / np.where(breathing, expired, 1.0), 0.0
        ),
        "transpulmonary_pressure_swing": np.maximum(high.highest, low.highest)
        - np.minimum(high.lowest, low.lowest),
    }


def resting(cases: Cases, pressure) -> State:
    """Return the lung at rest at a pressure, as it is after having been held open, then let down.

    The units whose closing pressure lies above `pressure` [cmH2O] are closed.
    """
    openness = held_open(pressure, cases.closing_pressure, cases.closing_spread)
    fraction = open_fraction(openness, cases.recruitable_share)
    volume, _ = cases.static_volume(pressure, fraction)
    return State(volume, openness, pressure, np.zeros_like(pressure))


def settle_passive(cases: Cases, guess: State) -> tuple[State, dict[str, np.ndarray]]:
    """Find the settled cycle of passive cases: Newton's method on the cycle map.

    Parameters
    ----------
    cases : Cases
        n cases; effort is left out.
    guess : State
        Where to begin.

    Returns
    -------
    state : State
        At the end of a release; NaN where it did not settle.
    outcomes : dict of str to ndarray, shape (n,)
        Of the settled cycle; NaN where it did not settle.
    """
    cases = replace(cases, effort_pressure=np.zeros(cases.size))
    volume, openness = guess.volume.copy(), guess.openness.copy()
    outcomes = {name: np.full(cases.size, np.nan) for name in SOLVES}
    settled = np.full((2, cases.size), np.nan)
    todo = np.arange(cases.size)
    for _ in range(NEWTON_STEPS):
        here = cases.at(todo)
        start = State(volume[todo], openness[todo], guess.airway_pressure[todo], guess.clock[todo])
        solved, end, kept, slopes = _linearised(here, start)
        miss_volume, miss_openness = end.volume - start.volume, end.openness - start.openness
        done = (np.abs(miss_volume) <= VOLUME_RESIDUAL * np.abs(solved["release_volume"])) & (
            np.abs(miss_openness) <= OPENNESS_RESIDUAL
        )
        lost = ~np.isfinite(miss_volume + miss_openness)
        at = todo[done]
        for name, values in outcomes.items():
            values[at] = solved[name][done]
        settled[:, at] = start.volume[done], start.openness[done]
        # (I - J) step = miss, with the openness eliminated last because it may be neutral
        openness_by_volume, volume_by_openness, openness_by_openness = slopes
        fading = 1.0 - kept
        stiff = 1.0 - openness_by_openness - openness_by_volume * volume_by_openness / fading
        push = miss_openness + openness_by_volume * miss_volume / fading
        opened = push / np.where(stiff > NEUTRAL, stiff, 1.0)
        opened = np.clip(start.openness + opened, 0.0, 1.0) - start.openness
        moved = (miss_volume + volume_by_openness * opened) / fading
        # a volume may at most halve in one step: it stays on the curve
        volume[todo] = np.maximum(start.volume + moved, 0.5 * start.volume)
        openness[todo] = start.openness + opened
        todo = todo[~done & ~lost]
        if todo.size == 0:
            break
    state = State(settled[0], settled[1], guess.airway_pressure, guess.clock)
    return state, outcomes


def _linearised(cases: Cases, start: State):
    """Run a cycle and return its outcomes, end, and the slopes of the cycle map.

    The slope of volume by volume comes with the cycle; the others, of openness by volume, volume
    by openness and openness by openness, are differences, and only taken where units can close.
    """
    closing = np.flatnonzero(cases.recruitable_share > 0.0)
    size = NUDGE * size_of_volume(cases)[closing]
    nudge = np.where(start.openness[closing] > 0.5, -NUDGE, NUDGE)
    n, m = cases.size, closing.size
    index = np.concatenate((np.arange(n), closing, closing))
    volume, openness = start.volume[index], start.openness[index]
    volume[n : n + m] += size
    openness[n + m :] += nudge
    solved, end, kept = run_cycle(
        cases.at(index), State(volume, openness, start.airway_pressure[index], start.clock[index])
    )
    slopes = np.zeros((3, n))
    base_volume, base_openness = end.volume[closing], end.openness[closing]
    slopes[0, closing] = (end.openness[n : n + m] - base_openness) / size
    slopes[1, closing] = (end.volume[n + m :] - base_volume) / nudge
    slopes[2, closing] = (end.openness[n + m :] - base_openness) / nudge
    return (
        {name: values[:n] for name, values in solved.items()},
        State(*(field[:n] for field in end)),
        kept[:n],
        slopes,
    )


def run_window(cases: Cases, state: State) -> tuple[State, dict[str, np.ndarray]]:
    """Let breathing cases run in, then average each outcome over the cycles of the window."""
    for _ in range(SETTLING_CYCLES):
        _, state, _ = run_cycle(cases, state)
    total = {name: np.zeros(cases.size) for name in SOLVES}
    for _ in range(WINDOW_CYCLES):
        solved, state, _ = run_cycle(cases, state)
        for name, values in total.items():
            values += solved[name]
    return state, {name: values / WINDOW_CYCLES for name, values in total.items()}


def trace(cases: Cases, state: State, times) -> dict[str, np.ndarray]:
    """Follow the lung to each time of one cycle, shape (n, t); the release begins at t_high.

    Every time is a case of its own, run from the start of its phase, so that all go at once.
    """
    top, _ = march(cases, state, cases.p_high, cases.t_high)
    lung, when = np.divmod(np.arange(cases.size * times.size), times.size)
    every, since = cases.at(lung), times[when]
    filling = since < every.t_high
    target = np.where(filling, every.p_high, every.p_low)
    ahead = since - np.where(filling, 0.0, every.t_high)
    begun = State(
        *(np.where(filling, one[lung], two[lung]) for one, two in zip(state, top, strict=True))
    )
    slow = every.valve_time > FASTEST_VALVE
    there = begun._replace(airway_pressure=np.where(slow, begun.airway_pressure, target))
    going = np.flatnonzero(ahead > 0.0)
    if going.size:
        start = State(*(field[going] for field in begun))
        end, _ = march(every.at(going), start, target[going], ahead[going])
        for field, values in zip(there, end, strict=True):
            field[going] = values
    seen = snapshot(every, there)
    traced = {
        "airway_pressure": there.airway_pressure,
        "alveolar_pressure": seen.alveolar,
        "flow": -seen.outward_flow,
        "volume": there.volume,
        "open_fraction": seen.open_fraction,
    }
    return {name: values.reshape(cases.size, -1) for name, values in traced.items()}
