"""The settled cycle, all steps at once: Newton's method on the flow at every point.

Where the flow is near a guess, |q| q is 2 |guess| q - |guess| guess, and each step becomes a
linear map of volume and spread. The maps of a cycle are put together, "ends as it began" is two
equations for two unknowns, and the flows follow: one pass. Its derivatives are exact, so each
pass doubles the digits. The turns, where a step must end, are moved by Newton's method between
the passes. First passes are done with few points in each step; the last ones keep the steps and
the derivatives of the one before. Sizes: n cases, s points in a step, k steps in a cycle.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np

from ebbmap.lungs.whole.chain import Chain, chain, follow
from ebbmap.lungs.whole.collocation import (
    Factors,
    Method,
    combine,
    factorise,
    fractions,
    gained,
    method,
    solve,
)
from ebbmap.lungs.whole.mesh import SMALLEST, Drive, Plan, lay
from ebbmap.lungs.whole.network import Network

#: Few points and many, and from flows at the one to flows at the other.
COARSE, FINE = method(3), method(6)


def _to(one: Method, other: Method) -> np.ndarray:
    powers = np.arange(one.stages)
    return (other.points[:, None] ** powers) @ np.linalg.inv(one.points[:, None] ** powers)


TO_FINE = _to(COARSE, FINE)

#: Passes with few points, and with many before the last one.
COARSE_PASSES, FINE_PASSES = 3, 1

#: Passes after them that keep the steps and the derivatives of the last one: a third of its cost.
LAST_PASSES = 2

#: Where in a step its first guess is made.
GUESSED_AT = 0.7

#: A case has settled if no flow is off by more than this share of the greatest one. The last pass
#: moves the flows by a small part of what the one before did, and the next would by the same part.
SETTLED = 1e-6

#: Share of the greatest flow below which a movement is rounding.
ROUNDING = 1e-11

#: Nor may more than this share of the gas that moves lie between where the flow turns and where
#: it should have done so.
AT_TURN = 1e-7

#: Nor the gas that the highest powers of the steps' polynomials move more than this share of the
#: gas that moves: at the ends of steps far less is wrong, 1e-8 where this is 5e-4 (measured).
COARSE_STEPS = 2e-3

#: What a further pass with the same derivatives needs: see `_pass`.
Kept = tuple[Factors, list[np.ndarray], list[np.ndarray], Chain]


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
    resistance: np.ndarray
    """In each step [cmH2O s L-1], shape (k, n)."""
    matrix: np.ndarray
    """Pressure at each point by the flow at each, row by row [cmH2O s L-1], (s * s, k, n)."""
    response: np.ndarray
    """Spread at each point by that at the start of its step [1], shape (s, k, n)."""
    fed: np.ndarray
    """Spread at the step's end by the flow at each point [cmH2O s L-1], shape (s, k, n)."""


class Course(NamedTuple):
    """A cycle, step by step."""

    network: Network
    frame: Frame
    flow: np.ndarray
    """At each point, positive into the lung [L s-1], shape (s, k, n)."""
    volume: np.ndarray
    """Above that at P low, at the start of each step and at the cycle's end [L], (k + 1, n)."""
    spread: np.ndarray
    """Pressure of the fast less that of the slow store, likewise [cmH2O], shape (k + 1, n)."""
    memory: np.ndarray
    """How volume and spread at the end change with those at the start, shape (2, 2, n)."""
    settled: np.ndarray
    """Whether the last pass hardly moved it, shape (n,)."""

    def inside(self) -> tuple[np.ndarray, np.ndarray]:
        """Return volume [L] and spread [cmH2O] at each point, shape (s, k, n) each."""
        net, frame = self.network, self.frame
        fed = gained(frame.method, net.fade * frame.lengths, self.flow)
        volume = self.volume[:-1] + frame.lengths * combine(frame.method.integrals, self.flow)
        return volume, self.spread[:-1] * frame.response + net.feed * frame.lengths * fed


