"""Time stepping of the whole model: a Rosenbrock method with steps chosen case by case.

The method is RODAS: order 4, stiffly accurate, L-stable, so a lung that empties in microseconds
costs no more steps than a slow one. Each case carries its own step; cases that have arrived are
dropped. Steps end exactly where an effort begins or ends, so none is leapt over.
Sizes: n cases; 6 rows of state: volume [mL] and openness, and four integrals that they feed:
alveolar pressure, pleural pressure [cmH2O s], gas inspired [mL], and the logarithm of how much
of a disturbance of the volume is left.

References
----------
.. [1] Hairer E, Wanner G, Solving Ordinary Differential Equations II, 2nd ed., section IV.7
   (coefficients from memory; their order is tested).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from ebbmap.lungs.stepped import effort
from ebbmap.lungs.stepped.airway import FASTEST_VALVE, flow, valve
from ebbmap.lungs.stepped.cases import Cases
from ebbmap.lungs.stepped.recoil import recoil
from ebbmap.lungs.stepped.recruitment import margins, open_fraction
from ebbmap.units import ML_PER_L

GAMMA = 0.25
STAGES = (
    (),
    (1.544,),
    (0.9466785280815826, 0.2557011698983284),
    (3.314825187068521, 2.896124015972201, 0.9986419139977817),
    (1.221224509226641, 6.019134481288629, 12.53708332932087, -0.6878860361058950),
)
COUPLING = (
    (),
    (-5.6688,),
    (-2.430093356833875, -0.2063599157091915),
    (-0.1073529058151375, -9.594562251023355, -20.47028614809616),
    (7.496443313967647, -10.24680431464352, -33.99990352819905, 11.70890893206160),
    (8.083246795921522, -7.981132988064893, -31.52159432874371, 16.31930543123136,
     -6.058818238834054),
)  # fmt: skip
WHEN = (0.0, 0.386, 0.21, 0.63, 1.0, 1.0)
SLOPE = (0.25, -0.1043, 0.1035, -0.0362, 0.0, 0.0)

VOLUME, OPENNESS, ALVEOLAR, PLEURAL, INSPIRED, FADED = range(6)
STATES = 6
#: Rows that are looked at but not integrated; the last three are the gates.
FLOW, LUNG, STIFFNESS, DRIVE, OPENS, CLOSES = range(STATES, STATES + 6)
GATES = slice(DRIVE, CLOSES + 1)

#: A gate has switched when it lies beyond its threshold by more than this share of its size.
GATE_EDGE = 1e-9

#: A peak inside a step is passed over when it lies above the ends by less than this share.
PEAK_EDGE = 1e-8

#: Halvings and secants that find where a step meets a gate.
GATE_STEPS = 12

#: Relative step of the differences that give the derivatives.
NUDGE = 1e-6

#: Error of one step, relative to each row's own size; measured: outcomes then hold 1e-6.
TOLERANCE = 1e-7

#: The gas left in a release is held to its own size down to this share of what there was.
LEAST_LEFT = 1e-4

#: A case that needs more steps than this within one phase is given up (and is NaN).
MOST_STEPS = 3_000

#: A step may shrink or grow by these factors, and aims at this share of the largest allowed.
SHRINK, GROW, CAUTION = 0.1, 5.0, 0.85

#: Share of a case's own time constant that the first step takes.
FIRST_STEP = 0.01

#: Cases are regathered when fewer than this share of those carried are still under way.
REGATHER = 0.75


class State(NamedTuple):
    """What the lung remembers.

    Parameters
    ----------
    volume : ndarray, shape (n,)
        Gas in the lung [mL].
    openness : ndarray, shape (n,)
        How much of the recruitable share is open [1].
    airway_pressure : ndarray, shape (n,)
        Pressure at the airway [cmH2O].
    clock : ndarray, shape (n,)
        Time since the last effort began [s].
    """

    volume: np.ndarray
    openness: np.ndarray
    airway_pressure: np.ndarray
    clock: np.ndarray


class Stretch(NamedTuple):
    """What happened in a stretch of time, ndarray of shape (n,) each.

    Parameters
    ----------
    alveolar, pleural : ndarray, shape (n,)
        Integrals of the alveolar and the pleural pressure [cmH2O s].
    inspired : ndarray, shape (n,)
        Gas inspired [mL].
    faded : ndarray, shape (n,)
        Logarithm of the share of a disturbance of the volume that is left.
    highest, lowest : ndarray, shape (n,)
        Extremes of the transpulmonary pressure [cmH2O].
    fastest : ndarray, shape (n,)
        Greatest outward flow [L s-1].
    """

    alveolar: np.ndarray
    pleural: np.ndarray
    inspired: np.ndarray
    faded: np.ndarray
    highest: np.ndarray
    lowest: np.ndarray
    fastest: np.ndarray


@dataclass
class _Run:
    """Cases on their way; the last axis of every array is the case.

    Parameters
    ----------
    cases : Cases
        n cases.
    target, until, scale : ndarray, shape (n,)
        What the valve is set to [cmH2O], how long to go [s], the size of a volume [mL].
    airway, elapsed, clock, step : ndarray, shape (n,)
        Airway pressure [cmH2O], time so far, time since the last effort, next step [s].
    rows : ndarray, shape (6, n)
        State and integrals.
    gates : ndarray of bool, shape (3, n)
        Gas flows inward, units open, units close. A gate stays as it is within a step, so that
        every step is smooth; a step that would pass a gate ends at it.
    """

    cases: Cases
    target: np.ndarray
    until: np.ndarray
    scale: np.ndarray
    airway: np.ndarray
    elapsed: np.ndarray
    clock: np.ndarray
    step: np.ndarray
    rows: np.ndarray
    gates: np.ndarray

    def at(self, index) -> _Run:
        """Return the run of some of the cases."""
        arrays = {name: value[..., index] for name, value in vars(self).items() if name != "cases"}
        return _Run(self.cases.at(index), **arrays)

    def rates(self, after, volume, openness, active) -> np.ndarray:
        """Return the rates of the rows and what is looked at, shape (12, n), some time later."""
        cases = self.cases
        airway = valve(self.airway, self.target, after, cases.valve_time)
        muscle = effort.muscle_pressure(
            self.clock + after, active,
            cases.effort_pressure, cases.effort_rate, cases.effort_duration,
        )  # fmt: skip
        fraction = open_fraction(openness, cases.recruitable_share)
        lung, slope = recoil(
            volume, fraction, cases.lung_elastance, cases.recoil_curvature, cases.rest
        )
        wall = cases.wall_elastance * volume
        alveolar = lung + wall - muscle
        drive = airway - alveolar
        inward, opening_now, closing_now = self.gates
        speed, by_drive, by_recoil = flow(
            drive, inward, lung, cases.resistance_insp, cases.resistance_exp,
            cases.resistance_quadratic, cases.flow_limitation,
        )  # fmt: skip
        opens, closes = margins(
            openness, lung + wall,
            cases.opening_pressure, cases.opening_spread,
            cases.closing_pressure, cases.closing_spread,
        )  # fmt: skip
        opening = (opening_now * opens / cases.opening_time_constant
                   - closing_now * closes / cases.closing_time_constant)  # fmt: skip
        fading = by_recoil * slope - by_drive * (slope + cases.wall_elastance)
        return np.stack((
            ML_PER_L * speed, opening, alveolar, wall - muscle,
            ML_PER_L * speed * inward, ML_PER_L * fading, speed, lung, slope,
            drive, opens, closes,
        ))  # fmt: skip

    def try_step(self, now, active, step) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Take one step: return the new rows, its error (1 is just allowed), and the slopes.

        The slopes are those of all rows of `rates` along the solution, at the start of the step.
        """
        volume, openness = self.rows[VOLUME], self.rows[OPENNESS]
        size = np.minimum(self.scale, self.cases.p_high / now[STIFFNESS])
        # what is left of the release is held relative to itself: it becomes the trapped gas
        near = np.abs(now[DRIVE]) / (self.cases.p_high - self.cases.p_low)
        tight = size * np.where(
            self.target == self.cases.p_low, np.clip(near, LEAST_LEFT, 1.0), 1.0
        )
        # towards the inside of the curve and of [0, 1], where the derivative exists
        by_volume = (self.rates(0.0, volume - NUDGE * size, openness, active) - now) / (
            -NUDGE * size
        )
        nudge = np.where(openness > 0.5, -NUDGE, NUDGE)
        by_openness = (self.rates(0.0, volume, openness + nudge, active) - now) / nudge
        by_time = (self.rates(NUDGE * step, volume, openness, active) - now) / (NUDGE * step)
        slopes = by_time + by_volume * now[VOLUME] + by_openness * now[OPENNESS]

        reach = GAMMA * step
        a = 1.0 - reach * by_volume[VOLUME]
        b = -reach * by_openness[VOLUME]
        c = -reach * by_volume[OPENNESS]
        d = 1.0 - reach * by_openness[OPENNESS]
        determinant = a * d - b * c
        push_volume, push_openness = by_volume[:STATES], by_openness[:STATES]
        moves: list[np.ndarray] = []
        at = self.rows
        for stage, coupling in enumerate(COUPLING):
            if stage == len(STAGES):
                at = at + moves[-1]
            else:
                at = self.rows
                for weight, move in zip(STAGES[stage], moves, strict=True):
                    at = at + weight * move
            rate = now if stage == 0 else self.rates(
                WHEN[stage] * step, at[VOLUME], at[OPENNESS], active
            )  # fmt: skip
            right = rate[:STATES] + (SLOPE[stage] * step) * by_time[:STATES]
            for weight, move in zip(coupling, moves, strict=True):
                right = right + (weight / step) * move
            right = reach * right
            moved = (d * right[VOLUME] - b * right[OPENNESS]) / determinant
            opened = (a * right[OPENNESS] - c * right[VOLUME]) / determinant
            move = right + reach * (push_volume * moved + push_openness * opened)
            move[VOLUME], move[OPENNESS] = moved, opened
            moves.append(move)
        new = at + moves[-1]
        span = self.cases.p_high * self.until
        sizes = np.stack(
            (tight, np.ones_like(size), span, span, self.scale, 1.0 + np.abs(new[FADED]))
        )
        error = np.max(np.abs(moves[-1]) / sizes, axis=0) / TOLERANCE
        return new, error, slopes


