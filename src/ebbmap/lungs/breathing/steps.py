"""One cycle, step by step, for many cases at many phases of their efforts.

The muscles lower the pressure around both stores alike, so their pressure is added to that of the
airway: with V, d as in the circuit of the lung `whole`,

    V' = q,   d' = feed q - fade d,   airway + muscle = V / C + link d + R q + K |q| q.

A diagonally implicit method of Runge and Kutta (three stages, order 3, L-stable) steps through it.
Each stage is one quadratic equation for the flow, so it is solved exactly: nothing is iterated,
and no lung is too stiff. A flow at its limit is the straight line that it is in the circuit.
Sizes: n cases, m phases of effort, k steps.

References
----------
.. [1] Alexander R, SIAM J Numer Anal 1977;14:1006 (from memory): the method.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from ebbmap.lungs.breathing.cases import Cases
from ebbmap.lungs.breathing.mesh import edges
from ebbmap.lungs.stepped import effort
from ebbmap.lungs.whole.network import Network

#: Alexander's method: the diagonal, a root of x^3 - 3 x^2 + 3 x / 2 - 1 / 6.
DIAGONAL = 0.435866521508459

#: Moments of the stages in a step, and the weights of the last one, which is the step's end.
STAGES = (DIAGONAL, 0.5 * (1.0 + DIAGONAL), 1.0)
WEIGHTS = (
    -0.25 * (6.0 * DIAGONAL**2 - 16.0 * DIAGONAL + 1.0),
    0.25 * (6.0 * DIAGONAL**2 - 20.0 * DIAGONAL + 5.0),
    DIAGONAL,
)
SECOND = 0.5 * (1.0 - DIAGONAL)


class Phase(NamedTuple):
    """The steps of T high or the release, and what in their equations does not depend on flow."""

    times: np.ndarray
    """Between the steps, from the start of the phase [s], shape (k + 1, n)."""
    airway: np.ndarray
    """Airway pressure above P low at the stages [cmH2O], shape (k, 3, n)."""
    begun: np.ndarray
    """Airway pressure above P low just after the switch [cmH2O], shape (n,)."""


class Moment(NamedTuple):
    """The lung at one moment; shape (m, n) each."""

    volume: np.ndarray
    """Above that at P low [L]."""
    spread: np.ndarray
    """Pressure of the fast less that of the slow store [cmH2O]."""
    flow: np.ndarray
    """[L s-1]"""
    muscle: np.ndarray
    """[cmH2O]"""


class Step(NamedTuple):
    """What a step does; shape (m, n) each unless said otherwise."""

    length: np.ndarray
    """[s], shape (n,)"""
    before: Moment
    after: Moment
    airway: np.ndarray
    """Mean of the airway pressure above P low at start and end [cmH2O], shape (n,)."""
    gas: np.ndarray
    """What goes in [L]."""
    turned: tuple[np.ndarray, ...]
    """Where the flow turns within the step: phases and cases, shape (t,) each."""
    first: np.ndarray
    """What goes in there before the turn [L], shape (t,)."""
    limited: np.ndarray | None
    """Whether the flow at the end is at its limit; None if no flow is limited."""


def phases_of(cases: Cases, steps: np.ndarray) -> tuple[Phase, Phase]:
    """Lay the steps of T high and of the release, counts (2, n); the longest count for all.

    A case that needs fewer ends with steps of no length, which change nothing: what it gives does
    not depend on the cases beside it.
    """
    net, drive = cases.network, cases.drive
    valve = np.where(drive.slow_valve, drive.valve_time, 0.0)
    laid = []
    for number, resistance in enumerate((net.resistance_insp, net.resistance_exp)):
        times = edges(drive.duration[number], (net.times(resistance)[0], valve), steps[number])
        lengths = np.diff(times, axis=0)
        moments = times[:-1, None] + lengths[:, None] * np.array(STAGES)[:, None]
        laid.append(Phase(times, drive.airway(number, moments), drive.airway(number, times[0])))
    return laid[0], laid[1]


class _Stages(NamedTuple):
    """What the stages of each step of a phase share, shape (k, n) each."""

    length: np.ndarray
    own: np.ndarray
    """Length of a stage's own part of the step [s]."""
    damp: np.ndarray
    """What is left of a spread over a stage [1]."""
    fed: np.ndarray
    """Spread at the end of a stage by its flow [cmH2O s L-1]."""
    link: np.ndarray
    """Pressure behind the airway by the spread before a stage [1]."""
    behind: np.ndarray
    """Pressure behind the airway that a stage's flow adds [cmH2O s L-1]."""


