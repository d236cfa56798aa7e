"""What carbon dioxide does in minutes: two stores that exchange it, and the tensions over time.

Sizes: n cases, t times. All functions broadcast.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from ebbmap.array import expm1, floats, sqrt, where
from ebbmap.exchange.co2 import STPD_TO_TENSION
from ebbmap.units import S_PER_MIN


def paco2_course(
    times: np.ndarray | float,
    paco2_start: np.ndarray | float,
    alveolar_ventilation: np.ndarray | float,
    co2_production: np.ndarray | float,
    *,
    co2_store_fast: np.ndarray | float,
    co2_store_slow: np.ndarray | float,
    co2_store_exchange: np.ndarray | float,
) -> np.ndarray:
    """Arterial CO2 tension after ventilation or production changes at time 0.

    Two stores: a fast one (lungs, blood, well perfused organs), where CO2 is made and from where
    it is cleared, and a slow one (muscle, fat) that the fast one fills and drains. Both start at
    `paco2_start`.

    Parameters
    ----------
    times : array_like, shape (t,)
        Times after the change [s], >= 0.
    paco2_start : array_like, shape (n,)
        Tension before the change [mmHg].
    alveolar_ventilation : array_like, shape (n,)
        From time 0 on [L min-1 BTPS]; 0 is apnoea.
    co2_production : array_like, shape (n,)
        From time 0 on [mL min-1 STPD].
    co2_store_fast, co2_store_slow : array_like, shape (n,)
        CO2 held per tension [mL mmHg-1], > 0.
    co2_store_exchange : array_like, shape (n,)
        CO2 moved between the stores per difference of tension [mL min-1 mmHg-1], > 0.

    Returns
    -------
    ndarray, shape (n, t)
        Tension [mmHg].

    Notes
    -----
    The jump of arterial towards mixed venous tension in the first 10 s of apnoea is not in the
    model: lungs and blood are one store here. What it gives is the rise after that jump.

    Examples
    --------
    >>> stores = dict(co2_store_fast=30.0, co2_store_slow=60.0, co2_store_exchange=7.0)
    >>> paco2_course([0.0, 60.0], 40.0, 0.0, 200.0, **stores).round(2).tolist()
    [40.0, 45.97]
    """
    start, production = _over_time(paco2_start), _over_time(co2_production)
    clearance = _over_time(alveolar_ventilation) / STPD_TO_TENSION
    stores = _over_time(co2_store_fast), _over_time(co2_store_slow)
    minutes = floats(times) / S_PER_MIN
    entry = _fast_entry(minutes, clearance, *stores, _over_time(co2_store_exchange))
    return start + entry * (production - clearance * start) / stores[0]


def _over_time(values: np.ndarray | float) -> np.ndarray:
    """Return values with an axis for time behind, shape (n, 1)."""
    return floats(values)[..., None]


def _fast_entry(
    minutes: np.ndarray | float,
    clearance: np.ndarray | float,
    fast: np.ndarray | float,
    slow: np.ndarray | float,
    exchange: np.ndarray | float,
) -> np.ndarray:
    """Entry of the integral of exp(A s) that moves the fast store by its own slope, shape (n, t).

    The stores obey p' = A p + u, so p(t) = p(0) + [integral of exp(A s) from 0 to t] p'(0). At
    time 0 only the fast store moves, so one entry of that 2x2 integral is needed; written with
    expm1 it also holds in apnoea, where one eigenvalue is 0 and no steady state exists.
    """
    leaving_fast, _, quick, lazy, spread = _store_rates(clearance, fast, slow, exchange)
    quick_part = _integral_of_exponential(quick, minutes) * (leaving_fast + lazy)
    lazy_part = _integral_of_exponential(lazy, minutes) * (leaving_fast + quick)
    return (quick_part - lazy_part) / spread


def _store_rates(
    clearance: np.ndarray | float,
    fast: np.ndarray | float,
    slow: np.ndarray | float,
    exchange: np.ndarray | float,
) -> tuple[Any, ...]:
    """Return how fast each store empties, both eigenvalues, and their distance [min-1]."""
    leaving_fast = (clearance + exchange) / fast
    leaving_slow = exchange / slow
    spread = sqrt((leaving_fast - leaving_slow) ** 2 + 4.0 * exchange**2 / (fast * slow))
    quick = -0.5 * (leaving_fast + leaving_slow + spread)
    # product of the eigenvalues over one of them: no digit lost near apnoea
    lazy = clearance * exchange / (fast * slow) / quick
    return leaving_fast, leaving_slow, quick, lazy, spread


def _integral_of_exponential(rate: np.ndarray | float, minutes: np.ndarray | float) -> np.ndarray:
    """Return the integral of exp(rate s) from 0 to `minutes`, which is `minutes` at rate 0."""
    still = rate == 0.0
    return where(still, minutes, expm1(rate * minutes) / where(still, 1.0, rate))


def co2_stores_after(
    minutes: float,
    paco2: np.ndarray,
    slow_tension: np.ndarray,
    alveolar_ventilation: np.ndarray,
    co2_production: np.ndarray | float,
    *,
    co2_store_fast: np.ndarray | float,
    co2_store_slow: np.ndarray | float,
    co2_store_exchange: np.ndarray | float,
) -> tuple[np.ndarray, np.ndarray]:
    """Return the tensions of both CO2 stores [mmHg] after some minutes, shape (n,) each.

    Model as in `paco2_course`; with p' = A p + u, the integral of exp(A s) is g A + h.

    Examples
    --------
    >>> stores = dict(co2_store_fast=30.0, co2_store_slow=60.0, co2_store_exchange=7.0)
    >>> [round(float(p), 2) for p in co2_stores_after(1.0, 40.0, 40.0, 0.0, 200.0, **stores)]
    [45.97, 40.35]
    """
    clearance = alveolar_ventilation / STPD_TO_TENSION
    exchanged = co2_store_exchange * (slow_tension - paco2)
    slope_fast = (co2_production - clearance * paco2 + exchanged) / co2_store_fast
    slope_slow = -exchanged / co2_store_slow
    stores = co2_store_fast, co2_store_slow, co2_store_exchange
    leaving_fast, leaving_slow, quick, lazy, spread = _store_rates(clearance, *stores)
    lazy_part = _integral_of_exponential(lazy, minutes)
    g = (lazy_part - _integral_of_exponential(quick, minutes)) / spread
    h = lazy_part - lazy * g
    gained = co2_store_exchange / co2_store_fast
    return (
        paco2 + g * (gained * slope_slow - leaving_fast * slope_fast) + h * slope_fast,
        slow_tension + g * leaving_slow * (slope_fast - slope_slow) + h * slope_slow,
    )