def run(
    network: Network,
    drive: Drive,
    state: tuple[np.ndarray, np.ndarray] | None = None,
    *,
    coarse: int = COARSE_PASSES,
    fine: int = FINE_PASSES,
    crowding: int = 1,
) -> Course:
    """Run a cycle from a state, or find the one that ends as it began.

    Parameters
    ----------
    network, drive
        The circuit and what moves it.
    state : tuple of two ndarrays, shape (n,), optional
        Volume above that at P low [L] and spread [cmH2O] as T high begins. If None: those with
        which the cycle also ends.
    coarse, fine : int
        Passes with few and with many points, >= 1 each.
    crowding : int
        How many times the usual number of steps.
    """
    turn, first_flow = _first_guess(network, drive, state)
    plan = lay(network, drive, turn, first_flow, crowding)
    flow = list(_decaying(network, drive, plan, turn, first_flow))
    for _ in range(coarse):
        frame = _frame(COARSE, network, drive, plan, turn)
        flow, volume, spread, _ = _pass(frame, network, flow, state)
        turn = _turned(frame, network, drive, turn, volume, spread)
    flow = list(combine(TO_FINE, np.stack(flow)))
    for number in range(fine):
        if number:
            turn = _turned(frame, network, drive, turn, volume, spread)
        frame = _frame(FINE, network, drive, plan, turn)
        guess = flow
        flow, volume, spread, kept = _pass(frame, network, guess, state)
    passed = [flow]
    for _ in range(LAST_PASSES):
        last, volume, spread = _last_pass(frame, network, guess, passed[-1], state, kept)
        passed.append(last)
    # at the ends of steps, where the flow is known best
    ends = [flows[-1] for flows in passed[-3:]]
    before, moved = (np.abs(ends[i + 1] - ends[i]).max(axis=0) for i in (0, 1))
    greatest = np.abs(ends[-1]).max(axis=0)
    final = np.stack(last)
    gas = volume.max(axis=0) - volume.min(axis=0)
    settled = (
        ((moved <= ROUNDING * greatest) | (moved * moved <= SETTLED * greatest * before))
        & (_misplaced(frame, network, drive, final) <= AT_TURN * gas)
        & (_coarseness(frame, final) <= COARSE_STEPS * gas)
    )
    return Course(network, frame, final, volume, spread, kept[-1].whole, settled)


def driven_flow(
    pressure: np.ndarray, resistance: np.ndarray | float, resistance_quadratic: np.ndarray | float
) -> Any:
    """Flow [L s-1] that a pressure [cmH2O] drives: K |Q| Q + R Q = pressure.

    Examples
    --------
    >>> driven_flow(np.array([20.0, -20.0]), 10.0, 10.0).tolist()
    [1.0, -1.0]
    """
    root = np.sqrt(resistance * resistance + 4.0 * resistance_quadratic * np.abs(pressure))
    return 2.0 * pressure / (resistance + root)


def _first_guess(
    network: Network, drive: Drive, state: tuple[np.ndarray, np.ndarray] | None
) -> tuple[np.ndarray, np.ndarray]:
    """Guess turns [s] and greatest flows [L s-1], (2, n), by one compartment behind the tube.

    Each phase gets the resistance that the tube has at half the flow that P high drives.
    """
    drop = drive.target[0] - drive.target[1]
    resistance = np.stack([network.resistance_insp, network.resistance_exp])
    quadratic = network.resistance_quadratic
    slowed = resistance + 0.5 * quadratic * driven_flow(drop, resistance, quadratic)
    exponent = drive.duration / (slowed * network.compliance)
    left, spent = np.exp(-exponent), -np.expm1(-exponent)
    if state is None:
        top = drop * (spent[0] / (spent[0] + left[0] * spent[1]))
        begun = np.stack([top * left[1], top])
    else:
        start = state[0] / network.compliance
        begun = np.stack([start, drop + (start - drop) * left[0]])
    first_flow = driven_flow(np.abs(drive.target - begun), resistance, quadratic)
    gap = drive.begun - drive.target
    still = gap == 0.0
    share = np.where(still, 1.0, (begun - drive.target) / np.where(still, 1.0, gap))
    return _when(drive, share), first_flow


def _when(drive: Drive, share: np.ndarray) -> np.ndarray:
    """Time at which a share of the valve's movement is still to come, within the phase [s]."""
    time = -drive.valve_time * np.log(np.clip(share, SMALLEST, 1.0))
    return np.where(drive.slow_valve, np.minimum(time, drive.duration), 0.0)


