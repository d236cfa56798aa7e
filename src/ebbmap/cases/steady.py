"""What is said of cases without a steady state: why, which numbers are lost, how long it takes."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from ebbmap.cases.evaluate import NO_STEADY_STATE, resolve
from ebbmap.exchange.steady import minutes_words, time_to_ceiling
from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.registries.steady import BALANCES, steady_words

#: Parameters of the two CO2 stores.
STORES = ("co2_store_fast", "co2_store_slow", "co2_store_exchange")


def seconds_to_ceiling(solved: xr.Dataset) -> xr.DataArray:
    """Return how long CO2 takes to its ceiling [s], with the two CO2 stores.

    Parameters
    ----------
    solved : Dataset
        Cases with `alveolar_ventilation`, and their parameters as coordinates.

    Returns
    -------
    DataArray, shape of the cases
        NaN where there is a steady state, or nothing is known.
    """
    names = ("co2_production", *STORES)
    given = {str(name): solved[name] for name in solved.coords if name in names}
    held: dict[str, Any] = resolve({n: a.values for n, a in given.items()}, names) | given
    seconds: xr.DataArray = xr.apply_ufunc(
        lambda ventilation, production, *stores: time_to_ceiling(
            ventilation, production, **dict(zip(STORES, stores, strict=True))
        ),
        solved["alveolar_ventilation"],
        *(held[name] for name in names),
    )
    return seconds


def unsteady_words(solved: xr.Dataset) -> np.ndarray:
    """Return why cases have no steady state, and how long that takes; empty where they have one.

    Parameters
    ----------
    solved : Dataset
        Cases with the balances of CO2 and oxygen as far as they are known, and
        `alveolar_ventilation`.

    Returns
    -------
    ndarray of str, shape of the cases

    Examples
    --------
    >>> from ebbmap.cases.simulate import simulate
    >>> str(unsteady_words(simulate(compliance=5.0, co2_production=200.0)))
    'no steady state: CO₂ keeps rising; with 66 minutes from 40 to 200 mmHg'
    """
    known = [name for name in BALANCES if name in solved]
    balances = [solved[name].values for name in known]
    seconds = seconds_to_ceiling(solved).values if known else np.full((), np.nan)

    def words(duration: float, *values: float) -> str:
        said = steady_words(dict(zip(known, map(np.asarray, values), strict=True)))
        return f"{said}; with {minutes_words(duration)}" if np.isfinite(duration) else said

    return np.asarray(np.vectorize(words, otypes=[object])(seconds, *balances), dtype=str)


def lost_outcomes(case: xr.Dataset) -> list[str]:
    """Return the outcomes of one case that have no value for want of a steady state."""
    if int(case["status"]) != NO_STEADY_STATE:
        return []
    return [str(n) for n in case.data_vars if n in OUTCOMES and np.isnan(float(case[n]))]
