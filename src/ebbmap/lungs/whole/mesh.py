"""Where the steps of a cycle lie: close together where decay, tube or valve are steep.

Each phase has a turn, the moment when the airway pressure passes the pressure behind the airway
and the flow changes its direction (and its resistance): there a step ends. Around the turn a tube
makes the flow steep like a square root, over the time in which the valve moves the pressure by
R^2 / 4 K. After it come the valve, the quick decay (which a tube stretches) and the late one.
For each of these a ladder of times is known beforehand; the ladders are put together, and so many
steps are laid that each passes over as many rungs as the others. What is past a phase's end takes
no step away from it. Sizes: n cases, m steps in a phase; a first axis of 2 is T high, release.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np

from ebbmap.array import (
    absolute,
    broadcast_arrays,
    clip,
    concatenate,
    exp,
    expm1,
    log,
    maximum,
    minimum,
    moveaxis,
    ones_like,
    sort,
    stack,
    take_along_axis,
    where,
    zeros_like,
)
from ebbmap.lungs.whole.collocation import Method
from ebbmap.lungs.whole.network import Network

#: s: a valve faster than this is immediate.
FASTEST_VALVE = 1e-9

#: Stands in for nought as a divisor and under a logarithm.
SMALLEST = 1e-200

#: Steps before the turn and after it, in T high and in the release. Before the turn of a release
#: little gas moves: the last of what T high lets in.
BEFORE, AFTER = (3, 1), (11, 12)


def _rungs(times: Sequence[float], between: int) -> np.ndarray:
    """Put `between` rungs for each of some times, evenly in between."""
    ends = concatenate(([0.0], times))
    count = np.arange(ends.size)
    return np.interp(np.arange(1, between * (ends.size - 1) + 1) / between, count, ends)


#: Ladders, in time constants. The last rung lies where what is left of the decay is negligible.
QUICK = _rungs((0.53, 1.5, 3.0, 5.0, 7.5, 11.0, 16.0, 24.0), 3)
LATE = _rungs((0.45, 1.4, 2.9, 5.6, 11.0, 22.0), 3)
VALVE = _rungs((0.6, 1.3, 2.2, 3.5, 5.5, 8.5, 13.0, 22.0), 2)

#: Rungs of the square root after the turn, by equal ratios, and where the first one lies.
ROOT_RUNGS, FIRST_ROOT = 5, 2.0


class Drive(NamedTuple):
    """What moves the airway pressure, in cmH2O above P low and s; shape (2, n) or (n,)."""

    duration: np.ndarray
    target: np.ndarray
    begun: np.ndarray
    """Airway pressure as the phase begins."""
    valve_time: np.ndarray
    """One where the valve is immediate."""
    slow_valve: np.ndarray
    """Whether it is not."""
    atmosphere: Any = None
    """Where a lung without recoil is, shape (n,): -P low. None where no flow is limited."""

    def left(self, times: np.ndarray) -> Any:
        """Share of the valve's movement that is still to come at times (..., n) of a phase."""
        return where(self.slow_valve, exp(times / -self.valve_time), 0.0)

    def airway(self, phase: int, times: np.ndarray) -> Any:
        """Airway pressure at times (..., n) from the start of T high (0) or the release (1)."""
        return self.moved(self.target[phase], self.begun[phase] - self.target[phase], times)

    def moved(self, target: np.ndarray, gap: np.ndarray, times: np.ndarray) -> Any:
        """Airway pressure some time after it began a gap away from where the valve brings it."""
        return target + gap * self.left(times)

    def ends(self) -> Any:
        """Airway pressure as each phase ends, shape (2, n)."""
        return self.target + (self.begun - self.target) * self.left(self.duration)

    def mean(self) -> Any:
        """Airway pressure, mean over the cycle, shape (n,)."""
        spent = where(self.slow_valve, -expm1(self.duration / -self.valve_time), 0.0)
        lag = (self.begun - self.target) * self.valve_time * spent
        return (self.target * self.duration + lag).sum(axis=0) / self.duration.sum(axis=0)


