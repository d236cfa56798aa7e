"""The settled cycle of a passive lung without memory, by quadrature: time as an integral.

With an immediate valve, no effort and no opening or closing, a phase has one state, and the time
it takes is an integral over pressure. With z the distance of the transpulmonary pressure from the
one at which flow would end,

    T = integral of theta(z) dz / z from z_end to z_start,   theta = C_lung(z) z / Q(z)

theta is the time constant of the moment; in a linear lung it is R C and T = R C ln(z_start/z_end).
The two unknowns are alpha = ln(z_start / z_end) of each phase: with them, and with D the distance
between the two end points, the settled cycle closes exactly as in the linear lung,

    z_start_low = D (1 - e^-alpha_high) / (1 - e^-(alpha_high + alpha_low)),   and likewise high,

so every positive pair is a possible cycle, no digit is lost in very short or very long phases, and
Newton's method on ln T has the linear lung as its exact first step.

The integral is theta(0) ln(v_start/v_end) plus a smooth rest, by Gauss-Legendre nodes in v, where
(R v + K v^2) / s = z: in a linear lung with K > 0 the rest is a constant, and one node is exact.
Sizes: n cases. Times [s], pressures [cmH2O], volumes [mL].
"""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

import numpy as np

from ebbmap.lungs.stepped.cases import Cases
from ebbmap.lungs.stepped.recoil import lung_volume, position
from ebbmap.lungs.stepped.recruitment import held_open, open_fraction
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


class Phase(NamedTuple):
    """One phase of n cases, ndarray of shape (n,) each.

    Parameters
    ----------
    duration : ndarray, shape (n,)
        How long it lasts [s].
    end : ndarray, shape (n,)
        Transpulmonary pressure at which flow would end [cmH2O].
    compliance : ndarray, shape (n,)
        Of the open lung at `end` [mL cmH2O-1].
    beyond, before : ndarray, shape (n,)
        Shares of the lung's span beyond `end` and on the side that the phase comes from. They
        add up to one; both are kept, so that neither loses its digits.
    curvature, wall : ndarray, shape (n,)
        Curvature of the lung [cmH2O-1], elastance of the wall [cmH2O mL-1].
    resistance, quadratic, limit : ndarray, shape (n,)
        R [cmH2O s L-1], K [cmH2O s2 L-2], g R (0 while filling).
    """

    duration: np.ndarray
    end: np.ndarray
    compliance: np.ndarray
    beyond: np.ndarray
    before: np.ndarray
    curvature: np.ndarray
    wall: np.ndarray
    resistance: np.ndarray
    quadratic: np.ndarray
    limit: np.ndarray

    def at(self, index) -> Phase:
        """Return the phase of some of the cases."""
        return Phase(*(field[index] for field in self))

    @property
    def stretch(self):
        """Pressure across lung and wall per pressure across the lung, where flow would end."""
        return 1.0 + self.wall * self.compliance

    def drop(self, z):
        """Pressure drop along the airway at a distance z, shape (n,) [cmH2O]."""
        return z + self.wall * self.gas(z)

    def gas(self, z):
        """Gas still to move when the distance is z, shape (n,) [mL]."""
        moved = -np.expm1(-self.curvature * z)
        narrowing = self.beyond + self.before * (1.0 - moved)
        return self.compliance / self.curvature * moved / narrowing

    def flow(self, z):
        """Size of the flow at a distance z, shape (n,) [L s-1]."""
        drop = self.drop(z)
        resistance = self._resistance(drop, z)
        root = np.sqrt(resistance * resistance + 4.0 * self.quadratic * drop)
        return 2.0 * drop / (resistance + root)

    def _resistance(self, drop, z):
        if not self.limit.any():
            return self.resistance
        # both go to zero together where flow would end at zero recoil
        recoil = self.end + z
        return self.resistance + self.limit * np.where(
            recoil > 0.0, drop / np.where(recoil > 0.0, recoil, 1.0), self.stretch
        )

    def speed_scale(self, z):
        """Return theta(z) [s] and drop(z) / z, shape (n,)."""
        moved = -np.expm1(-self.curvature * z)
        kept = 1.0 - moved
        narrowed = 1.0 / (self.beyond + self.before * kept)
        drop = z + (self.wall * self.compliance / self.curvature) * moved * narrowed
        resistance = self._resistance(drop, z)
        root = np.sqrt(resistance * resistance + 4.0 * self.quadratic * drop)
        ratio = drop / z
        compliance = self.compliance * kept * (narrowed * narrowed)
        return compliance * (resistance + root) * (0.5 * L_PER_ML) / ratio, ratio


@cache
def gauss(count: int) -> tuple[np.ndarray, np.ndarray]:
    """Nodes and weights of the Gauss-Legendre rule on [0, 1]."""
    nodes, weights = np.polynomial.legendre.leggauss(count)
    return 0.5 * (nodes + 1.0), 0.5 * weights


