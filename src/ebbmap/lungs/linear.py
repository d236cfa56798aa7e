"""One compartment with constant resistances: the two-phase cycle in closed form.

Sizes: n cases, t time points. Pressures [cmH2O], times [s], compliance [mL cmH2O-1],
resistances [cmH2O s L-1]. All functions broadcast.
"""

from __future__ import annotations

import numpy as np

from ebbmap.lungs.base import SOLVED, WAVES, Lung
from ebbmap.units import L_PER_ML


def solve(p_high, p_low, t_high, t_low, compliance, resistance_insp, resistance_exp):
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
        Resistance while filling and while emptying [cmH2O s L-1], > 0.

    Returns
    -------
    dict of str to ndarray, shape (n,)
        The outcomes in `SOLVED`, in registry units.

    Notes
    -----
    With a = exp(-T_high / tau_I), b = exp(-T_low / tau_E), the settled end-release pressure is
    P_low + (P_high - P_low) b (1 - a) / (1 - a b). The differences from one are taken with expm1
    and 1 - a b = (1 - a) + a (1 - b), so that no digit is lost for very short phases.

    References
    ----------
    .. [1] Single-compartment exponential filling and emptying; textbook form.

    Examples
    --------
    >>> settled = solve(25.0, 0.0, 60.0, 0.5, 50.0, 10.0, 10.0)
    >>> round(float(settled["release_volume"]), 2)
    790.15
    """
    fill, empty, left, time_constant_exp = _phases(
        t_high, t_low, compliance, resistance_insp, resistance_exp
    )
    # the pressure above P low at the end of T high
    height = (p_high - p_low) * (fill / (fill + (1.0 - fill) * empty))
    return _describe(
        height,
        fill,
        empty,
        left,
        time_constant_exp,
        p_high,
        p_low,
        t_high,
        t_low,
        compliance,
        resistance_insp,
        resistance_exp,
    )


def settle(p_high, p_low, t_high, t_low, compliance, resistance_insp, resistance_exp):
    """Return the state of the settled cycle: alveolar pressure when a release ends [cmH2O].

    Parameters
    ----------
    p_high, p_low, t_high, t_low, compliance, resistance_insp, resistance_exp : array_like
        As in `solve`.

    Returns
    -------
    ndarray, shape (n,)
        Alveolar pressure at the end of a release [cmH2O].

    Examples
    --------
    >>> round(float(settle(25.0, 0.0, 60.0, 0.5, 50.0, 10.0, 10.0)), 3)
    9.197
    """
    fill, empty, left, _ = _phases(t_high, t_low, compliance, resistance_insp, resistance_exp)
    return p_low + (p_high - p_low) * (fill / (fill + (1.0 - fill) * empty)) * left


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
):
    """Run one cycle from an alveolar pressure at the end of the previous release.

    Parameters
    ----------
    end_release_pressure : array_like, shape (n,)
        State: alveolar pressure when T high begins [cmH2O].
    p_high, p_low, t_high, t_low, compliance, resistance_insp, resistance_exp : array_like
        As in `solve`.

    Returns
    -------
    outcomes : dict of str to ndarray, shape (n,)
        The outcomes in `SOLVED` for this cycle. The mean alveolar pressure is this cycle's own.
    state : ndarray, shape (n,)
        Alveolar pressure at the end of this release [cmH2O].

    Examples
    --------
    >>> start = dict(p_high=25.0, p_low=0.0, t_high=5.0, t_low=0.5)
    >>> lung = dict(compliance=60.0, resistance_insp=15.0, resistance_exp=25.0)
    >>> _, first = cycle(5.0, **start, **lung)
    >>> bool(first > 5.0)
    True
    """
    fill, empty, left, time_constant_exp = _phases(
        t_high, t_low, compliance, resistance_insp, resistance_exp
    )
    start = end_release_pressure - p_low
    height = start + (p_high - end_release_pressure) * fill
    outcomes = _describe(
        height,
        fill,
        empty,
        left,
        time_constant_exp,
        p_high,
        p_low,
        t_high,
        t_low,
        compliance,
        resistance_insp,
        resistance_exp,
    )
    # a lung that has not settled takes in another volume than it lets out
    surplus = outcomes["end_release_pressure"] - end_release_pressure
    weight = compliance * resistance_insp * L_PER_ML / (t_high + t_low)
    outcomes["mean_alveolar_pressure"] = outcomes["mean_alveolar_pressure"] - surplus * weight
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
):
    """Return what a monitor would draw over one cycle.

    Parameters
    ----------
    end_release_pressure : array_like, shape (n,)
        State: alveolar pressure when T high begins [cmH2O].
    times : array_like, shape (t,)
        From the start of T high, within one cycle [s].
    p_high, p_low, t_high, t_low, compliance, resistance_insp, resistance_exp : array_like
        As in `cycle`.

    Returns
    -------
    dict of str to ndarray, shape (n, t)
        The signals in `WAVES`.

    Examples
    --------
    >>> mechanics = dict(compliance=50.0, resistance_insp=10.0, resistance_exp=10.0)
    >>> drawn = waveform(
    ...     5.0, [0.0, 1.0], p_high=25.0, p_low=0.0, t_high=1.0, t_low=0.5, **mechanics
    ... )
    >>> drawn["flow"].round(3).tolist()
    [2.0, -2.229]
    """
    state, high, low, long, c, r_insp, r_exp = (
        np.asarray(value, dtype=float)[..., None]
        for value in (
            end_release_pressure,
            p_high,
            p_low,
            t_high,
            compliance,
            resistance_insp,
            resistance_exp,
        )
    )
    times = np.asarray(times, dtype=float)
    in_release = times >= long
    tau_insp, tau_exp = c * r_insp * L_PER_ML, c * r_exp * L_PER_ML
    unfilled = (high - state) * np.exp(-np.minimum(times, long) / tau_insp)
    height = high - low - (high - state) * np.exp(-long / tau_insp)
    unreleased = height * np.exp(-np.maximum(times - long, 0.0) / tau_exp)
    alveolar = np.where(in_release, low + unreleased, high - unfilled)
    return {
        "airway_pressure": np.broadcast_to(np.where(in_release, low, high), alveolar.shape),
        "alveolar_pressure": alveolar,
        "flow": np.where(in_release, -unreleased / r_exp, unfilled / r_insp),
        "volume": c * alveolar,
    }


def _phases(t_high, t_low, compliance, resistance_insp, resistance_exp):
    """Return 1 - a, 1 - b, b and the expiratory time constant.

    b is taken by itself and not as a difference, so that a trapped pressure far below rounding
    of P high keeps its digits; a enters only beside terms that it cannot spoil.
    """
    time_constant_exp = compliance * resistance_exp * L_PER_ML
    x = t_low / -time_constant_exp
    fill = -np.expm1(t_high / (compliance * resistance_insp * -L_PER_ML))
    return fill, -np.expm1(x), np.exp(x), time_constant_exp


def _describe(
    height,
    fill,
    empty,
    left,
    time_constant_exp,
    p_high,
    p_low,
    t_high,
    t_low,
    compliance,
    resistance_insp,
    resistance_exp,
):
    """Outcomes of a cycle from its pressures above P low at end of high and end of release.

    Over a settled cycle the mean alveolar pressure is the mean airway pressure plus
    (R_E - R_I) V / T: what the airway takes while filling, less what it takes while emptying.
    """
    release_volume = compliance * height * empty
    trapped = height * left
    peak_flow = height / resistance_exp
    airway_share = release_volume * (resistance_exp - resistance_insp) * L_PER_ML
    return {
        "release_volume": release_volume,
        "trapped_volume": compliance * trapped,
        "end_high_pressure": p_low + height,
        "end_high_volume": compliance * (p_low + height),
        "end_release_pressure": p_low + trapped,
        "peak_expiratory_flow": peak_flow,
        "end_release_flow": peak_flow * left,
        "mean_alveolar_pressure": (p_high * t_high + p_low * t_low + airway_share)
        / (t_high + t_low),
        "fill_fraction": fill,
        "exhaled_fraction": empty,
        "time_constant_exp": time_constant_exp,
    }


LINEAR = Lung(
    name="linear",
    long_name="one compartment, constant resistances",
    source="single-compartment closed form; textbook",
    parameters=(
        "p_high",
        "p_low",
        "t_high",
        "t_low",
        "compliance",
        "resistance_insp",
        "resistance_exp",
    ),
    solves=SOLVED,
    signals=WAVES,
    solve=solve,
    settle=settle,
    rest=rest,
    cycle=cycle,
    waveform=waveform,
)