def march(cases: Cases, state: State, target, duration) -> tuple[State, Stretch]:
    """Let the lung run for some time with the valve set to one pressure.

    Parameters
    ----------
    cases : Cases
        n cases.
    state : State
        Where they start.
    target : ndarray, shape (n,)
        Pressure that the valve is set to [cmH2O].
    duration : ndarray, shape (n,)
        How long [s], >= 0.

    Returns
    -------
    state : State
        Where they end; NaN where a case was given up.
    stretch : Stretch
        What happened on the way.
    """
    airway = np.where(cases.valve_time > FASTEST_VALVE, state.airway_pressure, target)
    rows = np.zeros((STATES, cases.size))
    rows[VOLUME], rows[OPENNESS] = state.volume, state.openness
    ends = np.full_like(rows, np.nan)
    # highest transpulmonary pressure, its negative, greatest outward flow
    peaks = np.full((3, cases.size), -np.inf)
    first = FIRST_STEP * cases.compliance * cases.resistance_insp / ML_PER_L
    here = np.flatnonzero(np.isfinite(state.volume + duration + target))
    run = _Run(
        cases, target, duration, size_of_volume(cases), airway,
        np.zeros(cases.size), state.clock, np.minimum(duration, first), rows,
        np.zeros((3, cases.size), dtype=bool),
    ).at(here)  # fmt: skip
    run.gates = run.rates(0.0, run.rows[VOLUME], run.rows[OPENNESS], _active(run)[0])[GATES] >= 0.0
    run.gates[1:] &= run.cases.recruitable_share > 0.0
    for _ in range(MOST_STEPS):
        arrived = run.elapsed >= run.until
        if arrived.any():
            ends[:, here[arrived]] = run.rows[:, arrived]
        if np.count_nonzero(~arrived) < REGATHER * here.size or arrived.all():
            here, run = here[~arrived], run.at(~arrived)
            if here.size == 0:
                break
        here, run = _advance(here, run, peaks)
    return _finish(cases, state, airway, target, duration, ends, peaks)


