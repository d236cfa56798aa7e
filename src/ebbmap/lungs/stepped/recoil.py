"""Recoil: a sigmoid lung in series with a straight chest wall.

The lung's curve is that of Venegas, V = a + b / (1 + exp(-(P - c) / d)), written so that volume is
zero at zero pressure and the lung's compliance is greatest at P = c:

    k = 1 / d (curvature),   b = 4 C_lung / k,   a = -b s(-c),   s(P) = 1 / (1 + exp(-k (P - c)))

As k goes to 0 it becomes V = C_lung P. `compliance` is therefore always that of the respiratory
system (lung and wall) at the steepest point, all units open. The wall holds a share of that
elastance, the lung the rest. Units that are closed hold no gas: V of gas in an open fraction x
recoils like V / x in the whole lung.
Sizes: n cases. Volumes [mL], pressures [cmH2O], elastances [cmH2O mL-1], curvature [cmH2O-1].

References
----------
.. [1] Venegas JG, Harris RS, Simon BA, J Appl Physiol 1998;84:389.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from ebbmap.array import exp, expm1, floats, log1p, maximum

#: cmH2O-1: below this the curve is straight to 1e-12, and no branch is needed for zero.
LEAST_CURVATURE = 1e-7

#: The lung keeps this share of the elastance where the wall is said to hold all of it.
LEAST_LUNG_SHARE = 1e-9

#: As near as a share of the span may come to the ends of the curve.
EDGE = 1e-18

#: Shares of the pressure: rounding, and the Newton step below which the next would be lost in it.
ROUNDING, SMALL_STEP = 2e-15, 1e-8

#: Most steps that a bracketed Newton search may take; it needs about five.
SEARCH_STEPS = 80


def elastances(
    compliance: np.ndarray | float, chest_wall_share: np.ndarray | float
) -> tuple[Any, Any]:
    """Return the elastance of the lung at its steepest point and of the wall, shape (n,).

    Examples
    --------
    >>> lung, wall = elastances(50.0, 0.4)
    >>> round(float(lung), 4), round(float(wall), 4)
    (0.012, 0.008)
    """
    lung_share = maximum(1.0 - floats(chest_wall_share), LEAST_LUNG_SHARE)
    return lung_share / compliance, (1.0 - lung_share) / compliance


def position(
    pressure: np.ndarray | float, curvature: np.ndarray | float, inflection: np.ndarray | float
) -> Any:
    """Return the share of the span, s(P), shape (n,).

    Examples
    --------
    >>> float(position(12.0, 0.1, 12.0))
    0.5
    """
    return 1.0 / (1.0 + exp(curvature * (inflection - pressure)))


def lung_volume(
    pressure: np.ndarray | float,
    elastance: np.ndarray | float,
    curvature: np.ndarray | float,
    inflection: np.ndarray | float,
) -> Any:
    """Return the gas in the whole lung, all units open, at a transpulmonary pressure, shape (n,).

    Examples
    --------
    >>> round(float(lung_volume(10.0, 0.012, 1e-7, 12.0)), 3)
    833.333
    """
    # s(P) - s(0) as one product, which keeps its digits where the curve is nearly straight
    rise = (
        position(pressure, curvature, inflection)
        * position(inflection, curvature, 0.0)
        * -expm1(-curvature * pressure)
    )
    return rise * 4.0 / (elastance * curvature)


def lung_compliance(
    pressure: np.ndarray | float,
    elastance: np.ndarray | float,
    curvature: np.ndarray | float,
    inflection: np.ndarray | float,
) -> Any:
    """Return the compliance of the whole lung, all units open, shape (n,) [mL cmH2O-1].

    Examples
    --------
    >>> round(float(lung_compliance(12.0, 0.0125, 0.1, 12.0)), 6)
    80.0
    """
    share = position(pressure, curvature, inflection)
    rest = position(2.0 * inflection - pressure, curvature, inflection)
    return 4.0 * share * rest / elastance


def transpulmonary_pressure(
    pressure: np.ndarray,
    lung_elastance: np.ndarray,
    wall_elastance: np.ndarray,
    curvature: np.ndarray,
    inflection: np.ndarray,
    open_fraction: np.ndarray,
) -> np.ndarray:
    """Return the lung's part of a static pressure across lung and wall, shape (n,) [cmH2O].

    Parameters
    ----------
    pressure : ndarray, shape (n,)
        Static pressure of the relaxed respiratory system [cmH2O], >= 0.
    lung_elastance, wall_elastance : ndarray, shape (n,)
        From `elastances`.
    curvature, inflection : ndarray, shape (n,)
        Of the lung's curve.
    open_fraction : ndarray, shape (n,)
        Share of units that are open, > 0.

    Notes
    -----
    Solves P_L + E_wall x V(P_L) = P by Newton's method between brackets.
    """
    low, high = np.zeros_like(pressure), pressure
    guess: np.ndarray = (
        pressure * lung_elastance / (lung_elastance + wall_elastance * open_fraction)
    )
    pull = 4.0 * wall_elastance * open_fraction / lung_elastance
    at_rest = np.exp(curvature * inflection)
    reach = pull / curvature * at_rest / (1.0 + at_rest)
    before = np.full_like(guess, np.inf)
    for _ in range(SEARCH_STEPS):
        # the equations of `lung_volume` and `lung_compliance`, with one exponential for both
        rise = -np.expm1(-curvature * guess)
        beyond = at_rest * (1.0 - rise)
        share = 1.0 / (1.0 + beyond)
        excess = guess + reach * share * rise - pressure
        step = excess / (1.0 + pull * beyond * share * share)
        low, high = np.where(excess < 0.0, guess, low), np.where(excess > 0.0, guess, high)
        better = guess - step
        # Newton may hop between the two flat ends for ever: halve when it does not gain
        size = np.abs(excess)
        gains = (size <= ROUNDING * pressure) | (
            (size <= 0.5 * before) & (better >= low) & (better <= high)
        )
        guess, before = np.where(gains, better, 0.5 * (low + high)), size
        if (gains & (np.abs(step) <= SMALL_STEP * pressure)).all():
            break
    return guess


def recoil(
    volume: np.ndarray,
    open_fraction: np.ndarray,
    lung_elastance: np.ndarray,
    curvature: np.ndarray,
    rest: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Return the transpulmonary pressure of a volume, and its slope, shape (n,) each.

    Parameters
    ----------
    volume : ndarray, shape (n,)
        Gas in the lung [mL].
    open_fraction : ndarray, shape (n,)
        Share of units that are open, > 0.
    lung_elastance, curvature : ndarray, shape (n,)
        As in `transpulmonary_pressure`.
    rest : ndarray, shape (n,)
        Share of the span at zero pressure, ``position(0, curvature, inflection)``.

    Returns
    -------
    pressure, slope : ndarray, shape (n,)
        Pressure [cmH2O] and its derivative by the gas in the lung [cmH2O mL-1].
    """
    rise = volume / open_fraction * (0.25 * lung_elastance * curvature)
    # outside the span there is no pressure; a trial step that lands there is held at the edge
    fill = maximum(rest + rise, EDGE)
    left = maximum(1.0 - rest - rise, EDGE)
    pressure = log1p(maximum(rise / (rest * left), np.finfo(float).eps - 1.0)) / curvature
    return pressure, lung_elastance / (4.0 * fill * left * open_fraction)
