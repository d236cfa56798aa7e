"""Flow at the airway opening of the whole circuit, fast: made for fitting, not for outcomes.

The equations are those of `lungs.whole.network`: with the volume V above that at P low and the
spread d of both stores' pressures, V' = q and d' = feed q - fade d, where q solves
P - V / C - link d = R q + K |q| q and is held back where flow is limited. Every case meets the same
airway pressure at the same times, so one classical Runge-Kutta step serves all cases together.
Sizes: n cases, k nodes, m steps of a phase.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from ebbmap.lungs.whole.network import Network

#: First step of a phase [s], how much longer each next one is, and passes until a cycle ends as
#: it began to within TOLERANCE.
FIRST_STEP, GROWTH, PASSES = 0.005, 1.4, 8

#: Shift of volume [L] and spread [cmH2O] for the slopes of the map of a cycle.
NUDGE = np.array([1e-4, 1e-2])

#: Determinant below which a cycle that ends as it began is not found.
SINGULAR = 1e-12

#: By how much volume [L] and spread [cmH2O] may miss.
TOLERANCE = np.array([[2e-5], [1e-3]])


class Phase(NamedTuple):
    """A stretch of time in which the airway pressure goes from one level to another."""

    duration: float
    """[s]"""
    begin: float
    """Airway pressure at its start, above P low [cmH2O]."""
    target: float
    """What it goes to, above P low [cmH2O]."""
    valve_time: float
    """Time constant by which it does [s]; 0 for at once."""

    def pressure(self, times: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return airway pressure above P low [cmH2O] and its slope [cmH2O s-1] at some times."""
        if self.valve_time <= 0.0:
            return np.full_like(times, self.target), np.zeros_like(times)
        left = (self.begin - self.target) * np.exp(-times / self.valve_time)
        return self.target + left, -left / self.valve_time

    @property
    def end(self) -> float:
        """Airway pressure at its end, above P low [cmH2O]."""
        return float(self.pressure(np.array([self.duration]))[0][0])


class Nodes(NamedTuple):
    """Flow at the nodes of all phases, shape (k, n); of a phase both ends are nodes."""

    flow: np.ndarray
    """[L s-1]"""
    slope: np.ndarray
    """[L s-2]"""
    state: np.ndarray
    """Volume above that at P low [L] and spread [cmH2O] at the end, shape (2, n)."""


def mesh(duration: float, largest: float) -> np.ndarray:
    """Return the times of a phase's nodes from its start, shape (m + 1,), dense at first.

    Examples
    --------
    >>> nodes = mesh(0.5, 0.05)
    >>> float(nodes[0]), float(nodes[-1]), bool(np.diff(nodes).max() <= 0.05)
    (0.0, 0.5, True)
    """
    steps = [min(FIRST_STEP, largest)]
    while sum(steps) < duration:
        steps.append(min(steps[-1] * GROWTH, largest))
    nodes = np.concatenate([[0.0], np.cumsum(steps)])
    scaled: np.ndarray = nodes * (duration / nodes[-1])
    return scaled


