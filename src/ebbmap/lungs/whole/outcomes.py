"""What a cycle means: its outcomes.

Sizes: n cases, s points in a step, k steps in a cycle.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np

from ebbmap.array import (
    absolute,
    clip,
    concatenate,
    log,
    maximum,
    minimum,
    ones_like,
    sqrt,
    stack,
    take_along_axis,
    where,
    zeros_like,
)
from ebbmap.lungs.base import SOLVED
from ebbmap.lungs.whole.collocation import Method, combine, fractions
from ebbmap.lungs.whole.emptying import emptying_time
from ebbmap.lungs.whole.excess import limit
from ebbmap.lungs.whole.mesh import SMALLEST, Drive
from ebbmap.lungs.whole.newton import Course, within_steps
from ebbmap.lungs.whole.turns import driven_flow
from ebbmap.units import ML_PER_L, S_PER_MIN

#: What this lung solves for.
SOLVES = (
    *SOLVED,
    "mean_airway_pressure",
    "trapped_volume_fast",
    "trapped_volume_slow",
    "auto_peep_fast",
    "auto_peep_slow",
    "pendelluft_volume",
    "slow_exhaled_fraction",
    "mechanical_power",
    "mechanical_power_above_p_low",
    "cycles_to_settle",
    "flow_limited_share",
)

#: J cmH2O-1 L-1: 98.0665 Pa per cmH2O, 1e-3 m3 per L.
J_PER_CMH2O_L = 98.0665e-3

#: A disturbance has faded when this share of it is left; one that never fades counts as LARGEST.
FADED, LARGEST = 0.01, 1.0 - 1e-16

#: Steps of Newton's method to where a polynomial turns, from the point beside it.
TURN_STEPS = 4


class Seen(NamedTuple):
    """A cycle at the start and the points of each step, shape (s + 1, k, n)."""

    flow: np.ndarray
    volume: np.ndarray
    spread: np.ndarray


def describe(
    course: Course, drive: Drive, values: Mapping[str, np.ndarray]
) -> dict[str, np.ndarray]:
    """Return the outcomes in `SOLVES` of a cycle, shape (n,) each."""
    lung, frame = course.network, course.frame
    p_low, period = values["p_low"], values["t_high"] + values["t_low"]
    starts = course.volume[0], course.spread[0]
    tops = course.volume[frame.top], course.spread[frame.top]
    ends = course.volume[-1], course.spread[-1]
    released = tops[0] - ends[0]
    emptying, end_flow, limited = lung.emptying_time, -course.flow[-1, -1], zeros_like(period)
    if drive.atmosphere is not None:
        emptying = emptying_time(lung, drive)
    if frame.limited is not None:
        limited = share(limited_gas(course), released)
        behind = ends[0] / lung.compliance + lung.link * ends[1]
        end_flow = minimum(end_flow, limit(lung, drive, behind))
    seen = look(course, drive)
    # the pressure is a sum of multiples of volume and spread, and so is its integral
    held, apart = (_integrals(course, signal).sum(axis=0) for signal in seen[1:])
    alveoli = lung.alveoli(held, apart) / period
    slow_top, slow_end = lung.slow_pressure(*tops), lung.slow_pressure(*ends)
    work = _integrals(course, (frame.airway + p_low) * course.flow)
    inwards = work[frame.turns[0] : frame.turns[1]].sum(axis=0)
    per_minute = J_PER_CMH2O_L * S_PER_MIN / period
    return {
        "release_volume": ML_PER_L * released,
        "trapped_volume": ML_PER_L * ends[0],
        "end_high_volume": ML_PER_L * (tops[0] + lung.compliance * p_low),
        "end_high_pressure": p_low + lung.alveoli(*tops),
        "end_release_pressure": p_low + lung.alveoli(*ends),
        "peak_expiratory_flow": peak_flow(course, drive, seen)[0],
        "end_release_flow": end_flow,
        "mean_alveolar_pressure": p_low + alveoli,
        "fill_fraction": share(tops[0] - starts[0], drive.target[0] * lung.compliance - starts[0]),
        "exhaled_fraction": share(released, tops[0]),
        "time_constant_exp": emptying + zeros_like(period),
        "mean_airway_pressure": p_low + drive.mean(),
        "trapped_volume_fast": ML_PER_L * lung.fast_gas(*ends),
        "trapped_volume_slow": ML_PER_L * lung.slow_gas(*ends),
        "auto_peep_fast": lung.fast_alveoli(*ends),
        "auto_peep_slow": slow_end,
        "pendelluft_volume": ML_PER_L * _pendelluft(course, seen),
        "slow_exhaled_fraction": share(slow_top - slow_end, slow_top),
        "mechanical_power": inwards * per_minute,
        "mechanical_power_above_p_low": (
            (work.sum(axis=0) - p_low * (ends[0] - starts[0])) * per_minute
        ),
        "cycles_to_settle": _cycles_to_settle(course.memory),
        "flow_limited_share": limited,
    }


def limited_gas(course: Course) -> np.ndarray:
    """Return the gas that leaves at the limit during the release [L], shape (n,)."""
    frame = course.frame
    if frame.limited is None:
        return zeros_like(course.volume[0])
    lost = where(frame.limited, course.volume[:-1] - course.volume[1:], 0.0)
    return lost[frame.top :].sum(axis=0)


def look(course: Course, drive: Drive) -> Seen:
    """Return flow, volume and spread at the starts of steps and at their points."""
    lung, frame = course.network, course.frame
    both = (slice(0, frame.top), slice(frame.top, None))
    airway = concatenate([drive.airway(phase, frame.starts[both[phase]]) for phase in (0, 1)])
    behind = course.volume[:-1] / lung.compliance + lung.link * course.spread[:-1]
    if frame.limited is not None:
        airway = where(frame.limited, drive.atmosphere, airway)
    first = driven_flow(airway - behind, frame.resistance, frame.quadratic)
    volume, spread = course.inside()
    return Seen(
        concatenate([first[None], course.flow]),
        concatenate([course.volume[None, :-1], volume]),
        concatenate([course.spread[None, :-1], spread]),
    )


def _integrals(course: Course, values: np.ndarray) -> Any:
    """Integral over each step of what is known at its points, shape (k, n)."""
    rows = zip(course.frame.method.weights, values[-course.frame.method.stages :], strict=True)
    return course.frame.lengths * sum(weight * row for weight, row in rows)


def share(part: np.ndarray, whole: np.ndarray) -> Any:
    """Return part / whole, 0 where there is no whole."""
    return part / where(whole == 0.0, 1.0, whole)


def _cycles_to_settle(memory: np.ndarray) -> Any:
    """Cycles until a disturbance has faded: from the larger eigenvalue of the cycle's map."""
    (a, b), (c, d) = memory
    half = 0.5 * (a - d)
    largest = 0.5 * (a + d) + sqrt(maximum(half * half + b * c, 0.0))
    return log(FADED) / log(clip(largest, SMALLEST, LARGEST))