def _stages(cases: Cases, phase: Phase) -> _Stages:
    net = cases.network
    length = np.diff(phase.times, axis=0)
    own = DIAGONAL * length
    damp = 1.0 / (1.0 + own * net.fade)
    fed = own * net.feed * damp
    return _Stages(length, own, damp, fed, net.link * damp, own / net.compliance + net.link * fed)


class Airway:
    """The flow that a pressure drives, with what a stage of a step adds to the resistance."""

    def __init__(self, cases: Cases) -> None:
        net = cases.network
        self.insp, self.exp = net.resistance_insp, net.resistance_exp
        self.four = 4.0 * net.resistance_quadratic
        held = net.limited_resistance
        self.limits = cases.drive.atmosphere is not None and bool(np.any(held > 0.0))
        self.free = held <= 0.0
        self.held = np.where(self.free, 1.0, held)
        self.atmosphere = cases.drive.atmosphere

    def flow(
        self, outside: np.ndarray, behind: np.ndarray, added: np.ndarray | float
    ) -> tuple[np.ndarray, np.ndarray | None]:
        """Return the flow [L s-1], and whether it is at its limit; shape (m, n).

        Parameters
        ----------
        outside : ndarray, shape (m, n)
            Airway and muscle pressure above P low [cmH2O].
        behind : ndarray, shape (m, n)
            Pressure behind the airway, but for what the flow of this stage adds [cmH2O].
        added : ndarray, shape (n,)
            What it adds by flow [cmH2O s L-1].
        """
        pressure = outside - behind
        resistance = np.where(pressure > 0.0, self.insp + added, self.exp + added)
        root = np.abs(pressure)
        root *= self.four
        root += resistance * resistance
        np.sqrt(root, out=root)
        root += resistance
        flow = 2.0 * pressure / root
        if not self.limits:
            return flow, None
        least = np.maximum(behind - self.atmosphere, 0.0) / -(self.held + added)
        limited = (flow < least) & ~self.free
        return np.where(limited, least, flow), limited