def _decaying(
    network: Network, drive: Drive, plan: Plan, turn: np.ndarray, first_flow: np.ndarray
) -> np.ndarray:
    """Flows to begin with, at few points, shape (s, k, n).

    After the turn a decay that the valve lets rise; before it what the valve drives against a
    lung that stands still.
    """
    resistance = np.stack([network.resistance_insp, network.resistance_exp])
    quick, _ = network.times(resistance)
    slowed = quick * (1.0 + network.resistance_quadratic * first_flow / resistance)
    flows = []
    for phase, bounds in enumerate(plan.bounds(drive, turn)):
        middles = bounds[:-1] + GUESSED_AT * (bounds[1:] - bounds[:-1])
        before, after = middles[: plan.before[phase]], middles[plan.before[phase] :]
        still = drive.airway(phase, before) - drive.airway(phase, turn[phase])
        flows.append(driven_flow(still, resistance[1 - phase], network.resistance_quadratic))
        since = after - turn[phase]
        opened = 1.0 - np.where(drive.slow_valve, np.exp(since / -drive.valve_time), 0.0)
        decay = first_flow[phase] * opened * np.exp(since / -slowed[phase])
        flows.append((decay, -decay)[phase])
    flow = np.concatenate(flows)
    return np.broadcast_to(flow, (COARSE.stages, *flow.shape))


def _frame(one: Method, network: Network, drive: Drive, plan: Plan, turn: np.ndarray) -> Frame:
    """Lay the steps for some turns and set up their equations."""
    bounds, airway = plan.bounds(drive, turn), []
    for phase, edges in enumerate(bounds):
        times = edges[:-1] + one.points[:, None, None] * (edges[1:] - edges[:-1])
        airway.append(drive.airway(phase, times))
    starts = np.concatenate([edges[:-1] for edges in bounds])
    lengths = np.concatenate([edges[1:] - edges[:-1] for edges in bounds])
    numbers = fractions(one, network.fade * lengths)
    fed = lengths * (network.link * network.feed)
    parts = np.concatenate([fed * numbers, (lengths / network.compliance)[None]])
    entries = np.concatenate([one.gain, one.integrals.reshape(-1, 1)], axis=1)
    return Frame(
        method=one,
        top=plan.top,
        turns=plan.turns,
        starts=starts,
        lengths=lengths,
        airway=np.concatenate(airway, axis=1),
        resistance=_resistances(network, plan),
        matrix=combine(entries, parts),
        response=combine(one.response, numbers),
        fed=lengths * network.feed * combine(one.gain[-one.stages :], numbers),
    )


def _resistances(network: Network, plan: Plan) -> np.ndarray:
    """Resistance in each step, shape (k, n): before the turn that of the other direction."""
    insp, exp = np.broadcast_arrays(network.resistance_insp, network.resistance_exp)
    rows = [[exp, insp], [insp, exp]]
    counts = zip(plan.before, (len(ends) for ends in plan.after), strict=True)
    return np.stack(
        [
            row
            for pair, count in zip(rows, counts, strict=True)
            for resistance, steps in zip(pair, count, strict=True)
            for row in [resistance] * steps
        ]
    )


def _pass(
    frame: Frame,
    network: Network,
    guess: Sequence[np.ndarray] | np.ndarray,
    state: tuple[np.ndarray, np.ndarray] | None,
) -> tuple[list[np.ndarray], np.ndarray, np.ndarray, Kept]:
    """Find the cycle of the circuit that is linear about some flows.

    Returns
    -------
    flow, volume, spread
        As in `Course`.
    kept : tuple
        What a further pass with the same derivatives needs.
    """
    bent = [network.resistance_quadratic * np.abs(flow) for flow in guess]
    factors = factorise(frame.matrix, [frame.resistance + 2.0 * part for part in bent])
    by_volume = solve(factors, [np.ones_like(frame.lengths)] * frame.method.stages)
    by_spread = solve(factors, frame.response)
    links = chain(
        np.stack(
            [
                1.0 - _taken(frame, by_volume) / network.compliance,
                -network.link * _taken(frame, by_spread),
                _fed(frame, by_volume) / -network.compliance,
                frame.response[-1] - network.link * _fed(frame, by_spread),
            ]
        ).reshape(2, 2, *frame.lengths.shape)
    )
    kept = factors, by_volume, by_spread, links
    push = [a + b * flow for a, b, flow in zip(frame.airway, bent, guess, strict=True)]
    return *_close(frame, network, push, state, kept), kept