class Plan(NamedTuple):
    """Where steps lie, but for the turns; for T high and the release."""

    root: np.ndarray
    """Length of the last step before the turn, where there is room for it [s], shape (2, n)."""
    before: tuple[int, int]
    """Steps before the turns."""
    after: tuple[np.ndarray, ...]
    """Ends of the steps after the turn, as shares of what is left of the phase, (m, n) each."""

    @property
    def top(self) -> int:
        """Steps in T high."""
        steps: int = self.before[0] + self.after[0].shape[0]
        return steps

    @property
    def turns(self) -> tuple[int, int]:
        """Steps that begin with a turn."""
        return self.before[0], self.top + self.before[1]

    def resistances(self, network: Network) -> np.ndarray:
        """Return the resistance in each step, shape (k, n): before a turn the other direction's."""
        insp, exp = broadcast_arrays(network.resistance_insp, network.resistance_exp)
        rows = [[exp, insp], [insp, exp]]
        counts = zip(self.before, (len(ends) for ends in self.after), strict=True)
        return stack(
            [
                row
                for pair, count in zip(rows, counts, strict=True)
                for resistance, steps in zip(pair, count, strict=True)
                for row in [resistance] * steps
            ]
        )

    def bounds(self, drive: Drive, turn: np.ndarray) -> list[np.ndarray]:
        """Return the times between the steps, from the start of each phase, (m + 1, n) each."""
        both = []
        for phase, count in enumerate(self.before):
            early = towards(zeros_like(turn[0]), turn[phase], self.root[phase], count)
            room = drive.duration[phase] - turn[phase]
            both.append(concatenate([early, turn[phase] + room * self.after[phase]]))
        return both


class Frame(NamedTuple):
    """The steps of a cycle and what in their equations does not depend on the flow."""

    method: Method
    top: int
    """Steps in T high."""
    turns: tuple[int, int]
    """Steps that begin with a turn."""
    starts: np.ndarray
    """Of the steps, from the start of their phase [s], shape (k, n)."""
    lengths: np.ndarray
    """Of the steps [s], shape (k, n)."""
    airway: np.ndarray
    """Airway pressure above P low at each point [cmH2O], shape (s, k, n)."""
    outside: np.ndarray
    """What the flow runs to or from: the airway pressure, or atmosphere where it is limited."""
    quadratic: np.ndarray
    """Quadratic resistance in each step [cmH2O s2 L-2], shape (n,) or (k, n)."""
    limited: np.ndarray | None
    """Whether flow is limited in each step, shape (k, 1); None if it never is."""
    resistance: np.ndarray
    """In each step [cmH2O s L-1], shape (k, n)."""
    matrix: np.ndarray
    """Pressure at each point by the flow at each, row by row [cmH2O s L-1], (s * s, k, n)."""
    response: np.ndarray
    """Spread at each point by that at the start of its step [1], shape (s, k, n)."""
    fed: Sequence[np.ndarray]
    """Spread at the step's end by the flow at each point [cmH2O s L-1], s arrays (k, n)."""


def towards(start: np.ndarray, turn: np.ndarray, root: np.ndarray, steps: int) -> np.ndarray:
    """Return the times between steps that come close together towards a turn.

    Parameters
    ----------
    start, turn : ndarray, shape (n,)
        Where the stretch begins and ends [s].
    root : ndarray, shape (n,)
        Length of the last step, where there is room for it [s].

    Returns
    -------
    ndarray, shape (steps + 1, n)
    """
    span = turn - start
    last = minimum(root, span)
    full = log(maximum(span, SMALLEST) / maximum(last, SMALLEST))
    edges = [start]
    for number in range(steps - 1, 0, -1):
        gap = last * exp(full * (number - 1) / (steps - 1))
        edges.append(maximum(turn - gap, start))
    return stack([*edges, turn])


