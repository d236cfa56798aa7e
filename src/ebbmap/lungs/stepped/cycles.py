"""What a cycle means: its outcomes, the settled cycle, a window with effort, signals over time.

Sizes: n cases, t times.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ebbmap.lungs.base import SOLVED
from ebbmap.lungs.stepped import effort, mesh, relaxation
from ebbmap.lungs.stepped.airway import valve
from ebbmap.lungs.stepped.balance import balance
from ebbmap.lungs.stepped.cases import Cases
from ebbmap.lungs.stepped.course import Course, State
from ebbmap.lungs.stepped.quadrature import SETTLED_SHARE
from ebbmap.lungs.stepped.radau import WEIGHTS
from ebbmap.lungs.stepped.recruitment import held_open, open_fraction
from ebbmap.units import L_PER_ML, ML_PER_L

#: What this lung solves for.
SOLVES = (
    *SOLVED,
    "end_high_transpulmonary_pressure",
    "mean_pleural_pressure",
    "gas_beyond_dead_space",
    "open_fraction_end_high",
    "open_fraction_end_release",
    "closed_per_release",
    "cycles_to_settle",
    "effort_share",
    "transpulmonary_pressure_swing",
)

#: What shares over several cycles are taken from: gas taken in during T high, what an endless
#: T high would have taken in, gas breathed out [mL].
TOTALS = ("taken", "fillable", "expired")

#: Share of P high below which a drive is rounding.
NO_DRIVE = 1e-8

#: A step ends at a turn of the flow when the drive has fallen to this share of that before.
AT_TURN = 1e-2

Outcomes = dict[str, np.ndarray]


def resting(cases: Cases, pressure) -> State:
    """Return the lung at rest at a pressure, as it is after having been held open, then let down.

    The units whose closing pressure lies above `pressure` [cmH2O] are closed.
    """
    openness = held_open(pressure, cases.closing_pressure, cases.closing_spread)
    fraction = open_fraction(openness, cases.recruitable_share)
    volume, _ = cases.static_volume(pressure, fraction)
    return State(volume, openness, pressure, np.zeros_like(pressure), np.zeros_like(pressure))


def run_cycle(cases: Cases, begun: State) -> tuple[Outcomes, State]:
    """Run one cycle.

    Returns
    -------
    outcomes : dict of str to ndarray, shape (n,)
        Those in `SOLVES`, then `TOTALS`; NaN where no cycle was found.
    state : State
        After it.
    """
    names = (*SOLVES, *TOTALS)
    solved = relaxation.solve(cases, begun, _describe, len(names) + 5, closed=False)
    period = cases.t_high + cases.t_low
    top = valve(begun.airway_pressure, cases.p_high, cases.t_high, cases.valve_time)
    airway = valve(top, cases.p_low, cases.t_low, cases.valve_time)
    clock = effort.advance(begun.clock, period, cases.effort_rate)
    end = State(solved[-3], solved[-2], airway, clock, solved[-1])
    return dict(zip(names, solved, strict=False)), end


def settle_passive(cases: Cases, guess: State, most_open=None) -> tuple[State, Outcomes]:
    """Find the settled cycle without effort.

    Parameters
    ----------
    cases : Cases
        n cases; effort is left out.
    guess : State
        Where to begin the search.
    most_open : ndarray, shape (n,), optional
        Openness above which none is looked for; that of the guess if None.

    Returns
    -------
    state : State
        At the end of a release; NaN where it did not settle.
    outcomes : dict of str to ndarray, shape (n,)
        Of the settled cycle; NaN where it did not settle.
    """
    cases = replace(cases, effort_pressure=np.zeros(cases.size))
    rows = len(SOLVES) + len(TOTALS) + 5
    solved = relaxation.solve(cases, guess, _describe, rows, closed=True, most_open=most_open)
    state = State(solved[-5], solved[-4], guess.airway_pressure, guess.clock, solved[-1])
    return state, dict(zip(SOLVES, solved, strict=False))


def gap_from_closed(cases: Cases, state: State, end_release_pressure) -> np.ndarray:
    """Look for the settled cycle that a lung with all its units closed comes to.

    Where hysteresis allows both, a lung that P high has opened stays in one and a lung that was
    closed in another. The search may jump a gap that is small: of 140 lungs it did in 5, by 0.001
    at most.

    Parameters
    ----------
    cases : Cases
        n cases; effort is left out.
    state : State
        Of the settled cycle that the opened lung comes to.
    end_release_pressure : ndarray, shape (n,)
        Of that cycle [cmH2O].

    Returns
    -------
    ndarray, shape (n,)
        By how much of the lung it is more closed at the end of a release [1]; 0 where both are
        the same, or none is found from there.
    """
    cases = replace(cases, effort_pressure=np.zeros(cases.size))
    shut = np.zeros(cases.size)
    volume, _ = cases.static_volume(
        end_release_pressure, open_fraction(shut, cases.recruitable_share)
    )
    start = state._replace(volume=volume, openness=shut)

    def end_openness(course):
        return course.stages[1:, -1, -1]

    (openness,) = relaxation.solve(
        cases,
        start,
        end_openness,
        rows=1,
        closed=True,
        most_open=state.openness,
        accepted=relaxation.ROUGHLY,
    )
    gap = cases.recruitable_share * (state.openness - openness)
    return np.where(np.isnan(gap), 0.0, gap)


def _describe(course: Course) -> np.ndarray:
    """Outcomes in the order of `SOLVES`, `TOTALS`, state at start and at end, fresh gas."""
    cases = course.cases
    seen = course.look()
    release = course.releasing
    # the fading leaps where flow turns: the end of a step that ends there goes with its middle;
    # where flow has all but ended, rounding does not say which way it goes: the phase does
    inward = np.where(np.abs(seen.drive) < NO_DRIVE * cases.p_high, ~release, seen.drive >= 0.0)
    at_turn = np.abs(seen.drive[-1]) < AT_TURN * np.abs(seen.drive[-2])
    inward[-1] = np.where(at_turn, inward[-2], inward[-1])
    fading = course.look(inward).filling_by_volume

    def total(signal):
        """Integral over the cycle of a signal at the points of each step."""
        return (np.tensordot(WEIGHTS, signal[1:], 1) * course.lengths).sum(axis=0)

    top, opened = course.top
    after = end, left = course.stages[:, -1, -1]
    share_top, share_end = (open_fraction(s, cases.recruitable_share) for s in (opened, left))
    full, _ = cases.static_volume(cases.p_high, share_top)
    empty, _ = cases.static_volume(cases.p_low, share_end)
    taken, fillable = top - course.start[0], full - course.start[0]
    period = cases.t_high + cases.t_low
    released, (washed, fresh) = course.released, course.washed()
    expired = total(np.maximum(seen.filling, 0.0)) + course.start[0] - end
    breathing = (cases.effort_pressure > 0.0) & (expired > 0.0)
    outward = -seen.filling / ML_PER_L
    outcomes = {
        "release_volume": released,
        "trapped_volume": end - empty,
        "end_high_pressure": course.at_top(seen.alveolar[-1]),
        "end_high_volume": top,
        "end_release_pressure": seen.alveolar[-1, -1],
        "peak_expiratory_flow": np.where(release, outward, -np.inf).max(axis=(0, 1)),
        "end_release_flow": outward[-1, -1],
        "mean_alveolar_pressure": total(seen.alveolar) / period,
        "fill_fraction": taken / fillable,
        "exhaled_fraction": released / (top - empty),
        "time_constant_exp": cases.compliance * cases.resistance_exp * L_PER_ML,
        "end_high_transpulmonary_pressure": course.at_top(seen.lung[-1]),
        "mean_pleural_pressure": total(seen.pleural) / period,
        "gas_beyond_dead_space": washed,
        "open_fraction_end_high": share_top,
        "open_fraction_end_release": share_end,
        "closed_per_release": share_top - share_end,
        "cycles_to_settle": np.log(SETTLED_SHARE) / total(fading),
        "effort_share": np.where(
            breathing, 1.0 - released / np.where(breathing, expired, 1.0), 0.0
        ),
        "transpulmonary_pressure_swing": seen.lung.max(axis=(0, 1)) - seen.lung.min(axis=(0, 1)),
    }
    rows = (*(outcomes[name] for name in SOLVES), taken, fillable, expired)
    return np.stack([*rows, *course.start, *after, fresh])


def trace(cases: Cases, state: State, times) -> dict[str, np.ndarray]:
    """Follow the lung to each time, shape (n, t); T high begins at time 0.

    The release goes on for as long as is asked.
    """
    late = float(np.max(times)) - cases.t_high
    longer = replace(cases, t_low=np.maximum(cases.t_low, late))
    names = ("airway_pressure", "alveolar_pressure", "flow", "volume", "open_fraction")

    def follow(course: Course) -> np.ndarray:
        at = np.broadcast_to(times[:, None], (times.size, course.cases.size))
        airway, muscle = course.forces_at(at, at)
        volume, openness = mesh.sample(course, at)
        seen = balance(course.cases, volume, openness, airway, muscle)
        return np.concatenate(
            (
                np.broadcast_to(airway, at.shape),
                seen.alveolar,
                seen.filling / ML_PER_L,
                volume,
                open_fraction(openness, course.cases.recruitable_share),
            )
        )

    traced = relaxation.solve(longer, state, follow, len(names) * times.size, closed=False)
    return {name: rows.T for name, rows in zip(names, np.split(traced, len(names)), strict=True)}
