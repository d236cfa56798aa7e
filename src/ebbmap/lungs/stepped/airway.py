"""Airway: resistance by direction, a quadratic part, flow limitation, and the valve.

    pressure drop = R Q + K |Q| Q                       (Rohrer)
    R = R_I while filling,  R = R_E (1 + g drop / P_L) while emptying

The flow limitation g is our own lumped form of an airway that collapses when the drop along it is
large against the lung's recoil P_L: with K = 0 the flow is 1 / (R_E / drop + g R_E / P_L), so
however low the pressure at the mouth, it stays below P_L / (g R_E), and that limit falls as the
lung empties. g = 0 switches it off. Its direction is that of Barbini et al.: a larger resistance
alone does not limit flow, a segment that collapses does. Its size is an assumption.
Sizes: n cases. Flow [L s-1], inward positive; pressures [cmH2O]; R [cmH2O s L-1]; K [cmH2O s2 L-2].

References
----------
.. [1] Rohrer F, Pflugers Arch 1915;162:225 (from memory).
.. [2] Barbini P, Cevenini G, Avanzolini G, Ann Biomed Eng 2003;31:908.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from ebbmap.array import absolute, exp, maximum, sqrt, where

#: cmH2O: recoil below this counts as this, so that a limited flow is small but never undefined.
LEAST_RECOIL = 1e-12

#: s: a valve faster than this is immediate.
FASTEST_VALVE = 1e-9


def flow(
    drive: np.ndarray,
    inward: np.ndarray,
    recoil_pressure: np.ndarray,
    resistance_insp: np.ndarray,
    resistance_exp: np.ndarray,
    resistance_quadratic: np.ndarray,
    flow_limitation: np.ndarray,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the flow and its slopes.

    Parameters
    ----------
    drive : ndarray, shape (n,)
        Airway less alveolar pressure [cmH2O].
    inward : ndarray of bool, shape (n,)
        Which resistance holds; as a rule ``drive >= 0``.
    recoil_pressure : ndarray, shape (n,)
        Transpulmonary pressure [cmH2O].
    resistance_insp, resistance_exp, resistance_quadratic, flow_limitation : ndarray, shape (n,)
        Registry units.

    Returns
    -------
    flow, by_drive, by_recoil : ndarray, shape (n,)
        Flow, and its derivatives by the drive and by the recoil pressure [L s-1 cmH2O-1].
    """
    drop = absolute(drive)
    recoil_pressure = maximum(recoil_pressure, LEAST_RECOIL)
    limit = where(inward, 0.0, flow_limitation * resistance_exp / recoil_pressure)
    resistance = where(inward, resistance_insp, resistance_exp) + limit * drop
    root = sqrt(resistance * resistance + 4.0 * resistance_quadratic * drop)
    size = 2.0 * drop / (resistance + root)
    by_drive = (1.0 - size * limit) / root
    by_recoil = -size * limit * drop / (recoil_pressure * root)
    return where(drive < 0.0, -size, size), by_drive, by_recoil


def valve(
    start: np.ndarray | float,
    target: np.ndarray | float,
    elapsed: np.ndarray | float,
    valve_time: np.ndarray | float,
) -> Any:
    """Return the airway pressure a time after the valve began to move to `target`, shape (n,).

    Examples
    --------
    >>> float(valve(25.0, 0.0, 0.1, 0.0))
    0.0
    """
    left = exp(-elapsed / maximum(valve_time, FASTEST_VALVE))
    return target + (start - target) * where(valve_time > FASTEST_VALVE, left, 0.0)


def settled_airway(
    p_high: np.ndarray | float,
    p_low: np.ndarray | float,
    t_high: np.ndarray | float,
    t_low: np.ndarray | float,
    valve_time: np.ndarray | float,
) -> Any:
    """Return the airway pressure at the end of a release of the settled cycle, shape (n,).

    The mean over the cycle needs no function: a lag of one time constant leaves it as it was set.

    Examples
    --------
    >>> float(settled_airway(25.0, 0.0, 5.0, 0.5, 0.0))
    0.0
    """
    slow = np.maximum(valve_time, FASTEST_VALVE)
    high, low = np.exp(-t_high / slow), np.exp(-t_low / slow)
    both = -np.expm1(-(t_high + t_low) / slow)
    return p_low + (p_high - p_low) * low * (1.0 - high) / both