def ladders(
    network: Network, drive: Drive, first_flow: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return the rungs after the turn of each phase, and the root of the step before it.

    Parameters
    ----------
    network, drive
        The circuit and what moves it.
    first_flow : ndarray, shape (2, n)
        About the greatest flow of each phase, as a positive number [L s-1].

    Returns
    -------
    rungs : ndarray, shape (2, n, r)
        By rising time [s].
    root : ndarray, shape (2, n)
        Length of the last step before the turn [s].
    """
    resistance = stack([network.resistance_insp, network.resistance_exp])
    quadratic = network.resistance_quadratic
    quick, late = network.times(resistance)
    stretch = 2.0 * quadratic * first_flow * quick / resistance
    valve = where(drive.slow_valve, drive.valve_time, 0.0)
    swing = maximum(quadratic * absolute(drive.begun - drive.target), SMALLEST)
    longest = VALVE[0] * valve
    root, other = (
        minimum(FIRST_ROOT * r * r / (4.0 * swing) * valve, longest)
        for r in (resistance, resistance[::-1])
    )
    ratio = log(maximum(longest, SMALLEST) / maximum(root, SMALLEST)) / ROOT_RUNGS
    rungs = [
        zeros_like(drive.duration),
        *(root * exp(ratio * number) for number in range(ROOT_RUNGS)),
        *(valve * rung + zeros_like(drive.duration) for rung in VALVE),
        *(quick * rung - stretch * expm1(-rung) for rung in QUICK),
        *(late * rung for rung in LATE),
    ]
    return sort(stack(rungs, axis=-1), axis=-1), other


def lay(
    network: Network, drive: Drive, turn: np.ndarray, first_flow: np.ndarray, crowding: int = 1
) -> Plan:
    """Lay the steps of both phases.

    Parameters
    ----------
    network, drive
        The circuit and what moves it.
    turn : ndarray, shape (2, n)
        About when the flow turns in each phase [s].
    first_flow : ndarray, shape (2, n)
        About the greatest flow of each phase, as a positive number [L s-1].
    crowding : int
        How many times the usual number of steps.
    """
    ladder, root = ladders(network, drive, first_flow)
    room = drive.duration - turn
    return Plan(
        root,
        (crowding * BEFORE[0], crowding * BEFORE[1]),
        tuple(
            even(ladder[phase], room[phase], crowding * steps) for phase, steps in enumerate(AFTER)
        ),
    )


def even(ladder: np.ndarray, room: np.ndarray, steps: int) -> np.ndarray:
    """Cut a stretch of time into steps that pass over equally many rungs.

    Parameters
    ----------
    ladder : ndarray, shape (n, r)
        Rungs by rising time; the first is nought.
    room : ndarray, shape (n,)
        Length of the stretch.

    Returns
    -------
    ndarray, shape (steps, n)
        Ends of the steps as shares of the stretch; the last is one.
    """
    last = ladder.shape[-1] - 1
    below = clip((ladder < room[..., None]).sum(axis=-1) - 1, 0, last)[..., None]
    low = take_along_axis(ladder, below, -1)[..., 0]
    high = take_along_axis(ladder, minimum(below + 1, last), -1)[..., 0]
    gap = high > low
    passed = below[..., 0] + where(
        gap, clip((room - low) / where(gap, high - low, 1.0), 0.0, 1.0), 0.0
    )
    place = passed[..., None] * (np.arange(1, steps) / steps)
    rung = where(place >= 0.0, place, 0.0).astype(np.intp)
    low = take_along_axis(ladder, rung, -1)
    high = take_along_axis(ladder, minimum(rung + 1, last), -1)
    ends = low + (place - rung) * (high - low)
    share = ends / maximum(room, SMALLEST)[..., None]
    share = concatenate([minimum(share, 1.0), ones_like(share[..., :1])], axis=-1)
    return moveaxis(share, -1, -2)