def horner(
    coefficients: Sequence[np.ndarray] | np.ndarray, place: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Value of a polynomial and its first derivative, coefficients by rising power."""
    value = slope = zeros_like(place)
    for row in coefficients[::-1]:
        slope = slope * place + value
        value = value * place + row
    return value, slope


def peak_flow(course: Course, drive: Drive, seen: Seen) -> tuple[np.ndarray, np.ndarray]:
    """Find the greatest flow out during the release: where a step's polynomial turns, or its end.

    Returns
    -------
    flow, volume : ndarray, shape (n,)
        The flow [L s-1], and the volume above that at P low as it flows [L].
    """
    frame = course.frame
    one, late = frame.method, slice(frame.top, None)
    lengths = frame.lengths[late]
    # a step of no length has no flow of its own: before the turn of an immediate valve
    flow = seen.flow[:, late]
    out = where(lengths > 0.0, -flow, -np.inf)
    step = _beside(out, -flow, _slopes(one)[[0, -1]])
    flow = _picked(flow, step)
    place = _where(combine(one.polynomial @ _slopes(one), -flow))
    # volume and spread are smoother than the flow, so it is taken from theirs; in this step only
    volume, spread = (
        horner(combine(one.polynomial, signal), place)[0]
        for signal in _seen_in(course, step + frame.top, flow[1:])
    )
    time = _picked(frame.starts[None, late], step)[0] + place * _picked(lengths[None], step)[0]
    airway = drive.airway(1, time)
    peak = -course.flow_at(drive, step + frame.top, airway[None], volume[None], spread[None])[0]
    inside = (place > 0.0) & (place < 1.0) & (_picked(lengths[None], step)[0] > 0.0)
    known, beside = (part.reshape(-1, part.shape[-1]) for part in (out, seen.volume[:, late]))
    best = known.argmax(axis=0)[None]
    greatest, there = (take_along_axis(part, best, 0)[0] for part in (known, beside))
    inside &= peak > greatest
    return where(inside, peak, greatest), where(inside, volume, there)


def _picked(signal: np.ndarray, step: np.ndarray) -> Any:
    """Take one step of each case: from (s, k, n) to (s, n)."""
    return take_along_axis(signal, step[None], 1)[:, 0]


def _slopes(one: Method) -> Any:
    """From values at start and points to slopes there, per step, shape (s + 1, s + 1)."""
    points = concatenate(([0.0], one.points))
    powers = np.arange(1, points.size)
    rows = powers * points[:, None] ** (powers - 1)
    return rows @ one.polynomial[1:]


def _seen_in(course: Course, step: np.ndarray, flow: np.ndarray) -> list[np.ndarray]:
    """Return volume and spread at start and points of one step of each case, (s + 1, n) each.

    Parameters
    ----------
    step : ndarray of int, shape (1, n)
    flow : ndarray, shape (s, n)
        At the points of that step.
    """
    frame = course.frame
    length, volume, spread = (
        take_along_axis(rows, step, 0)[0] for rows in (frame.lengths, course.volume, course.spread)
    )
    fading = fractions(frame.method, course.network.fade * length)
    response = combine(frame.method.response, stack(fading))
    inner = within_steps(course, response, length, flow, volume, spread)
    return [
        concatenate([start[None], points])
        for start, points in zip((volume, spread), inner, strict=True)
    ]


def _beside(values: np.ndarray, signal: np.ndarray, slopes: np.ndarray) -> np.ndarray:
    """Step in which a signal turns from rising to falling, or has its greatest value.

    Parameters
    ----------
    values : ndarray, shape (s + 1, k, n)
        The signal at start and points of each step, -inf in steps that do not count.
    signal : ndarray, shape (s + 1, k, n)
        The same, finite.
    slopes : ndarray, shape (2, s + 1)
        From these to the slopes at a step's start and end.

    Returns
    -------
    ndarray of int, shape (1, n)
    """
    step = values.max(axis=0).argmax(axis=0)[None]
    first, last = combine(slopes, _picked(signal, step))
    rising, falling = last > 0.0, first < 0.0
    beside: np.ndarray = clip(step + rising - falling, 0, values.shape[1] - 1)
    return beside


def _where(coefficients: Sequence[np.ndarray] | np.ndarray) -> np.ndarray:
    """Place in a step, 0 to 1, where a polynomial falls through nought."""
    low, high = zeros_like(coefficients[0]), ones_like(coefficients[0])
    for _ in range(TURN_STEPS):
        place: np.ndarray = 0.5 * (low + high)
        early = horner(coefficients, place)[0] > 0.0
        low, high = where(early, place, low), where(early, high, place)
    place = 0.5 * (low + high)
    for _ in range(TURN_STEPS):
        value, slope = horner(coefficients, place)
        down = slope < 0.0
        place = clip(place - where(down, value / where(down, slope, 1.0), 0.0), low, high)
    return place


def _pendelluft(course: Course, seen: Seen) -> Any:
    """Gas that runs from one unit to the other over a cycle [L].

    Where the units' flows are opposed, they move more gas than the airway opening does, once out
    of the one and once into the other. What a volume that turns once in each phase moves is known
    from its values at the phases' ends and at the turn.
    """
    lung, frame = course.network, course.frame
    turn_high, turn_low = frame.turns
    places = (0, frame.top, -1)
    opening = _moved(
        [course.volume[k] for k in places], course.volume[turn_high], course.volume[turn_low]
    )
    turned = _turned_gas(course, seen)
    moved = 0.0
    for unit, gas_of in enumerate((lung.fast_gas, lung.slow_gas)):
        first, top, last = (gas_of(course.volume[k], course.spread[k]) for k in places)
        least = minimum(minimum(first, top), turned[0, unit])
        most = maximum(maximum(top, last), turned[1, unit])
        moved = moved + _moved((first, top, last), least, most)
    return maximum(0.5 * (moved - opening), 0.0)


def _moved(ends: Sequence[np.ndarray] | np.ndarray, least: np.ndarray, most: np.ndarray) -> Any:
    """Gas that goes in or out on the way over a least and a greatest volume."""
    first, top, last = ends
    return (
        absolute(first - least)
        + absolute(top - least)
        + absolute(most - top)
        + absolute(most - last)
    )


def _turned_gas(course: Course, seen: Seen) -> np.ndarray:
    """Gas in each unit as its flow turns inwards in T high and outwards in the release [L].

    If it does not turn, some gas that the unit holds in the first or the last step of the phase.

    Returns
    -------
    ndarray, shape (2, 2, n)
        By phase and unit, fast and slow.
    """
    lung, one, top = course.network, course.frame.method, course.frame.top
    flows, gases = [], []
    for phase, sign in ((slice(0, top), -1.0), (slice(top, None), 1.0)):
        end = course.flow[-1, phase], course.spread[1:][phase]
        for flow_of, gas_of in (
            (lung.fast_flow, lung.fast_gas),
            (lung.slow_flow, lung.slow_gas),
        ):
            # a step of no length, before an immediate turn, has no flow of its own
            turned = (sign * flow_of(*end) <= 0.0) & (course.frame.lengths[phase] > 0.0)
            step = where(turned.any(axis=0), turned.argmax(axis=0), len(turned) - 1)[None]
            flow, volume, spread = (_picked(signal[:, phase], step) for signal in seen)
            flows.append(sign * flow_of(flow, spread))
            gases.append(gas_of(volume, spread))
    flow, gas = (combine(one.polynomial, stack(part, axis=1)) for part in (flows, gases))
    return horner(gas, _where(flow))[0].reshape(2, 2, -1)
