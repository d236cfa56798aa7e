"""Where the flow turns and how it begins: what the search starts from, and how turns are moved.

Sizes: n cases, s points in a step, k steps in a cycle.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from ebbmap.array import (
    absolute,
    broadcast_to,
    clip,
    concatenate,
    exp,
    expm1,
    log,
    maximum,
    minimum,
    sqrt,
    stack,
    where,
)
from ebbmap.lungs.whole.excess import limit
from ebbmap.lungs.whole.limited import LimitedPlan
from ebbmap.lungs.whole.mesh import SMALLEST, Drive, Frame, Plan
from ebbmap.lungs.whole.network import Network

#: Where in a step its first guess is made.
GUESSED_AT = 0.7


def driven_flow(
    pressure: np.ndarray, resistance: np.ndarray | float, resistance_quadratic: np.ndarray | float
) -> np.ndarray:
    """Flow [L s-1] that a pressure [cmH2O] drives: K |Q| Q + R Q = pressure.

    Examples
    --------
    >>> driven_flow(np.array([20.0, -20.0]), 10.0, 10.0).tolist()
    [1.0, -1.0]
    """
    root = sqrt(resistance * resistance + 4.0 * resistance_quadratic * absolute(pressure))
    return 2.0 * pressure / (resistance + root)


def first_guess(
    network: Network, drive: Drive, state: tuple[np.ndarray, np.ndarray] | None
) -> tuple[np.ndarray, np.ndarray]:
    """Guess turns [s] and greatest flows [L s-1], (2, n), by one compartment behind the tube.

    Each phase gets the resistance that the tube has at half the flow that P high drives.
    """
    drop = drive.target[0] - drive.target[1]
    resistance = stack([network.resistance_insp, network.resistance_exp])
    quadratic = network.resistance_quadratic
    slowed = resistance + 0.5 * quadratic * driven_flow(drop, resistance, quadratic)
    if drive.atmosphere is not None:
        slowed = stack([slowed[0], maximum(slowed[1], network.limited_resistance)])
    exponent = drive.duration / (slowed * network.compliance)
    left, spent = exp(-exponent), -expm1(-exponent)
    if state is None:
        top = drop * (spent[0] / (spent[0] + left[0] * spent[1]))
        begun = stack([top * left[1], top])
    else:
        start = state[0] / network.compliance
        begun = stack([start, drop + (start - drop) * left[0]])
    first_flow = driven_flow(absolute(drive.target - begun), resistance, quadratic)
    if drive.atmosphere is not None:
        most = limit(network, drive, begun[1])
        first_flow = stack([first_flow[0], minimum(first_flow[1], most)])
    gap = drive.begun - drive.target
    still = gap == 0.0
    share = where(still, 1.0, (begun - drive.target) / where(still, 1.0, gap))
    return when(drive, share), first_flow


def when(drive: Drive, share: np.ndarray) -> np.ndarray:
    """Time at which a share of the valve's movement is still to come, within the phase [s]."""
    time = -drive.valve_time * log(clip(share, SMALLEST, 1.0))
    return where(drive.slow_valve, minimum(time, drive.duration), 0.0)


def decaying(
    network: Network,
    drive: Drive,
    plan: Plan | LimitedPlan,
    turn: np.ndarray,
    first_flow: np.ndarray,
    stages: int,
) -> np.ndarray:
    """Flows to begin with, at few points, shape (s, k, n).

    After the turn a decay that the valve lets rise; before it what the valve drives against a
    lung that stands still, and where an immediate valve leaves no time before it the first flow.
    """
    resistance = stack([network.resistance_insp, network.resistance_exp])
    quick, _ = network.times(resistance)
    slowed = quick * (1.0 + network.resistance_quadratic * first_flow / resistance)
    if drive.atmosphere is not None:
        held = network.limited_resistance * network.compliance
        slowed = stack([slowed[0], maximum(slowed[1], held)])
    flows = []
    for phase, bounds in enumerate(plan.bounds(drive, turn)):
        middles = bounds[:-1] + GUESSED_AT * (bounds[1:] - bounds[:-1])
        before, after = middles[: plan.before[phase]], middles[plan.before[phase] :]
        still = drive.airway(phase, before) - drive.airway(phase, turn[phase])
        early = driven_flow(still, resistance[1 - phase], network.resistance_quadratic)
        sign = (1.0, -1.0)[phase]
        flows.append(where(drive.slow_valve, early, sign * first_flow[phase]))
        since = after - turn[phase]
        opened = 1.0 - where(drive.slow_valve, exp(since / -drive.valve_time), 0.0)
        flows.append(sign * first_flow[phase] * opened * exp(since / -slowed[phase]))
    flow = concatenate(flows)
    return broadcast_to(flow, (stages, *flow.shape))


def misplaced(frame: Frame, network: Network, drive: Drive, flow: np.ndarray) -> np.ndarray:
    """Return the gas that moves at most between where the flow turns and where it should [L].

    What drives the flow at the turn, over the speed of the valve there, is the time between them.
    """
    turn, before = _rows(frame.starts, frame.turns), [step - 1 for step in frame.turns]
    inside = drive.slow_valve & (turn > 0.0) & (turn < drive.duration)
    last = _rows(flow[-1], before)
    pressure = (
        _rows(frame.resistance, before) + network.resistance_quadratic * absolute(last)
    ) * last
    speed = absolute(drive.begun - drive.target) * drive.left(turn) / drive.valve_time
    least = minimum(network.resistance_insp, network.resistance_exp)
    gas = pressure * pressure / where(inside, least * speed, 1.0)
    return where(inside, gas, 0.0).max(axis=0)


def turned(
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
    here, there = _rows(volume, frame.turns), _rows(spread, frame.turns)
    left = exp(turn / -drive.valve_time)
    gap = drive.begun - drive.target
    excess = drive.target + gap * left - here / network.compliance - network.link * there
    slope = gap - network.link * network.fade * there * drive.valve_time / left
    return when(drive, left - excess / where(slope == 0.0, 1.0, slope))


def _rows(values: np.ndarray, steps: Sequence[int]) -> Any:
    """Return the rows of some steps, shape (len(steps), n)."""
    return stack([values[step] for step in steps])