class _Law:
    """The circuit's equations, with all that does not change taken out of the steps."""

    def __init__(self, lung: Network, p_low: float) -> None:
        self.lung, self.p_low = lung, p_low
        self.elastance = 1.0 / lung.compliance
        self.bend = 4.0 * lung.resistance_quadratic
        self.straight = not np.any(self.bend)
        self.held = None
        if np.any(lung.limited_resistance > 0.0):
            some = lung.limited_resistance > 0.0
            self.held = np.where(some, lung.limited_resistance, 0.0)

    def __call__(
        self, volume: np.ndarray, spread: np.ndarray, pressure: float
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return flow, slope of the spread, and slope of the resistive pressure by flow."""
        lung = self.lung
        behind = self.elastance * volume + lung.link * spread
        drop = pressure - behind
        root = np.where(drop > 0.0, lung.resistance_insp, lung.resistance_exp)
        if self.straight:
            flow = drop / root
        else:
            resistance = root
            root = np.sqrt(resistance * resistance + self.bend * np.abs(drop))
            flow = 2.0 * drop / (resistance + root)
        if self.held is not None:
            recoil = np.maximum(behind + self.p_low, 0.0)
            over = (self.held > 0.0) & (-flow * self.held > recoil)
            flow = np.where(over, -recoil / np.where(self.held > 0.0, self.held, 1.0), flow)
            root = np.where(over, np.inf, root)
        return flow, lung.feed * flow - lung.fade * spread, root


def run(
    lung: Network, phases: Sequence[Phase], largest: float, state: np.ndarray, p_low: float = 0.0
) -> Nodes:
    """Follow the circuit through some phases.

    Parameters
    ----------
    lung : Network
        Constants, each shape (n,).
    phases : sequence of Phase
        One after the other, the same for all cases.
    largest : float
        Longest step [s]; less than the shortest time constant.
    state : ndarray, shape (2, n)
        Volume above that at P low [L] and spread [cmH2O] at the start.
    p_low : float
        P low [cmH2O], for limited flow.

    Returns
    -------
    Nodes
    """
    volume, spread = state
    law = _Law(lung, p_low)
    flows, slopes = [], []
    for phase in phases:
        times = mesh(phase.duration, largest)
        pressure, rise = phase.pressure(times)
        middle, _ = phase.pressure(0.5 * (times[1:] + times[:-1]))
        for node, step in enumerate(np.append(np.diff(times), 0.0)):
            flow, swing, stiff = law(volume, spread, pressure[node])
            flows.append(flow)
            slopes.append((rise[node] - law.elastance * flow - lung.link * swing) / stiff)
            if step == 0.0:
                continue
            half = 0.5 * step
            one, first, _ = law(volume + half * flow, spread + half * swing, middle[node])
            two, second, _ = law(volume + half * one, spread + half * first, middle[node])
            three, third, _ = law(volume + step * two, spread + step * second, pressure[node + 1])
            volume = volume + step / 6.0 * (flow + 2.0 * (one + two) + three)
            spread = spread + step / 6.0 * (swing + 2.0 * (first + second) + third)
    return Nodes(np.array(flows), np.array(slopes), np.array([volume, spread]))


def settled(
    lung: Network,
    phases: Sequence[Phase],
    largest: float,
    p_low: float = 0.0,
    near: np.ndarray | None = None,
) -> Nodes:
    """Follow the circuit through the cycle that ends as it began.

    Parameters
    ----------
    lung, phases, largest, p_low
        As in `run`; the phases are those of one cycle.
    near : ndarray, shape (2,), optional
        Pressure of the stores above P low and spread of a lung like these as the cycle begins
        [cmH2O]: a good guess saves passes.

    Returns
    -------
    Nodes
        NaN where no such cycle was found.

    Notes
    -----
    The map of a cycle is affine but for the tube, so Newton's method with the slopes of the first
    pass gets there in a few more.
    """
    n = lung.compliance.size
    if near is None:
        left = np.exp(-phases[-1].duration / (lung.compliance * lung.resistance_exp))
        near = np.array([phases[0].target * left, np.zeros(n)])
    start = np.stack([near[0] * lung.compliance, np.broadcast_to(near[1], (n,))])
    nudged = np.concatenate([start, start, start], axis=1)
    nudged[0, n : 2 * n] += NUDGE[0]
    nudged[1, 2 * n :] += NUDGE[1]
    thrice = Network(*(np.concatenate([part] * 3) for part in lung))
    ends = run(thrice, phases, largest, nudged, p_low).state.reshape(2, 3, n)
    slopes = (ends[:, 1:] - ends[:, :1]) / NUDGE[None, :, None]
    (one, two), (three, four) = np.eye(2)[..., None] - np.nan_to_num(slopes)
    size = one * four - two * three
    size = np.where(np.abs(size) < SINGULAR, np.nan, size)
    inverse = np.array([[four, -two], [-three, one]]) / size
    miss = ends[:, 0] - start
    for _ in range(PASSES):
        start = start + np.einsum("ijn,jn->in", inverse, miss)
        nodes = run(lung, phases, largest, start, p_low)
        miss = nodes.state - start
        if np.nanmax(np.abs(miss) / TOLERANCE, initial=0.0) < 1.0:
            break
    lost = ~np.all(np.abs(miss) < 10.0 * TOLERANCE, axis=0)
    nodes.flow[:, lost] = np.nan
    return nodes


def weights(
    phases: Sequence[Phase], largest: float, phase: np.ndarray, since: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return how flow at some times follows from flow and slope at the nodes (cubic Hermite).

    Parameters
    ----------
    phases, largest
        As in `run`.
    phase : ndarray of int, shape (t,)
        Which phase each time lies in.
    since : ndarray, shape (t,)
        Time since its start [s].

    Returns
    -------
    place : ndarray of int, shape (t,)
        The node before each time; the other is the next.
    of_flow, of_slope : ndarray, shape (t, 2)
        Weights of both nodes.
    """
    place = np.zeros(since.size, dtype=int)
    of_flow, of_slope = np.zeros((since.size, 2)), np.zeros((since.size, 2))
    first = 0
    for number, one in enumerate(phases):
        times = mesh(one.duration, largest)
        here = phase == number
        within = np.clip(since[here], 0.0, one.duration)
        node = np.clip(np.searchsorted(times, within, side="right") - 1, 0, times.size - 2)
        step = times[node + 1] - times[node]
        x = (within - times[node]) / step
        place[here] = first + node
        of_flow[here, 1] = x * x * (3.0 - 2.0 * x)
        of_flow[here, 0] = 1.0 - of_flow[here, 1]
        of_slope[here, 0] = step * x * (1.0 - x) ** 2
        of_slope[here, 1] = step * x * x * (x - 1.0)
        first += times.size
    return place, of_flow, of_slope