def phases_of(cases: Cases) -> tuple[Phase, Phase]:
    """Return T high and T low; the open fraction is that of an endless hold at P high."""
    openness = held_open(cases.p_high, cases.opening_pressure, cases.opening_spread)
    fraction = open_fraction(openness, cases.recruitable_share)
    pair: list[Phase] = []
    for pressure, duration, resistance, limit in (
        (cases.p_high, cases.t_high, cases.resistance_insp, np.zeros_like(fraction)),
        (
            cases.p_low,
            cases.t_low,
            cases.resistance_exp,
            cases.flow_limitation * cases.resistance_exp,
        ),
    ):
        _, end = cases.static_volume(pressure, fraction)
        below = position(end, cases.recoil_curvature, cases.recoil_inflection)
        above = position(
            2.0 * cases.recoil_inflection - end, cases.recoil_curvature, cases.recoil_inflection
        )
        compliance = 4.0 * fraction * below * above / cases.lung_elastance
        beyond, before = (below, above) if pair else (above, below)
        pair.append(
            Phase(
                duration,
                end,
                compliance,
                beyond,
                before,
                cases.recoil_curvature,
                cases.wall_elastance,
                resistance,
                cases.resistance_quadratic,
                limit,
            )
        )
    return pair[0], pair[1]


class Passage(NamedTuple):
    """Integrals over a phase, ndarray of shape (n,) each.

    Parameters
    ----------
    time : ndarray, shape (n,)
        How long it takes [s].
    drop, distance : ndarray, shape (n,)
        Integrals over time of the pressure drop along the airway and of z [cmH2O s].
    """

    time: np.ndarray
    drop: np.ndarray
    distance: np.ndarray


def passage(phase: Phase, start, end, alpha, count: int) -> Passage:
    """Integrate a phase from a distance to another; alpha = ln(start / end), `count` nodes."""
    resistance, quadratic, stretch = phase.resistance, phase.quadratic, phase.stretch
    square, slope = resistance * resistance, 4.0 * quadratic * stretch
    root_start = resistance + np.sqrt(square + slope * start)
    root_end = resistance + np.sqrt(square + slope * end)
    first, last = 2.0 * stretch * start / root_start, 2.0 * stretch * end / root_end
    width = first - last
    linear = phase.compliance * resistance / stretch * L_PER_ML
    time, drop, distance = 0.0, 0.0, 0.0
    limited = phase.limit.any()
    for node, weight in zip(*gauss(count), strict=True):
        v = last + node * width
        ohmic = resistance + quadratic * v
        z = v * ohmic / stretch
        turn = ohmic + quadratic * v
        theta, ratio = phase.speed_scale(z)
        moment = theta * turn / ohmic
        rest = (moment - linear) / v
        if limited:
            rest -= phase.compliance * phase.limit * L_PER_ML * turn / (stretch * (phase.end + z))
        time = time + weight * rest
        passing = weight * theta * turn
        distance = distance + passing
        drop = drop + passing * ratio
    time = width * time + linear * (alpha + np.log(root_end / root_start))
    if limited:
        time = time + phase.compliance * phase.limit * L_PER_ML * _log_recoil(
            phase, start, end, alpha
        )
    return Passage(time, drop * width / stretch, distance * width / stretch)


def _log_recoil(phase: Phase, start, end, alpha):
    """Logarithm of the recoil at the start of a phase over that at its end, shape (n,)."""
    # at zero recoil both ends scale as the distance, which may have vanished
    above = phase.end > 0.0
    ratio = np.where(above, phase.end + start, 1.0) / np.where(above, phase.end + end, 1.0)
    return np.where(above, np.log(ratio), alpha)


class Distances(NamedTuple):
    """Distances at the ends of both phases, ndarray of shape (n,) each [cmH2O]."""

    high_start: np.ndarray
    high_end: np.ndarray
    low_start: np.ndarray
    low_end: np.ndarray


def distances(whole, alpha_high, alpha_low) -> Distances:
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
    logs = np.log(
        (high.duration / high.speed_scale(middle)[0], low.duration / low.speed_scale(middle)[0])
    )
    found = np.full((2, whole.size), np.nan)
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
        found[:, todo[done]] = (logs + step)[:, done]
        going = ~done & np.isfinite(step.sum(axis=0))
        left = np.count_nonzero(going)
        if left == 0:
            break
        if left < REGATHER * todo.size:
            todo, whole, logs, step, miss = (
                todo[going],
                whole[going],
                logs[:, going],
                step[:, going],
                miss[going],
            )
            high, low = high.at(going), low.at(going)
    return np.exp(found[0]), np.exp(found[1])


