"""The settled cycle of a passive lung without memory, by quadrature: time as an integral.

With an immediate valve, no effort and no opening or closing, a phase has one state, and the time
it takes is an integral over pressure (`phase`), from a distance z_start to z_end.
The two unknowns are alpha = ln(z_start / z_end) of each phase: with them, and with D the distance
between the two end points, the settled cycle closes exactly as in the linear lung,

    z_start_low = D (1 - e^-alpha_high) / (1 - e^-(alpha_high + alpha_low)),   and likewise high,

so every positive pair is a possible cycle, no digit is lost in very short or very long phases, and
Newton's method on ln T has the linear lung as its exact first step.

Sizes: n cases. Times [s], pressures [cmH2O], volumes [mL].
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ebbmap.lungs.stepped.cases import Cases
from ebbmap.lungs.stepped.phase import Phase, held_fraction, passage, phases_of
from ebbmap.lungs.stepped.recoil import lung_volume
from ebbmap.units import L_PER_ML

#: A disturbance has settled when it has faded to this share.
SETTLED_SHARE = 0.01

#: Nodes of the rules, and the products of curvature and D up to which all but the last serve;
#: measured over all legal values: each outcome then holds 1e-6.
RULES = (8, 12, 16, 24, 32, 48, 64, 128)
BENDS = (1.6, 4.0, 6.0, 11.0, 14.0, 18.0, 26.0)

#: With flow limitation the rule is at least the one of this number.
LIMITED_RULE = 6

#: Most Newton steps, and the step in ln(alpha) below which a case has settled: what error is left
#: is about the square of it.
NEWTON_STEPS, SMALL_STEP = 50, 1e-5

#: No Newton step changes ln(alpha) by more than this.
LONGEST_STEP = 2.0

#: Cases are regathered when fewer than this share of those carried are still under way.
REGATHER = 0.5


class Distances(NamedTuple):
    """Distances at the ends of both phases, ndarray of shape (n,) each [cmH2O]."""

    high_start: np.ndarray
    high_end: np.ndarray
    low_start: np.ndarray
    low_end: np.ndarray


def distances(
    whole: np.ndarray | float, alpha_high: np.ndarray | float, alpha_low: np.ndarray | float
) -> Distances:
    """Close the cycle: the distances that belong to a pair of alphas.

    Examples
    --------
    >>> closed = distances(25.0, 1.0, 2.0)
    >>> bool(np.isclose(closed.high_start + closed.low_end, 25.0))
    True
    """
    both = -np.expm1(-(alpha_high + alpha_low))
    high_start = whole * -np.expm1(-alpha_low) / both
    low_start = whole * -np.expm1(-alpha_high) / both
    return Distances(
        high_start, high_start * np.exp(-alpha_high), low_start, low_start * np.exp(-alpha_low)
    )


def settle(high: Phase, low: Phase, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Find the alphas of the settled cycle, shape (n,) each; NaN where Newton did not settle."""
    whole = high.end - low.end
    # the linear lung's answer with the time constants of the middle
    middle = 0.5 * whole
    logs = np.log([phase.duration / phase.speed_scale(middle)[0] for phase in (high, low)])
    settled_logs = np.full((2, whole.size), np.nan)
    todo = np.arange(whole.size)
    step, miss = np.zeros_like(logs), np.full_like(whole, np.inf)
    for _ in range(NEWTON_STEPS):
        next_step, next_miss = _newton_step(high, low, whole, logs + step, count)
        # a step that makes things worse is halved until it does not
        better = (next_miss < miss) | (next_miss < SMALL_STEP)
        logs = np.where(better, logs + step, logs)
        step = np.where(better, next_step, 0.5 * step)
        miss = np.where(better, next_miss, miss)
        done = better & (np.abs(step) <= SMALL_STEP).all(axis=0)
        settled_logs[:, todo[done]] = (logs + step)[:, done]
        going = ~done & np.isfinite(step.sum(axis=0))
        left = np.count_nonzero(going)
        if left == 0:
            break
        if left < REGATHER * todo.size:
            todo, whole, miss = todo[going], whole[going], miss[going]
            logs, step = logs[:, going], step[:, going]
            high, low = high.at(going), low.at(going)
    return np.exp(settled_logs[0]), np.exp(settled_logs[1])