def size_of_volume(cases: Cases):
    """Gas between P low and P high, all units open: what an error of a volume is measured by."""
    whole = np.ones(cases.size)
    return cases.static_volume(cases.p_high, whole)[0] - cases.static_volume(cases.p_low, whole)[0]


def _active(run: _Run):
    """Whether an effort is under way, and the time until that changes."""
    cases = run.cases
    active, remaining = effort.next_switch(run.clock, cases.effort_rate, cases.effort_duration)
    breathing = cases.effort_pressure > 0.0
    return active & breathing, np.where(breathing, remaining, np.inf)


def _meet_gates(run: _Run, taken, step, start, start_slope, end, end_slope):
    """Refuse steps that pass a gate: return what is still taken, and the step to try instead."""
    size = np.stack((run.cases.p_high, np.ones_like(step), np.ones_like(step)))
    beyond = np.where(run.gates, -end, end) > GATE_EDGE * size
    passed = beyond & taken
    passed[1:] &= run.cases.recruitable_share > 0.0
    if not passed.any():
        return taken, step
    # a step that starts at the gate switches it and is tried again, any other is cut to end there
    at_gate = passed & (np.abs(start) <= GATE_EDGE * size)
    run.gates = run.gates ^ at_gate
    step = step.copy()
    for gate in range(3):
        index = np.flatnonzero(passed[gate] & ~at_gate[gate])
        if index.size:
            share = _crossing(
                start[gate, index], start_slope[gate, index], end[gate, index],
                end_slope[gate, index], step[index],
            )  # fmt: skip
            step[index] *= share
    return taken & ~passed.any(axis=0), step


