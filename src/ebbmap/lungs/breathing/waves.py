"""Signals over time of a cycle with efforts, from its steps.

Sizes: n cases, t time points, k steps.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from ebbmap.lungs.breathing.cases import Cases, State
from ebbmap.lungs.breathing.phases import Breathing, Passive, blocks
from ebbmap.lungs.breathing.steps import Airway, Muscles, cycle
from ebbmap.lungs.whole.mesh import SMALLEST
from ebbmap.units import ML_PER_L

#: How many times the usual number of steps a drawing takes.
FINER = 4.0


def draw_breaths(
    signals: Mapping[str, np.ndarray],
    cases: Cases,
    start: Passive,
    state: State,
    times: np.ndarray,
) -> None:
    """Put the signals of the cases with effort in their place.

    Parameters
    ----------
    signals : mapping of str to ndarray, shape (n, t)
        By name; rows without effort stay.
    cases, start, state
        n cases and where their cycle begins.
    times : ndarray, shape (t,)
        From the start of T high [s].
    """
    active = np.flatnonzero((state.peak > 0.0) & np.isfinite(start.volume))
    for index, lung in blocks(cases, start, active, FINER):
        muscles = Muscles(lung.cases, state.clock[None, index], state.peak[index])
        for name, rows in _drawn(lung, muscles, times).items():
            signals[name][index] = rows.T


def _drawn(lung: Breathing, muscles: Muscles, times: np.ndarray) -> dict[str, np.ndarray]:
    """Return the signals at times, shape (t, n) each."""
    cases = lung.cases
    net, drive, p_low = cases.network, cases.drive, cases.values["p_low"]
    t_high = drive.duration[0]
    moments = np.broadcast_to(times[:, None], (times.size, t_high.size))
    volume, spread = np.zeros(moments.shape), np.zeros(moments.shape)
    first = lung.passive.volume[None], lung.passive.spread[None]
    ends = np.concatenate([lung.phases[0].times[1:], t_high + lung.phases[1].times[1:]])
    begun = np.zeros_like(t_high)
    for end, (_, step) in zip(ends, cycle(cases, lung.phases, *first, muscles), strict=True):
        here = (moments >= begun) & (moments <= end)
        place = np.where(here, (moments - begun) / np.maximum(end - begun, SMALLEST), 0.0)
        slopes = [net.feed * one.flow - net.fade * one.spread for one in (step.before, step.after)]
        for target, values, rates in (
            (volume, (step.before.volume, step.after.volume), (step.before.flow, step.after.flow)),
            (spread, (step.before.spread, step.after.spread), slopes),
        ):
            target[:] = np.where(here, _cubic(place, step.length, values, rates), target)
        begun = end
    released = moments >= t_high
    since = moments - t_high
    airway = np.where(released, drive.airway(1, since), drive.airway(0, moments))
    muscle = muscles.at(moments)[:, 0]
    behind = volume / net.compliance + net.link * spread
    flow, _ = Airway(cases).flow(airway + muscle, behind, 0.0)
    return {
        "airway_pressure": p_low + airway,
        "alveolar_pressure": p_low + net.alveoli(volume, spread) - muscle,
        "flow": flow,
        "volume": ML_PER_L * (volume + net.compliance * p_low),
        "muscle_pressure": muscle,
    }


def _cubic(
    place: np.ndarray,
    length: np.ndarray,
    values: tuple[np.ndarray, np.ndarray],
    rates: tuple[np.ndarray, np.ndarray] | list[np.ndarray],
) -> np.ndarray:
    """Return the cubic through two values with two rates, at a share of the way between them."""
    low, high = values
    left, right = (length * rate for rate in rates)
    bend = place * (1.0 - place)
    line = low + place * (high - low)
    first, last = left - (high - low), right - (high - low)
    return np.asarray(line + bend * ((1.0 - place) * first - place * last))