def _newton_step(
    high: Phase, low: Phase, whole: np.ndarray, logs: np.ndarray, count: int
) -> tuple[np.ndarray, np.ndarray]:
    """Return a step of both alphas' logarithms to the set durations, and how far off they are."""
    alpha_high, alpha_low = np.exp(logs)
    closed = distances(whole, alpha_high, alpha_low)
    a, b = np.exp(-alpha_high), np.exp(-alpha_low)
    fill, empty = -np.expm1(-alpha_high), -np.expm1(-alpha_low)
    both = -np.expm1(-(alpha_high + alpha_low))
    lag = a * b / both

    def row(
        phase: Phase,
        start: np.ndarray,
        end: np.ndarray,
        alpha: np.ndarray,
        alpha_other: np.ndarray,
        cross: np.ndarray,
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        time = passage(phase, start, end, alpha, count).time
        first, last = phase.speed_scale(start)[0], phase.end_scale(end)
        own = (last - (first - last) * lag) * alpha / time
        other = (first - last) * cross * alpha_other / time
        return np.log(time / phase.duration), own, other

    cross_high, cross_low = b * fill / (empty * both), a * empty / (fill * both)
    miss_high, high_high, high_low = row(
        high, closed.high_start, closed.high_end, alpha_high, alpha_low, cross_high
    )
    miss_low, low_low, low_high = row(
        low, closed.low_start, closed.low_end, alpha_low, alpha_high, cross_low
    )
    determinant = high_high * low_low - high_low * low_high
    step_high = (high_low * miss_low - low_low * miss_high) / determinant
    step_low = (low_high * miss_high - high_high * miss_low) / determinant
    step = np.stack((step_high, step_low))
    longest = np.abs(step).max(axis=0)
    step *= LONGEST_STEP / np.maximum(longest, LONGEST_STEP)
    return step, np.hypot(miss_high, miss_low)


def nodes_for(high: Phase, low: Phase) -> np.ndarray:
    """Return the number of the first rule in `RULES` that is fine enough, shape (n,) of int."""
    bend = high.curvature * (high.end - low.end)
    rule = np.searchsorted(BENDS, bend)
    # the limit makes its own sharp bend: the finer of two rules, past a bend of six the finest
    finer = np.where(bend > BENDS[2], len(RULES) - 1, LIMITED_RULE)
    return np.where(low.limit > 0.0, finer, rule)


def solve(cases: Cases) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Solve the settled cycle of passive cases: end-release volume and outcomes, shape (n,).

    Units that can open and close are as open as an endless hold at P high leaves them.
    """
    high, low = phases_of(cases)
    rule = nodes_for(high, low)
    solved: dict[str, np.ndarray] = {}
    for number in np.unique(rule):
        index = np.flatnonzero(rule == number)
        if index.size == cases.size:
            solved = _solve(cases, high, low, RULES[number])
            break
        of_rule = _solve(cases.at(index), high.at(index), low.at(index), RULES[number])
        for name, values in of_rule.items():
            solved.setdefault(name, np.empty(cases.size))[index] = values
    empty = lung_volume(
        low.end, cases.lung_elastance, cases.recoil_curvature, cases.recoil_inflection
    )
    end = empty * solved["open_fraction_end_release"] + solved["trapped_volume"]
    solved["end_high_volume"] = end + solved["release_volume"]
    lost = np.isnan(solved["release_volume"])
    if lost.any():
        solved = {name: np.where(lost, np.nan, values) for name, values in solved.items()}
    return end, solved


def _solve(cases: Cases, high: Phase, low: Phase, count: int) -> dict[str, np.ndarray]:
    """Return the outcomes of cases that share a rule of `count` nodes, shape (n,) each."""
    alpha_high, alpha_low = settle(high, low, count)
    closed = distances(high.end - low.end, alpha_high, alpha_low)
    filling = passage(high, closed.high_start, closed.high_end, alpha_high, count)
    emptying = passage(low, closed.low_start, closed.low_end, alpha_low, count)
    period = cases.t_high + cases.t_low
    swing = closed.low_start * -np.expm1(-alpha_low)
    released, trapped = _gas_between(low, closed, swing), low.gas(closed.low_end)
    airway_high = cases.p_high * cases.t_high - filling.drop
    lung_high = high.end * cases.t_high - filling.distance
    mean_alveolar = (airway_high + cases.p_low * cases.t_low + emptying.drop) / period
    mean_lung = (lung_high + low.end * cases.t_low + emptying.distance) / period
    slowing_high = high.end_scale(closed.high_end) / high.speed_scale(closed.high_start)[0]
    slowing_low = low.end_scale(closed.low_end) / low.speed_scale(closed.low_start)[0]
    fading = alpha_high + alpha_low + np.log(slowing_high) + np.log(slowing_low)
    fraction = held_fraction(cases)
    return {
        "release_volume": released,
        "trapped_volume": trapped,
        "end_high_pressure": cases.p_high - high.drop(closed.high_end),
        "end_release_pressure": cases.p_low + low.drop(closed.low_end),
        "peak_expiratory_flow": low.flow(closed.low_start),
        "end_release_flow": low.flow(closed.low_end),
        "mean_alveolar_pressure": mean_alveolar,
        "fill_fraction": released / high.gas(closed.high_start),
        "exhaled_fraction": released / (released + trapped),
        "time_constant_exp": cases.compliance * cases.resistance_exp * L_PER_ML,
        "end_high_transpulmonary_pressure": low.end + closed.low_start,
        "mean_pleural_pressure": mean_alveolar - mean_lung,
        "gas_beyond_dead_space": np.maximum(released - cases.dead_space, 0.0),
        "open_fraction_end_high": fraction,
        "open_fraction_end_release": fraction,
        "closed_per_release": np.zeros(cases.size),
        "cycles_to_settle": -np.log(SETTLED_SHARE) / fading,
        "effort_share": np.zeros(cases.size),
        "transpulmonary_pressure_swing": swing,
    }


def _gas_between(low: Phase, closed: Distances, swing: np.ndarray) -> np.ndarray:
    """Return the gas between the recoil pressures of a release, as one product [mL]."""
    near = np.exp(-low.curvature * closed.low_end)
    far = np.exp(-low.curvature * closed.low_start)
    spent = -np.expm1(-low.curvature * swing)
    narrowing = (low.beyond + low.before * near) * (low.beyond + low.before * far)
    gas: np.ndarray = low.compliance / low.curvature * near * spent / narrowing
    return gas
