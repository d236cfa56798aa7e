"""What drives the flow beyond its limit over a cycle that was solved: see `limited`.

Sizes: n cases, m steps in a stretch of time.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ebbmap.array import (
    broadcast_to,
    concatenate,
    diff,
    isfinite,
    maximum,
    take_along_axis,
    where,
)
from ebbmap.lungs.whole.mesh import Drive, Frame
from ebbmap.lungs.whole.network import Network


def limit(network: Network, drive: Drive, behind: np.ndarray) -> np.ndarray:
    """Greatest flow outwards [L s-1] at a pressure behind the airway above P low [cmH2O].

    Parameters
    ----------
    behind : ndarray, shape (..., n)
        Pressure behind an airway without flow.

    Returns
    -------
    ndarray, shape (..., n)
        inf where no flow is limited.
    """
    held = network.limited_resistance
    recoil = maximum(behind - drive.atmosphere, 0.0)
    return where(held > 0.0, recoil / where(held > 0.0, held, 1.0), np.inf)


class Excess(NamedTuple):
    """What drives the flow beyond its limit, at the edges of steps; shape (m + 1, n) each."""

    times: np.ndarray
    value: np.ndarray
    """Pressure along the airway less what the limiting flow would take [cmH2O]."""
    slope: np.ndarray
    """[cmH2O s-1]"""
    by_valve: np.ndarray
    """Part of the slope that the valve makes."""


def excess(
    frame: Frame, network: Network, drive: Drive, phase: int, volume: np.ndarray, spread: np.ndarray
) -> Excess:
    """Return what drives the flow beyond its limit while gas goes out in a phase."""
    first, last = ((0, frame.turns[0]), (frame.turns[1], len(frame.starts)))[phase]
    edges = slice(first, last + 1)
    times = frame.starts[edges]
    if phase == 1:
        times = concatenate([times, broadcast_to(drive.duration[1:], times[:1].shape)])
    behind = volume[edges] / network.compliance + network.link * spread[edges]
    most = limit(network, drive, behind)
    free = ~isfinite(most)
    most = where(free, 0.0, most)
    resistance, quadratic = network.resistance_exp, network.resistance_quadratic
    along = behind - drive.airway(phase, times)
    value = along - (resistance + quadratic * most) * most
    falls = -(1.0 / network.compliance + network.link * network.feed) * most
    falls = falls - network.link * network.fade * spread[edges]
    gap = drive.begun[phase] - drive.target[phase]
    valve = where(drive.slow_valve, gap * drive.left(times) / drive.valve_time, 0.0)
    held = where(network.limited_resistance > 0.0, network.limited_resistance, 1.0)
    slope = falls + valve - (resistance + 2.0 * quadratic * most) * falls / held
    return Excess(times, where(free, -1.0, value), slope, valve)


def hump(course: Excess) -> tuple[np.ndarray, np.ndarray]:
    """Return the highest excess within a step, from values and slopes at its edges, and when.

    Returns
    -------
    value, time : ndarray, shape (n,)
        -inf where the excess turns down in no step.
    """
    length = diff(course.times, axis=0)
    up, down = course.slope[:-1] * length, course.slope[1:] * length
    turns = (up > 0.0) & (down < 0.0)
    place = where(turns, up / where(turns, up - down, 1.0), 0.0)
    rest = 1.0 - place
    value = (
        (1.0 + 2.0 * place) * rest * rest * course.value[:-1]
        + place * place * (3.0 - 2.0 * place) * course.value[1:]
        + place * rest * (rest * up - place * down)
    )
    value = where(turns, value, -np.inf)
    best = value.argmax(axis=0)[None]
    highest, when = (
        take_along_axis(part, best, 0)[0] for part in (value, course.times[:-1] + place * length)
    )
    return highest, when


def never_limited(
    frame: Frame, network: Network, drive: Drive, volume: np.ndarray, spread: np.ndarray
) -> np.ndarray:
    """Whether no flow of a cycle that was solved without a limit exceeds it, shape (n,)."""
    within = np.ones(volume.shape[-1], dtype=bool)
    for phase in (0, 1):
        course = excess(frame, network, drive, phase, volume, spread)
        within &= (course.value <= 0.0).all(axis=0) & (hump(course)[0] <= 0.0)
    return within
