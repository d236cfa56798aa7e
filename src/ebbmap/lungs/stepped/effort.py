"""Effort: a train of half-sine inspiratory muscle pressures at the patient's own rate.

The clock counts the time since the last effort began. Sizes: n cases. Times [s].
"""

from __future__ import annotations

from typing import Any

import numpy as np

from ebbmap.array import floats, floor, minimum, sin, where
from ebbmap.units import S_PER_MIN

#: Share of a period: nearer than this to a switch counts as past it.
EDGE = 1e-12


def period(effort_rate: np.ndarray | float) -> Any:
    """Return the time from effort to effort, shape (n,).

    Examples
    --------
    >>> float(period(20.0))
    3.0
    """
    return S_PER_MIN / floats(effort_rate)


def length(effort_rate: np.ndarray | float, effort_duration: np.ndarray | float) -> Any:
    """Return how long one effort lasts: as asked, but never longer than the period, shape (n,)."""
    return minimum(effort_duration, period(effort_rate))


def next_switch(
    clock: np.ndarray | float, effort_rate: np.ndarray | float, effort_duration: np.ndarray | float
) -> tuple[np.ndarray, np.ndarray]:
    """Return whether an effort is under way, and the time until that changes.

    Returns
    -------
    active : ndarray of bool, shape (n,)
        An effort is under way.
    remaining : ndarray, shape (n,)
        Time until it ends, or until the next one begins [s].

    Examples
    --------
    >>> active, remaining = next_switch(np.array([0.2, 1.0]), 20.0, 0.8)
    >>> active.tolist(), remaining.round(9).tolist()
    ([True, False], [0.6, 2.0])
    """
    whole, part = period(effort_rate), length(effort_rate, effort_duration)
    active = clock < part - EDGE * whole
    return active, np.where(active, part, whole) - clock


def advance(
    clock: np.ndarray | float, elapsed: np.ndarray | float, effort_rate: np.ndarray | float
) -> Any:
    """Return the clock some time later, shape (n,)."""
    whole = period(effort_rate)
    later = np.mod(clock + elapsed, whole)
    return np.where(later > whole * (1.0 - EDGE), 0.0, later)


def muscle_pressure(
    clock: np.ndarray | float,
    active: np.ndarray,
    effort_pressure: np.ndarray | float,
    effort_rate: np.ndarray | float,
    effort_duration: np.ndarray | float,
) -> Any:
    """Return the muscle pressure, inspiratory positive, shape (n,) [cmH2O]."""
    part = length(effort_rate, effort_duration)
    return where(active, effort_pressure * sin(np.pi * clock / part), 0.0)


def muscle_pressure_at(
    clock: np.ndarray | float,
    effort_pressure: np.ndarray | float,
    effort_rate: np.ndarray | float,
    effort_duration: np.ndarray | float,
) -> Any:
    """Return the muscle pressure so long after any effort began, shape (n,) [cmH2O].

    Examples
    --------
    >>> muscle_pressure_at(np.array([0.5, 2.0, 3.5]), 10.0, 20.0, 1.0).round(9).tolist()
    [10.0, 0.0, 10.0]
    """
    whole = period(effort_rate)
    within = clock - whole * floor(clock / whole)
    active = within < length(effort_rate, effort_duration)
    return muscle_pressure(within, active, effort_pressure, effort_rate, effort_duration)


def mean_muscle_pressure(
    effort_pressure: np.ndarray | float,
    effort_rate: np.ndarray | float,
    effort_duration: np.ndarray | float,
) -> Any:
    """Return the muscle pressure, mean over all times, shape (n,) [cmH2O].

    Examples
    --------
    >>> round(float(mean_muscle_pressure(10.0, 20.0, 1.5)), 3)
    3.183
    """
    part = length(effort_rate, effort_duration) / period(effort_rate)
    return effort_pressure * (2.0 / np.pi) * part


def muscle_rate(
    clock: np.ndarray | float,
    active: np.ndarray,
    effort_pressure: np.ndarray | float,
    effort_rate: np.ndarray | float,
    effort_duration: np.ndarray | float,
) -> Any:
    """Return the rate of the muscle pressure, shape (n,) [cmH2O s-1]."""
    part = length(effort_rate, effort_duration)
    return np.where(active, effort_pressure * np.pi / part * np.cos(np.pi * clock / part), 0.0)