class Muscles:
    """The muscle pressure over a cycle, for efforts at any phase."""

    def __init__(self, cases: Cases, clock: np.ndarray, peak: np.ndarray) -> None:
        """Take the time since the last effort began [s], (m, n), and the peaks [cmH2O], (n,)."""
        rate, duration = cases.values["effort_rate"], cases.values["effort_duration"]
        self.per_second = 1.0 / effort.period(rate)
        self.clock = clock * self.per_second
        self.half_turn = np.pi * effort.period(rate) / effort.length(rate, duration)
        self.peak, self.swing = peak, peak / (self.half_turn * self.per_second)

    def at(self, times: np.ndarray) -> np.ndarray:
        """Return the pressure [cmH2O] at times (..., n) from the start of T high, (..., m, n)."""
        angle, _ = self._angle(times)
        np.sin(angle, out=angle)
        angle *= self.peak
        return angle

    def _angle(self, times: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return the angle of the half-sine, and how many efforts have begun; (..., m, n) each."""
        angle = (times * self.per_second)[..., None, :] + self.clock
        begun = np.floor(angle)
        angle -= begun
        angle *= self.half_turn
        return np.minimum(angle, np.pi, out=angle), begun

    def impulse(self, times: np.ndarray) -> np.ndarray:
        """Return the integral of the pressure up to times (n,) [cmH2O s], shape (m, n)."""
        angle, begun = self._angle(times)
        return self.swing * (2.0 * begun + 1.0 - np.cos(angle))

    def pushed(
        self, pressures: np.ndarray, length: np.ndarray, impulses: tuple[np.ndarray, np.ndarray]
    ) -> np.ndarray:
        """Return what pushes at the stages of a step [cmH2O], shape (3, m, n).

        The pressures are moved alike, so that the step takes the very impulse of the muscles when
        an effort begins or ends within it; where none does that is less than the step's own error.

        Parameters
        ----------
        pressures : ndarray, shape (3, m, n)
            At the stages [cmH2O].
        length : ndarray, shape (n,)
            Of the step [s].
        impulses : tuple of two ndarrays, shape (m, n)
            Up to its start and its end.
        """
        counted = sum(w * row for w, row in zip(WEIGHTS, pressures, strict=True))
        exact = (impulses[1] - impulses[0]) / np.where(length > 0.0, length, np.inf)
        return pressures + np.where(length > 0.0, exact - counted, 0.0)


def cycle(
    cases: Cases,
    phases: tuple[Phase, Phase],
    volume: np.ndarray,
    spread: np.ndarray,
    muscles: Muscles,
) -> Iterator[tuple[bool, Step]]:
    """Run a cycle, and yield whether the release has begun, and the step.

    Parameters
    ----------
    cases, phases
        n cases, and where their steps lie.
    volume, spread : ndarray, shape (m, n)
        As T high begins: volume above that at P low [L], spread [cmH2O].
    muscles : Muscles
        The muscle pressure of the m phases.
    """
    net, airway = cases.network, Airway(cases)
    for release, phase in enumerate(phases):
        since = cases.drive.duration[0] if release else 0.0
        muscle = muscles.at(since + phase.times[0])
        impulse = muscles.impulse(since + phase.times[0])
        behind = volume / net.compliance + net.link * spread
        flow, _ = airway.flow(phase.begun + muscle, behind, 0.0)
        before, pressure = Moment(volume, spread, flow, muscle), phase.begun
        stages, shares = _stages(cases, phase), np.array(STAGES, phase.times.dtype)[:, None]
        for number, length in enumerate(stages.length):
            pressures = muscles.at(since + phase.times[number] + length * shares)
            impulses = impulse, muscles.impulse(since + phase.times[number + 1])
            impulse = impulses[1]
            step = _step(
                net,
                airway,
                _Stages(*(part[number] for part in stages)),
                before,
                phase.airway[number],
                muscles.pushed(pressures, length, impulses),
                pressure,
            )
            step = step._replace(after=step.after._replace(muscle=pressures[-1]))
            yield bool(release), step
            before, pressure = step.after, phase.airway[number, -1]
        volume, spread = before.volume, before.spread


def _step(
    net: Network,
    airway: Airway,
    stage: _Stages,
    before: Moment,
    pressures: np.ndarray,
    pushed: np.ndarray,
    pressure: np.ndarray,
) -> Step:
    """Do one step: three stages, each of which is one equation for its flow."""
    length, own, volume, spread = stage.length, stage.own, before.volume, before.spread
    one, _ = airway.flow(
        pressures[0] + pushed[0], volume / net.compliance + stage.link * spread, stage.behind
    )
    slope = net.feed * one - net.fade * (stage.damp * spread + stage.fed * one)
    part = SECOND * length
    spread = before.spread + part * slope
    two, _ = airway.flow(
        pressures[1] + pushed[1],
        (volume + part * one) / net.compliance + stage.link * spread,
        stage.behind,
    )
    other = net.feed * two - net.fade * (stage.damp * spread + stage.fed * two)
    early, late = WEIGHTS[0] * length, WEIGHTS[1] * length
    spread = before.spread + early * slope + late * other
    gas = early * one + late * two
    flow, limited = airway.flow(
        pressures[2] + pushed[2],
        (volume + gas) / net.compliance + stage.link * spread,
        stage.behind,
    )
    gas += own * flow
    if not length.all():
        # a step of no length changes nothing
        flow = np.where(length > 0.0, flow, before.flow)
    after = Moment(volume + gas, stage.damp * spread + stage.fed * flow, flow, pushed[2])
    turned = np.nonzero(before.flow * flow < 0.0)
    ends = before.flow[turned], flow[turned]
    return Step(
        length=length,
        before=before,
        after=after,
        airway=0.5 * (pressure + pressures[-1]),
        gas=gas,
        turned=turned,
        first=_before_turn(length[turned[1]], ends, gas[turned]),
        limited=limited,
    )


def _before_turn(
    length: np.ndarray, flow: tuple[np.ndarray, np.ndarray], gas: np.ndarray
) -> np.ndarray:
    """Return the gas that moves in a step before its flow turns [L], shape (t,).

    Of the parabola that has the flow at both ends and the gas of the step.

    Parameters
    ----------
    length : ndarray, shape (t,)
        Of the steps [s].
    flow : tuple of two ndarrays, shape (t,)
        At start and end, of opposite signs [L s-1].
    gas : ndarray, shape (t,)
        That goes in over the step [L].
    """
    first, last = flow
    bend = 6.0 * (gas / length - 0.5 * (first + last))
    slope = last - first + bend
    root = np.sqrt(slope * slope + 4.0 * first * bend)
    place = 2.0 * first / (np.copysign(root, first) - slope)
    return length * place * (first + place * (0.5 * slope - place * bend / 3.0))
