"""One compartment behind an airway whose pressure drop bends upward with flow (tracheal tube).

Pressure drop = R Q + K |Q| Q. Each phase has a closed form by the Wright omega function; the
settled cycle is one unknown number, found on whole arrays by Halley's method (Newton's with the
curvature), for which all derivatives are exact.
Sizes: n cases, t time points. Pressures [cmH2O], times [s], compliance [mL cmH2O-1], flows
[L s-1], resistances [cmH2O s L-1], resistance_quadratic [cmH2O s2 L-2]. All functions broadcast.

A phase is told by three pure numbers. T = duration / (R C) is its length in time constants of
the linear part. x = 2 K Q0 / R says how much the tube bends the decay at the initial flow Q0
(x = 0: exponential). u = ln(Q0 / Q) is the exponent by which the flow has fallen; it obeys

    u + x (1 - exp(-u)) = T,    solved by    u = T - x + omega(ln x + x - T).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy.special import wrightomega

from ebbmap.lungs.base import SOLVED, WAVES, Lung
from ebbmap.units import L_PER_ML

#: Stands in for x = 0 under the logarithm; omega is then 0 to all digits.
SMALLEST_EXCESS = 1e-300

#: Relative steps at which the iteration stops. Halley's method triples the correct digits: what
#: is wrong after a last step of 1e-4 is below 1e-13 (its cube, times a factor measured < 0.1).
STEP = 1e-4

#: Passes over all cases, and the share of cases below which the rest is not worth another pass:
#: what has not settled by then is solved by itself within a bracket.
PASSES = 6
FEW = 0.05

#: Bracketed steps for the few that are left; bisection alone needs about 50.
BRACKETED_STEPS = 120


class Decay(NamedTuple):
    """How far a flow has fallen over a phase; each shape (n,)."""

    exponent: np.ndarray
    """u = ln(first flow / last flow) [1]."""
    spent: np.ndarray
    """1 - last flow / first flow [1], with all its digits for a short phase."""
    left: np.ndarray
    """Last flow / first flow [1], with all its digits for a long phase."""


class Phase(NamedTuple):
    """One phase, T high or the release, from its first flow to its last; each shape (n,).

    Flows and pressures are positive when the gas moves as the phase has it: in, then out.
    """

    resistance: np.ndarray
    resistance_quadratic: np.ndarray
    excess: np.ndarray
    """x = 2 K Q0 / R [1]."""
    first_flow: np.ndarray
    fall: np.ndarray
    """Pressure across the airway at the start less that at the end [cmH2O]."""
    exponent: np.ndarray
    spent: np.ndarray
    left: np.ndarray
    """The decay, as in `Decay`."""

    @property
    def last_flow(self):
        """Flow at the end of the phase [L s-1]."""
        return self.first_flow * self.left

    @property
    def last_height(self):
        """Pressure across the airway at the end [cmH2O]."""
        flow = self.last_flow
        return flow * (self.resistance + self.resistance_quadratic * np.abs(flow))

    @property
    def fraction(self):
        """Gas moved over what an endless phase would move [1]."""
        bend = self.resistance_quadratic * np.abs(self.first_flow)
        return self.spent * (self.resistance + bend * (1.0 + self.left)) / (self.resistance + bend)

    def airway_share(self, compliance):
        """Integral over the phase of the pressure across the airway [cmH2O s].

        With dt = -C (R / Q + 2 K) dQ it is C times the integral of (R + K Q)(R + 2 K Q) dQ.
        """
        bend = self.resistance_quadratic * np.abs(self.first_flow)
        left = self.left
        terms = self.resistance * (self.resistance + 1.5 * bend * (1.0 + left))
        terms = terms + bend * bend * (1.0 + left * (1.0 + left)) * (2.0 / 3.0)
        return compliance * L_PER_ML * self.first_flow * self.spent * terms


def solve(
    p_high,
    p_low,
    t_high,
    t_low,
    compliance,
    resistance_insp,
    resistance_exp,
    resistance_quadratic,
):
    """Solve the settled cycle.

    Parameters
    ----------
    p_high, p_low : array_like, shape (n,)
        Set pressures [cmH2O], p_high > p_low.
    t_high, t_low : array_like, shape (n,)
        Set times [s], > 0.
    compliance : array_like, shape (n,)
        Compliance of the respiratory system [mL cmH2O-1], > 0.
    resistance_insp, resistance_exp : array_like, shape (n,)
        Linear part R of the resistance while filling and while emptying [cmH2O s L-1], > 0.
    resistance_quadratic : array_like, shape (n,)
        K, in both directions and on top of R [cmH2O s2 L-2], >= 0.

    Returns
    -------
    dict of str to ndarray, shape (n,)
        The outcomes in `SOLVED`, in registry units. NaN throughout where no settled cycle was
        found.

    Notes
    -----
    With K > 0 the flow ratio and the exhaled fraction no longer add up to one but to more: the
    flow falls less than the pressure that drives it, so a release that stops at half the peak
    flow has let out more than half. `time_constant_exp` is R_E C, the time constant that an
    emptying tends to as its flow dies away; earlier on it is slower.

    References
    ----------
    .. [1] Rohrer F, Pfluegers Arch 1915;162:225 (from memory): drop = K1 Q + K2 Q^2.
    .. [2] Corless RM, Jeffrey DJ, "The Wright omega function", LNCS 2002;2385:76 (from memory).

    Examples
    --------
    >>> settled = solve(25.0, 0.0, 60.0, 0.5, 50.0, 10.0, 10.0, np.array([0.0, 8.0]))
    >>> settled["release_volume"].round(1).tolist()
    [790.2, 525.0]
    >>> flow_ratio = settled["end_release_flow"] / settled["peak_expiratory_flow"]
    >>> (flow_ratio + settled["exhaled_fraction"]).round(3).tolist()
    [1.0, 1.107]
    """
    fill, release, height, settled = _settle(
        p_high,
        p_low,
        t_high,
        t_low,
        compliance,
        resistance_insp,
        resistance_exp,
        resistance_quadratic,
    )
    outcomes = _describe(
        fill, release, height, p_high, p_low, t_high, t_low, compliance, resistance_exp
    )
    if np.all(settled):
        return outcomes
    return {name: np.where(settled, value, np.nan) for name, value in outcomes.items()}


def settle(
    p_high,
    p_low,
    t_high,
    t_low,
    compliance,
    resistance_insp,
    resistance_exp,
    resistance_quadratic,
):
    """Return the state of the settled cycle: alveolar pressure when a release ends [cmH2O].

    Parameters
    ----------
    p_high, p_low, t_high, t_low, compliance : array_like, shape (n,)
        As in `solve`.
    resistance_insp, resistance_exp, resistance_quadratic : array_like, shape (n,)
        As in `solve`.

    Returns
    -------
    ndarray, shape (n,)
        Alveolar pressure at the end of a release [cmH2O]; NaN where no settled cycle was found.
    """
    _, release, _, settled = _settle(
        p_high,
        p_low,
        t_high,
        t_low,
        compliance,
        resistance_insp,
        resistance_exp,
        resistance_quadratic,
    )
    return np.where(settled, p_low + release.last_height, np.nan)


def rest(start_pressure, **_):
    """Return the state of a lung at rest at `start_pressure` [cmH2O], shape (n,)."""
    return np.asarray(start_pressure, dtype=float)


def cycle(
    end_release_pressure,
    *,
    p_high,
    p_low,
    t_high,
    t_low,
    compliance,
    resistance_insp,
    resistance_exp,
    resistance_quadratic,
):
    """Run one cycle from an alveolar pressure at the end of the previous release.

    Parameters
    ----------
    end_release_pressure : array_like, shape (n,)
        State: alveolar pressure when T high begins [cmH2O].
    p_high, p_low, t_high, t_low, compliance : array_like, shape (n,)
        As in `solve`.
    resistance_insp, resistance_exp, resistance_quadratic : array_like, shape (n,)
        As in `solve`. The inspiratory one holds during T high and the expiratory one during the
        release, even where a start outside the set pressures makes the gas run the other way.

    Returns
    -------
    outcomes : dict of str to ndarray, shape (n,)
        The outcomes in `SOLVED` for this cycle.
    state : ndarray, shape (n,)
        Alveolar pressure at the end of this release [cmH2O].

    Examples
    --------
    >>> start = dict(p_high=25.0, p_low=0.0, t_high=5.0, t_low=0.5)
    >>> lung = dict(compliance=60.0, resistance_insp=9.0, resistance_exp=19.0)
    >>> _, first = cycle(5.0, **start, **lung, resistance_quadratic=8.0)
    >>> bool(first > 5.0)
    True
    """
    fill = _phase(
        p_high - end_release_pressure, t_high, compliance, resistance_insp, resistance_quadratic
    )
    height = p_high - p_low - fill.last_height
    release = _phase(height, t_low, compliance, resistance_exp, resistance_quadratic)
    outcomes = _describe(
        fill, release, height, p_high, p_low, t_high, t_low, compliance, resistance_exp
    )
    return outcomes, outcomes["end_release_pressure"]


def waveform(
    end_release_pressure,
    times,
    *,
    p_high,
    p_low,
    t_high,
    t_low,
    compliance,
    resistance_insp,
    resistance_exp,
    resistance_quadratic,
):
    """Return what a monitor would draw over one cycle.

    Parameters
    ----------
    end_release_pressure : array_like, shape (n,)
        State: alveolar pressure when T high begins [cmH2O].
    times : array_like, shape (t,)
        From the start of T high, within one cycle [s].
    p_high, p_low, t_high, t_low, compliance : array_like, shape (n,)
        As in `cycle`.
    resistance_insp, resistance_exp, resistance_quadratic : array_like, shape (n,)
        As in `cycle`.

    Returns
    -------
    dict of str to ndarray, shape (n, t)
        The signals in `WAVES`.
    """
    state, high, low, long, c, r_insp, r_exp, k = (
        np.asarray(value, dtype=float)[..., None]
        for value in (
            end_release_pressure,
            p_high,
            p_low,
            t_high,
            compliance,
            resistance_insp,
            resistance_exp,
            resistance_quadratic,
        )
    )
    times = np.asarray(times, dtype=float)
    filling = _phase(high - state, np.minimum(times, long), c, r_insp, k)
    full = high - _phase(high - state, long, c, r_insp, k).last_height
    emptying = _phase(full - low, np.maximum(times - long, 0.0), c, r_exp, k)
    in_release = times >= long
    alveolar = np.where(in_release, low + emptying.last_height, high - filling.last_height)
    return {
        "airway_pressure": np.broadcast_to(np.where(in_release, low, high), alveolar.shape),
        "alveolar_pressure": alveolar,
        "flow": np.where(in_release, -emptying.last_flow, filling.last_flow),
        "volume": c * alveolar,
    }


def initial_flow(height, resistance, resistance_quadratic):
    """Flow [L s-1] that a pressure `height` [cmH2O] drives: K Q^2 + R Q = height.

    The root is written so that nothing cancels, down to K = 0.

    Examples
    --------
    >>> initial_flow(np.array([20.0, 20.0]), 10.0, np.array([0.0, 10.0])).tolist()
    [2.0, 1.0]
    """
    discriminant = resistance * resistance + 4.0 * resistance_quadratic * np.abs(height)
    return 2.0 * height / (resistance + np.sqrt(discriminant))


def _phase(height, duration, compliance, resistance, resistance_quadratic):
    """Run a phase from the pressure across the airway at its start [cmH2O]."""
    length = duration / (resistance * compliance * L_PER_ML)
    return _follow(None, height, length, resistance, resistance_quadratic)[0]


def _follow(near, height, length, resistance, resistance_quadratic):
    """Run a phase, starting from the decay of one that is `near` or, if None, from none.

    Returns the phase and where the exponent was still moving.
    """
    flow = initial_flow(height, resistance, resistance_quadratic)
    bend = resistance_quadratic * np.abs(flow)
    excess = 2.0 * bend / resistance
    near = _closed_form(length, excess) if near is None else near
    decay = _sharpened(near, length, excess)
    moving = np.abs(decay.exponent - near.exponent) > STEP * np.minimum(decay.exponent, 1.0)
    fall = flow * decay.spent * (resistance + bend * (1.0 + decay.left))
    return Phase(resistance, resistance_quadratic, excess, flow, fall, *decay), moving


def _decay(exponent):
    """Return an exponent with 1 - exp(-u) and exp(-u)."""
    return Decay(exponent, -np.expm1(-exponent), np.exp(-exponent))


def _closed_form(length, excess):
    """Return the decay by the Wright omega function."""
    with_logarithm = np.log(np.maximum(excess, SMALLEST_EXCESS)) + excess - length
    return _decay(length + (wrightomega(with_logarithm) - excess))


def _sharpened(near, length, excess):
    """Improve a decay by one step of Halley's method on u + x (1 - exp(-u)) = T.

    After the closed form it wins back the digits that T - x + omega cancels in short phases; from
    the decay of a phase that is near it saves the omega function, which costs more than all else.
    T / (1 + x) is always below the solution.
    """
    slope = 1.0 + excess * near.left
    newton = (length - near.exponent - excess * near.spent) / slope
    halley = newton / np.maximum(1.0 - 0.5 * newton * (slope - 1.0) / slope, 0.5)
    return _decay(np.maximum(near.exponent + halley, length / (1.0 + excess)))


def _settle(
    p_high,
    p_low,
    t_high,
    t_low,
    compliance,
    resistance_insp,
    resistance_exp,
    resistance_quadratic,
):
    """Find the settled cycle: its two phases, the pressure that a release starts from, and where.

    The one unknown is that pressure above P low, `height`. What the release lets fall must equal
    what T high raises. The height at the end of a phase changes with that at its start by the
    factor last flow / first flow, so the slope is exact and free.
    """
    drop = p_high - p_low
    length_insp = t_high / (resistance_insp * compliance * L_PER_ML)
    length_exp = t_low / (resistance_exp * compliance * L_PER_ML)
    k = resistance_quadratic
    height, fill, release = _first_guess(
        drop, length_insp, length_exp, resistance_insp, resistance_exp, k
    )
    release, moving_exp = _follow(release, height, length_exp, resistance_exp, k)
    opening = drop - height + release.fall
    fill, moving_insp = _follow(fill, opening, length_insp, resistance_insp, k)
    for _ in range(PASSES):
        step = _step(fill, release)
        stepping = np.abs(step) > STEP * np.minimum(height, opening)
        loose = stepping | moving_exp | moving_insp
        height = np.minimum(np.maximum(height + step, 0.125 * height), drop)
        release, moving_exp = _follow(release, height, length_exp, resistance_exp, k)
        opening = drop - height + release.fall
        fill, moving_insp = _follow(fill, opening, length_insp, resistance_insp, k)
        if np.count_nonzero(loose) <= FEW * loose.size:
            break
    if not np.any(loose):
        return fill, release, height, True
    inputs = (height, drop, length_insp, length_exp, resistance_insp, resistance_exp, k)
    fill_alone, release_alone, height_alone, settled_alone = _bracketed(
        *(np.broadcast_to(value, np.shape(loose))[loose] for value in inputs)
    )
    return (
        Phase(*(_patched(*pair, loose) for pair in zip(fill, fill_alone, strict=True))),
        Phase(*(_patched(*pair, loose) for pair in zip(release, release_alone, strict=True))),
        _patched(height, height_alone, loose),
        _patched(True, settled_alone, loose),
    )


def _first_guess(drop, length_insp, length_exp, resistance_insp, resistance_exp, k):
    """Height and decays of the linear lung with the resistances at half the flow P high drives."""
    slow_insp = 1.0 + 0.5 * k * initial_flow(drop, resistance_insp, k) / resistance_insp
    slow_exp = 1.0 + 0.5 * k * initial_flow(drop, resistance_exp, k) / resistance_exp
    fill, release = _decay(length_insp / slow_insp), _decay(length_exp / slow_exp)
    return drop * (fill.spent / (fill.spent + fill.left * release.spent)), fill, release


def _step(fill, release):
    """Halley step of the height towards the settled cycle [cmH2O]."""
    slope = release.spent + fill.spent * release.left
    newton = (fill.fall - release.fall) / slope
    curvature = release.left**2 * _bend(fill) - fill.left * _bend(release)
    return newton / np.maximum(1.0 + 0.5 * newton * curvature / slope, 0.5)


def _bend(phase):
    """Return how last / first flow changes with the pressure at the start [cmH2O-1]."""
    excess_slope = 2.0 * phase.resistance_quadratic / (phase.resistance**2 * (1.0 + phase.excess))
    return phase.left * phase.spent * excess_slope / (1.0 + phase.excess * phase.left)


def _bracketed(height, drop, length_insp, length_exp, resistance_insp, resistance_exp, k):
    """Settle the few cases that the passes over all left, each within a shrinking bracket.

    What T high raises less what the release lets fall only shrinks as the height grows, so its
    sign says on which side the solution lies. Returns what `_settle` returns.
    """
    low, high, settled = np.zeros_like(height), drop, np.zeros(np.shape(height), dtype=bool)
    for _ in range(BRACKETED_STEPS):
        release, _ = _follow(None, height, length_exp, resistance_exp, k)
        opening = drop - height + release.fall
        fill, _ = _follow(None, opening, length_insp, resistance_insp, k)
        if np.all(settled):
            break
        step = _step(fill, release)
        settled = np.abs(step) <= STEP * np.minimum(height, opening)
        low, high = np.where(step >= 0.0, height, low), np.where(step <= 0.0, height, high)
        inside = (height + step > low) & (height + step < high)
        # a step that has become small is right even if rounding takes it across the bracket
        height = np.where(inside | settled, np.minimum(height + step, drop), 0.5 * (low + high))
    return fill, release, height, settled


def _patched(whole, part, where):
    """Return `whole` with `part` put in where a mask is true."""
    patched = np.array(np.broadcast_to(whole, np.shape(where)))
    patched[where] = part
    return patched


def _describe(fill, release, height, p_high, p_low, t_high, t_low, compliance, resistance_exp):
    """Outcomes of a cycle from its two phases."""
    trapped = release.last_height
    airway_share = release.airway_share(compliance) - fill.airway_share(compliance)
    return {
        "release_volume": compliance * release.fall,
        "trapped_volume": compliance * trapped,
        "end_high_pressure": p_low + height,
        "end_high_volume": compliance * (p_low + height),
        "end_release_pressure": p_low + trapped,
        "peak_expiratory_flow": release.first_flow,
        "end_release_flow": release.last_flow,
        "mean_alveolar_pressure": (p_high * t_high + p_low * t_low + airway_share)
        / (t_high + t_low),
        "fill_fraction": fill.fraction,
        "exhaled_fraction": release.fraction,
        "time_constant_exp": resistance_exp * compliance * L_PER_ML,
    }


TUBE = Lung(
    name="tube",
    long_name="one compartment, resistance rising with flow",
    source="Rohrer 1915 (from memory); closed form by the Wright omega function",
    parameters=(
        "p_high",
        "p_low",
        "t_high",
        "t_low",
        "compliance",
        "resistance_insp",
        "resistance_exp",
        "resistance_quadratic",
    ),
    solves=SOLVED,
    signals=WAVES,
    solve=solve,
    settle=settle,
    rest=rest,
    cycle=cycle,
    waveform=waveform,
)
