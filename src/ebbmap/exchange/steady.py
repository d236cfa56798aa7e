"""Whether a body can come to rest: CO2 that leaves as fast as it is made, oxygen that lasts.

A balance is what there is over what a steady state needs, less one: negative without one, and
then neither tensions nor contents exist. Sizes: n cases. All functions broadcast.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from ebbmap.array import where
from ebbmap.exchange import co2, co2_stores, oxygen
from ebbmap.units import S_PER_MIN

#: mmHg: no body is taken to live on at a higher arterial CO2 tension. An assumption; CO2 alone
#: anaesthetises dogs at 245 mmHg (Eisele et al., Anesthesiology 1967;28:856, from memory).
HIGHEST_PACO2 = 200.0

#: Halvings of the time to the ceiling: from a day to less than a millisecond.
HALVINGS = 27
LONGEST = 86400.0


def co2_balance(
    co2_production: np.ndarray | float, alveolar_ventilation: np.ndarray | float
) -> Any:
    """Return ventilation over what holds the arterial CO2 at its ceiling, less one [1].

    Parameters
    ----------
    co2_production : array_like, shape (n,)
        CO2 production [mL min-1 STPD], > 0.
    alveolar_ventilation : array_like, shape (n,)
        Alveolar ventilation [L min-1 BTPS], >= 0.

    Returns
    -------
    ndarray, shape (n,)
        -1 where nothing is ventilated, 0 where PaCO2 settles at `HIGHEST_PACO2`.

    Examples
    --------
    >>> co2_balance(200.0, np.array([0.0, 1.726, 4.315])).round(3).tolist()
    [-1.0, 1.0, 4.0]
    """
    needed = co2.STPD_TO_TENSION / HIGHEST_PACO2 * co2_production
    return alveolar_ventilation / needed - 1.0


def steady_paco2(
    co2_production: np.ndarray | float,
    alveolar_ventilation: np.ndarray | float,
    co2_balance: np.ndarray | float,
) -> np.ndarray:
    """Return the arterial CO2 tension of a steady state [mmHg]; NaN where there is none.

    Parameters and shapes as in `co2_balance` and `co2.paco2`.

    Examples
    --------
    >>> steady_paco2(200.0, np.array([0.5, 4.315]), np.array([-0.42, 4.0])).round(2).tolist()
    [nan, 40.0]
    """
    tension = co2.paco2(co2_production, alveolar_ventilation)
    return where(co2_balance >= 0.0, tension, np.nan)


def oxygen_balance(
    alveolar_po2: np.ndarray,
    venous_admixture: np.ndarray,
    arteriovenous_difference: np.ndarray,
    hemoglobin: np.ndarray,
) -> np.ndarray:
    """Return the arterial oxygen content over what the body takes out of it, less one [1].

    Below 0 the venous blood would hold less than nothing: no assumption, only a count of oxygen.

    Parameters
    ----------
    alveolar_po2, venous_admixture, arteriovenous_difference, hemoglobin : array_like, shape (n,)
        As in `oxygen.arterial_oxygen_content`.

    Returns
    -------
    ndarray, shape (n,)
        -1 where the lung takes up nothing; NaN where the alveolar tension is not known.

    Examples
    --------
    >>> oxygen_balance(np.array([100.0, 0.0]), 0.0, 5.0, 15.0).round(2).tolist()
    [2.99, -1.0]
    """
    content = oxygen.arterial_oxygen_content(
        alveolar_po2, venous_admixture, arteriovenous_difference, hemoglobin
    )
    return content / arteriovenous_difference - 1.0


def steady_oxygen_content(
    oxygen_balance: np.ndarray, arteriovenous_difference: np.ndarray
) -> np.ndarray:
    """Return the arterial oxygen content of a steady state [mL dL-1]; NaN where there is none.

    Parameters and shapes as in `oxygen_balance`.

    Examples
    --------
    >>> steady_oxygen_content(np.array([3.0, -0.1]), 5.0).tolist()
    [20.0, nan]
    """
    lasting = where(oxygen_balance < 0.0, np.nan, oxygen_balance)
    return (1.0 + lasting) * arteriovenous_difference


def time_to_ceiling(
    alveolar_ventilation: np.ndarray | float,
    co2_production: np.ndarray | float,
    *,
    start: float = co2.USUAL_PACO2,
    **stores: Any,
) -> np.ndarray:
    """Return how long the arterial CO2 tension takes to its ceiling [s].

    Parameters
    ----------
    alveolar_ventilation, co2_production : array_like, shape (n,)
        As in `co2_balance`.
    start : float
        Tension at time 0 [mmHg].
    **stores : array_like, shape (n,)
        The two CO2 stores, as in `co2_stores.paco2_course`.

    Returns
    -------
    ndarray, shape (n,)
        NaN where a steady state exists, or the ceiling is more than a day away.

    Examples
    --------
    >>> stores = dict(co2_store_fast=30.0, co2_store_slow=60.0, co2_store_exchange=7.0)
    >>> round(float(time_to_ceiling(0.0, 200.0, **stores)) / 60.0, 1)
    66.3
    """
    balance = np.asarray(co2_balance(co2_production, alveolar_ventilation))
    low, high = np.zeros(balance.shape), np.full(balance.shape, LONGEST)

    def reached(seconds: np.ndarray) -> np.ndarray:
        course = co2_stores.paco2_course(
            seconds[..., None], start, alveolar_ventilation, co2_production, **stores
        )
        above: np.ndarray = course[..., 0] >= HIGHEST_PACO2
        return above

    never = ~reached(high)
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        above = reached(middle)
        low, high = where(above, low, middle), where(above, middle, high)
    return where((balance >= 0.0) | never, np.nan, high)


def minutes_words(seconds: float) -> str:
    """Return how long CO2 takes to its ceiling, in words.

    Examples
    --------
    >>> minutes_words(1260.0)
    '21 minutes from 40 to 200 mmHg'
    """
    times = f"{seconds / S_PER_MIN:.0f} minutes"
    return f"{times} from {co2.USUAL_PACO2:g} to {HIGHEST_PACO2:g} mmHg"