def _newton_step(high: Phase, low: Phase, whole, logs, count: int):
    """Step in the logarithms of both alphas toward the set durations, and how far off they are."""
    alpha_high, alpha_low = np.exp(logs)
    at = distances(whole, alpha_high, alpha_low)
    a, b = np.exp(-alpha_high), np.exp(-alpha_low)
    fill, empty = -np.expm1(-alpha_high), -np.expm1(-alpha_low)
    both = -np.expm1(-(alpha_high + alpha_low))
    lag = a * b / both

    def row(phase, start, end, alpha, alpha_other, cross):
        time = passage(phase, start, end, alpha, count).time
        first, last = phase.speed_scale(start)[0], _end_scale(phase, end)
        own = (last - (first - last) * lag) * alpha / time
        other = (first - last) * cross * alpha_other / time
        return np.log(time / phase.duration), own, other

    miss_high, high_high, high_low = row(
        high, at.high_start, at.high_end, alpha_high, alpha_low, b * fill / (empty * both)
    )
    miss_low, low_low, low_high = row(
        low, at.low_start, at.low_end, alpha_low, alpha_high, a * empty / (fill * both)
    )
    determinant = high_high * low_low - high_low * low_high
    step = np.stack(
        (
            (high_low * miss_low - low_low * miss_high) / determinant,
            (low_high * miss_high - high_high * miss_low) / determinant,
        )
    )
    longest = np.abs(step).max(axis=0)
    step *= LONGEST_STEP / np.maximum(longest, LONGEST_STEP)
    return step, np.hypot(miss_high, miss_low)


def _end_scale(phase: Phase, end):
    """Return theta at the end of a phase, where z may have vanished, shape (n,) [s]."""
    return phase.speed_scale(np.maximum(end, np.finfo(float).tiny))[0]


def nodes_for(high: Phase, low: Phase):
    """Return the number of the first rule in `RULES` that is fine enough, shape (n,) of int."""
    bend = high.curvature * (high.end - low.end)
    rule = np.searchsorted(BENDS, bend)
    # the limit makes its own sharp bend: the finer of two rules, past a bend of six the finest
    finer = np.where(bend > BENDS[2], len(RULES) - 1, LIMITED_RULE)
    return np.where(low.limit > 0.0, finer, rule)


def solve(cases: Cases) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Volume at the end of a release and outcomes of the settled cycle, passive cases, shape (n,).

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
        part = _solve(cases.at(index), high.at(index), low.at(index), RULES[number])
        for name, values in part.items():
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
    alpha_high, alpha_low = settle(high, low, count)
    at = distances(high.end - low.end, alpha_high, alpha_low)
    filling = passage(high, at.high_start, at.high_end, alpha_high, count)
    emptying = passage(low, at.low_start, at.low_end, alpha_low, count)
    period = cases.t_high + cases.t_low
    # the gas between the two recoil pressures of the release, as one product
    full = low.end + at.low_start
    swing = at.low_start * -np.expm1(-alpha_low)
    near, far = np.exp(-low.curvature * at.low_end), np.exp(-low.curvature * at.low_start)
    released = (
        low.compliance
        / low.curvature
        * near
        * -np.expm1(-low.curvature * swing)
        / ((low.beyond + low.before * near) * (low.beyond + low.before * far))
    )
    trapped = low.gas(at.low_end)
    wanted = high.gas(at.high_start)
    mean_alveolar = (
        cases.p_high * cases.t_high - filling.drop + cases.p_low * cases.t_low + emptying.drop
    ) / period
    mean_lung = (
        high.end * cases.t_high - filling.distance + low.end * cases.t_low + emptying.distance
    ) / period
    fading = (
        alpha_high
        + alpha_low
        + np.log(_end_scale(high, at.high_end) / high.speed_scale(at.high_start)[0])
        + np.log(_end_scale(low, at.low_end) / low.speed_scale(at.low_start)[0])
    )
    fraction = open_fraction(
        held_open(cases.p_high, cases.opening_pressure, cases.opening_spread),
        cases.recruitable_share,
    )
    return {
        "release_volume": released,
        "trapped_volume": trapped,
        "end_high_pressure": cases.p_high - high.drop(at.high_end),
        "end_release_pressure": cases.p_low + low.drop(at.low_end),
        "peak_expiratory_flow": low.flow(at.low_start),
        "end_release_flow": low.flow(at.low_end),
        "mean_alveolar_pressure": mean_alveolar,
        "fill_fraction": released / wanted,
        "exhaled_fraction": released / (released + trapped),
        "time_constant_exp": cases.compliance * cases.resistance_exp * L_PER_ML,
        "end_high_transpulmonary_pressure": full,
        "mean_pleural_pressure": mean_alveolar - mean_lung,
        "gas_beyond_dead_space": np.maximum(released - cases.dead_space, 0.0),
        "open_fraction_end_high": fraction,
        "open_fraction_end_release": fraction,
        "closed_per_release": np.zeros(cases.size),
        "cycles_to_settle": -np.log(SETTLED_SHARE) / fading,
        "effort_share": np.zeros(cases.size),
        "transpulmonary_pressure_swing": swing,
    }