def _crossing(start, start_slope, end, end_slope, step):
    """Share of a step after which the cubic through its ends is zero, shape (n,)."""
    rise = end - start
    c, d = start_slope * step, end_slope * step
    a = c + d - 2.0 * rise
    b = 3.0 * rise - 2.0 * c - d
    low, high = np.zeros_like(step), np.ones_like(step)
    share = start / -rise
    for _ in range(GATE_STEPS):
        value = start + share * (c + share * (b + share * a))
        before = (value > 0.0) == (start > 0.0)
        low, high = np.where(before, share, low), np.where(before, high, share)
        slope = c + share * (2.0 * b + share * 3.0 * a)
        better = share - value / np.where(slope != 0.0, slope, 1.0)
        share = np.where((better > low) & (better < high), better, 0.5 * (low + high))
    return share


def _advance(here, run: _Run, peaks) -> tuple[np.ndarray, _Run]:
    """Try a step in every case, keep those that are accurate enough, and note the extremes."""
    cases = run.cases
    active, remaining = _active(run)
    to_go = run.until - run.elapsed
    limit = np.minimum(to_go, remaining)
    # a case that has arrived waits: its step of a harmless length is thrown away
    waiting = to_go <= 0.0
    step = np.where(waiting, run.step, np.minimum(run.step, limit))
    now = run.rates(0.0, run.rows[VOLUME], run.rows[OPENNESS], active)
    new, error, slopes = run.try_step(now, active, step)
    error = np.where(np.isfinite(error), error, np.inf)
    taken = (error <= 1.0) & ~waiting

    then = run.rates(step, new[VOLUME], new[OPENNESS], active)
    nudge = NUDGE * step
    after = run.rates(
        step + nudge, new[VOLUME] + nudge * then[VOLUME],
        new[OPENNESS] + nudge * then[OPENNESS], active,
    )  # fmt: skip
    later = (after - then) / nudge
    taken, retry = _meet_gates(
        run, taken, step, now[GATES], slopes[GATES], then[GATES], later[GATES]
    )
    for row, (source, sign) in enumerate(((LUNG, 1.0), (LUNG, -1.0), (FLOW, -1.0))):
        share, excess = _peak(
            sign * now[source], sign * slopes[source], sign * then[source], sign * later[source],
            step,
        )  # fmt: skip
        # a step that passes a peak is cut to end on it, where the cubic's own error is harmless
        size = run.cases.p_high if source == LUNG else run.cases.p_high / run.cases.resistance_exp
        passed = taken & (excess > PEAK_EDGE * size)
        taken, retry = taken & ~passed, np.where(passed, share * step, retry)
        top = sign * np.where(sign * (then[source] - now[source]) > 0.0, then[source], now[source])
        seen = peaks[row, here]
        peaks[row, here] = np.where(taken, np.maximum(seen, top), seen)
    refused = ~taken & (error <= 1.0) & ~waiting
    factor = np.clip(CAUTION * np.maximum(error, 1e-12) ** -0.25, SHRINK, GROW)
    proposed = step * factor
    # a step cut short by a switch says nothing against the longer one it was cut from
    cut = taken & (step < run.step)
    proposed = np.where(cut, np.maximum(proposed, run.step), np.where(refused, retry, proposed))
    run.step = np.where(waiting, run.step, proposed)
    run.rows = np.where(taken, new, run.rows)
    landed = taken & (step >= to_go)
    run.airway = np.where(taken, valve(run.airway, run.target, step, cases.valve_time), run.airway)
    run.clock = np.where(taken, effort.advance(run.clock, step, cases.effort_rate), run.clock)
    run.elapsed = np.where(landed, run.until, np.where(taken, run.elapsed + step, run.elapsed))
    return here, run


