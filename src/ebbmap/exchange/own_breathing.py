"""What makes a patient breathe: effort that rises with CO2 and yields to a stretched lung.

Sizes: n cases. All functions broadcast.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from ebbmap.array import maximum, minimum
from ebbmap.exchange.co2 import alveolar_ventilation_of_breaths
from ebbmap.exchange.oxygen import closed_fraction

#: Least share of the drive that is left, so that what is divided by it stays a number.
LEAST_HEEDED = 1e-9


def heeded_share(
    mean_transpulmonary_pressure: np.ndarray | float, effort_inhibition: np.ndarray | float
) -> Any:
    """Return the share of the drive that a stretched lung leaves [1], shape (n,).

    Examples
    --------
    >>> float(heeded_share(10.0, 0.02))
    0.8
    """
    stretch = maximum(mean_transpulmonary_pressure, 0.0)
    return maximum(1.0 - effort_inhibition * stretch, LEAST_HEEDED)


def peak_muscle_pressure(
    paco2: np.ndarray | float,
    mean_transpulmonary_pressure: np.ndarray | float,
    effort_pressure: np.ndarray | float,
    effort_gain: np.ndarray | float,
    effort_set_point: np.ndarray | float,
    effort_limit: np.ndarray | float,
    effort_inhibition: np.ndarray | float,
) -> Any:
    """Return the peak muscle pressure of an effort at a CO2 tension [cmH2O], shape (n,).

    Parameters
    ----------
    paco2 : array_like, shape (n,)
        Arterial CO2 tension [mmHg].
    mean_transpulmonary_pressure : array_like, shape (n,)
        [cmH2O].
    effort_pressure : array_like, shape (n,)
        Peak whatever the tension is [cmH2O].
    effort_gain, effort_set_point : array_like, shape (n,)
        What each mmHg adds [cmH2O mmHg-1], and above which tension [mmHg].
    effort_limit : array_like, shape (n,)
        No tension makes the peak larger than this [cmH2O]; an `effort_pressure` above it stays.
    effort_inhibition : array_like, shape (n,)
        Share of the drive that each cmH2O of mean transpulmonary pressure takes away [cmH2O-1].

    Notes
    -----
    An assumption in its form: straight from a threshold up to a limit. On a ventilator drive is
    silent below a threshold near the tension at rest, and rises about linearly above it.

    Examples
    --------
    >>> float(peak_muscle_pressure(50.0, 10.0, 0.0, 1.0, 42.0, 15.0, 0.0))
    8.0
    """
    heeded = heeded_share(mean_transpulmonary_pressure, effort_inhibition)
    driven = effort_gain * maximum(paco2 - effort_set_point, 0.0) * heeded
    return effort_pressure + minimum(driven, maximum(effort_limit - effort_pressure, 0.0))


def driving_tension(
    peak_muscle_pressure: np.ndarray | float,
    mean_transpulmonary_pressure: np.ndarray | float,
    effort_pressure: np.ndarray | float,
    effort_gain: np.ndarray | float,
    effort_set_point: np.ndarray | float,
    effort_inhibition: np.ndarray | float,
) -> Any:
    """Return the CO2 tension at which an effort has a peak, below its limit [mmHg], shape (n,).

    Parameters as in `peak_muscle_pressure`, whose inverse this is; `effort_gain` > 0.

    Examples
    --------
    >>> float(driving_tension(8.0, 10.0, 0.0, 1.0, 42.0, 0.0))
    50.0
    """
    heeded = heeded_share(mean_transpulmonary_pressure, effort_inhibition)
    above = (peak_muscle_pressure - effort_pressure) / (effort_gain * heeded)
    return effort_set_point + above


def alveolar_ventilation_of_efforts(
    release_rate: np.ndarray,
    gas_beyond_dead_space: np.ndarray,
    alveolar_dead_space_share: np.ndarray,
    spontaneous_alveolar_ventilation: np.ndarray,
    effort_pressure: np.ndarray,
    effort_gain: np.ndarray,
) -> np.ndarray:
    """Return the gas that leaves perfused alveoli per minute, efforts given or driven by CO2.

    Parameters as in `alveolar_ventilation_of_breaths`: own breathing that is given as a number
    counts only where `effort_pressure` and `effort_gain` are both 0 [L min-1 BTPS], shape (n,).

    Examples
    --------
    >>> gain = np.array([0.0, 0.5])
    >>> alveolar_ventilation_of_efforts(10.0, 400.0, 0.25, 1.5, 0.0, gain).tolist()
    [4.5, 3.0]
    """
    return alveolar_ventilation_of_breaths(
        release_rate,
        gas_beyond_dead_space,
        alveolar_dead_space_share,
        spontaneous_alveolar_ventilation,
        maximum(effort_pressure, effort_gain),
    )


def closed_fraction_of_breaths(
    mean_alveolar_pressure: np.ndarray,
    mean_muscle_pressure: np.ndarray,
    collapsible_share: np.ndarray,
    half_closed_pressure: np.ndarray,
    closing_width: np.ndarray,
) -> np.ndarray:
    """Return the share of the lung that is closed, from what stretches it [1], shape (n,).

    Parameters as in `closed_fraction`, with the muscle pressure added to the alveolar one
    [cmH2O]: an effort lowers the pressure of the gas and holds the lung open.

    Examples
    --------
    >>> float(closed_fraction_of_breaths(10.0, 2.5, 0.4, 12.5, 3.0))
    0.2
    """
    held_open = mean_alveolar_pressure + mean_muscle_pressure
    return closed_fraction(held_open, collapsible_share, half_closed_pressure, closing_width)