def _last_pass(
    frame: Frame,
    network: Network,
    guess: Sequence[np.ndarray] | np.ndarray,
    flow: Sequence[np.ndarray] | np.ndarray,
    state: tuple[np.ndarray, np.ndarray] | None,
    kept: Kept,
) -> tuple[list[np.ndarray], np.ndarray, np.ndarray]:
    """Do another pass on the same steps with the derivatives about the guess before."""
    quadratic = network.resistance_quadratic
    push = [
        a + quadratic * (2.0 * np.abs(about) - np.abs(now)) * now
        for a, about, now in zip(frame.airway, guess, flow, strict=True)
    ]
    return _close(frame, network, push, state, kept)


def _close(
    frame: Frame,
    network: Network,
    push: Sequence[np.ndarray] | np.ndarray,
    state: tuple[np.ndarray, np.ndarray] | None,
    kept: Kept,
) -> tuple[list[np.ndarray], np.ndarray, np.ndarray]:
    """Find flows, volume and spread of a cycle of linear steps.

    Parameters
    ----------
    push : list of s ndarrays, shape (k, n)
        What drives the flow at each point, volume and spread apart [cmH2O].
    """
    factors, by_volume, by_spread, links = kept
    by_push = solve(factors, push)
    added = np.stack([_taken(frame, by_push), _fed(frame, by_push)])
    volume, spread = follow(links, added, state)
    at_start = volume[:-1] / network.compliance, network.link * spread[:-1]
    flow = [
        p - at_start[0] * v - at_start[1] * d
        for p, v, d in zip(by_push, by_volume, by_spread, strict=True)
    ]
    return flow, volume, spread


def _taken(frame: Frame, flows: Sequence[np.ndarray] | np.ndarray) -> Any:
    """Volume that flows at the points add over each step [L], shape (k, n)."""
    weights = frame.method.weights
    return frame.lengths * sum(w * flow for w, flow in zip(weights, flows, strict=True))


def _fed(frame: Frame, flows: Sequence[np.ndarray] | np.ndarray) -> Any:
    """Spread that flows at the points add to the end of each step [cmH2O], shape (k, n)."""
    return sum(fed * flow for fed, flow in zip(frame.fed, flows, strict=True))


def _misplaced(frame: Frame, network: Network, drive: Drive, flow: np.ndarray) -> Any:
    """Return the gas that moves at most between where the flow turns and where it should [L].

    What drives the flow at the turn, over the speed of the valve there, is the time between them.
    """
    steps = list(frame.turns)
    turn, before = frame.starts[steps], [step - 1 for step in steps]
    inside = drive.slow_valve & (turn > 0.0) & (turn < drive.duration)
    last = flow[-1, before]
    pressure = (frame.resistance[before] + network.resistance_quadratic * np.abs(last)) * last
    speed = np.abs(drive.begun - drive.target) * drive.left(turn) / drive.valve_time
    least = np.minimum(network.resistance_insp, network.resistance_exp)
    gas = pressure * pressure / np.where(inside, least * speed, 1.0)
    return np.where(inside, gas, 0.0).max(axis=0)


def _coarseness(frame: Frame, flow: np.ndarray) -> Any:
    """Gas that the highest powers of the flows' polynomials move, as Legendre has them [L]."""
    top = sum(weight * row for weight, row in zip(frame.method.top, flow, strict=True))
    return (frame.lengths * np.abs(top)).sum(axis=0)


def _turned(
    frame: Frame,
    network: Network,
    drive: Drive,
    turn: np.ndarray,
    volume: np.ndarray,
    spread: np.ndarray,
) -> np.ndarray:
    """Move the turns by one step of Newton's method, in the share that the valve has still to go.

    There the airway pressure is a straight line, and the pressure behind a flow that has stopped
    moves only by what evens out between the stores.
    """
    here, there = volume[list(frame.turns)], spread[list(frame.turns)]
    left = np.exp(turn / -drive.valve_time)
    gap = drive.begun - drive.target
    excess = drive.target + gap * left - here / network.compliance - network.link * there
    slope = gap - network.link * network.fade * there * drive.valve_time / left
    return _when(drive, left - excess / np.where(slope == 0.0, 1.0, slope))