def _peak(start, start_slope, end, end_slope, step):
    """Where the cubic through two values with two slopes peaks, and by how much, shape (n,) each.

    The first is a share of the step, the second how far the peak lies above both ends.
    """
    # its slope is the quadratic a u^2 + b u + c over u in [0, 1]
    rise = end - start
    c = start_slope * step
    d = end_slope * step
    a = 3.0 * (c + d - 2.0 * rise)
    b = 2.0 * (3.0 * rise - 2.0 * c - d)
    root = np.sqrt(np.maximum(b * b - 4.0 * a * c, 0.0))
    # of the two roots the one with falling slope is the top; this form holds for a = 0
    lean = root - b
    top = np.where((c > 0.0) & (d < 0.0), 2.0 * c / np.where(lean > 0.0, lean, 1.0), 0.0)
    top = np.clip(top, 0.0, 1.0)
    inside = start + top * (c + top * (0.5 * b + top * a / 3.0))
    return top, inside - np.maximum(start, end)


def _finish(cases, state, airway, target, duration, ends, peaks) -> tuple[State, Stretch]:
    zero = duration <= 0.0
    ends[:2] = np.where(zero, (state.volume, state.openness), ends[:2])
    ends[2:] = np.where(zero, 0.0, ends[2:])
    end = State(
        ends[VOLUME], ends[OPENNESS], valve(airway, target, duration, cases.valve_time),
        effort.advance(state.clock, duration, cases.effort_rate),
    )  # fmt: skip
    return end, Stretch(
        ends[ALVEOLAR], ends[PLEURAL], ends[INSPIRED], ends[FADED], peaks[0], -peaks[1], peaks[2]
    )  # fmt: skip
