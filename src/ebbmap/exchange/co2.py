"""Carbon dioxide: dead space, alveolar ventilation, steady arterial tension and pH.

Gas that is released is taken to clear CO2 as any breath does: the series dead space is washed
first, the rest is alveolar. What the patient breathes is counted once: either the lung model
solves for it (`alveolar_ventilation_of_breaths`), or it is given as a number. Mixing during a
long T high, which lowers the dead space, is not modelled.
Sizes: n cases. All functions broadcast.
"""

from __future__ import annotations

import math

import numpy as np

from ebbmap.array import TINY, log, maximum, where
from ebbmap.units import L_PER_ML

#: mmHg L mL-1: turns mL STPD over L BTPS into a tension at 37 degrees; textbook constant.
STPD_TO_TENSION = 0.863

#: pK' of carbonic acid and solubility of CO2 in plasma [mmol L-1 mmHg-1]; textbook constants.
CARBONIC_PK, CO2_SOLUBILITY = 6.1, 0.03

#: mmHg: tension at which bicarbonate is stated; share of it below which no straight line goes.
USUAL_PACO2, LEAST_BICARBONATE = 40.0, 0.01

#: Decimal logarithm by the natural one.
LOG10_OF_E = 1.0 / math.log(10.0)

#: L min-1: less than this is rounding of the volumes, not ventilation.
LEAST_VENTILATION = 1e-9


def co2_production(
    co2_production_per_kg: np.ndarray | float, predicted_body_weight: np.ndarray | float
) -> np.ndarray | float:
    """CO2 production by body weight [mL min-1 STPD], shape (n,).

    Examples
    --------
    >>> float(co2_production(3.0, 70.0))
    210.0
    """
    return co2_production_per_kg * predicted_body_weight


def airway_dead_space(
    airway_dead_space_per_kg: np.ndarray | float, predicted_body_weight: np.ndarray | float
) -> np.ndarray | float:
    """Volume of the conducting airways by body weight [mL], shape (n,).

    Examples
    --------
    >>> round(airway_dead_space(2.2, 70.0), 1)
    154.0
    """
    return airway_dead_space_per_kg * predicted_body_weight


def gas_beyond_dead_space(
    release_volume: np.ndarray | float,
    airway_dead_space: np.ndarray | float,
    apparatus_dead_space: np.ndarray | float,
) -> np.ndarray:
    """Gas from beyond the series dead space that a release lets out [mL], shape (n,).

    Examples
    --------
    >>> float(gas_beyond_dead_space(500.0, 150.0, 30.0))
    320.0
    """
    return maximum(release_volume - (airway_dead_space + apparatus_dead_space), 0.0)


def dead_space_fraction(
    release_volume: np.ndarray | float,
    airway_dead_space: np.ndarray | float,
    apparatus_dead_space: np.ndarray | float,
    alveolar_dead_space_share: np.ndarray | float,
) -> np.ndarray:
    """Share of the released gas that did not take part in gas exchange (VD/VT) [1].

    Parameters
    ----------
    release_volume, airway_dead_space, apparatus_dead_space : array_like, shape (n,)
        Volumes [mL].
    alveolar_dead_space_share : array_like, shape (n,)
        Share of the gas from beyond the airways that met no blood [1].

    Returns
    -------
    ndarray, shape (n,)
        1 where the release volume does not exceed the dead space in series.

    Examples
    --------
    >>> round(float(dead_space_fraction(500.0, 150.0, 0.0, 0.0)), 3)
    0.3
    """
    beyond = gas_beyond_dead_space(release_volume, airway_dead_space, apparatus_dead_space)
    # a release of nothing is all dead space
    share = beyond / maximum(release_volume, TINY)
    return 1.0 - share * (1.0 - alveolar_dead_space_share)


def alveolar_ventilation(
    release_rate: np.ndarray | float,
    release_volume: np.ndarray | float,
    airway_dead_space: np.ndarray | float,
    apparatus_dead_space: np.ndarray | float,
    alveolar_dead_space_share: np.ndarray | float,
    spontaneous_alveolar_ventilation: np.ndarray | float,
) -> np.ndarray:
    """Gas that leaves perfused alveoli per minute.

    Parameters
    ----------
    release_rate : array_like, shape (n,)
        Releases per minute [min-1].
    release_volume, airway_dead_space, apparatus_dead_space : array_like, shape (n,)
        Volumes [mL].
    alveolar_dead_space_share : array_like, shape (n,)
        Share of the gas from beyond the airways that met no blood [1].
    spontaneous_alveolar_ventilation : array_like, shape (n,)
        What the patient's own breathing adds [L min-1].

    Returns
    -------
    ndarray, shape (n,)
        Alveolar ventilation [L min-1 BTPS]; exactly 0 where no release clears the dead space
        and the patient does not breathe.

    Examples
    --------
    Fourteen releases of 500 mL with 150 mL of dead space (the classroom example):

    >>> round(float(alveolar_ventilation(14.0, 500.0, 150.0, 0.0, 0.0, 0.0)), 3)
    4.9
    """
    beyond = gas_beyond_dead_space(release_volume, airway_dead_space, apparatus_dead_space)
    perfused = (1.0 - alveolar_dead_space_share) * L_PER_ML
    total = release_rate * beyond * perfused + spontaneous_alveolar_ventilation
    return where(total < LEAST_VENTILATION, 0.0, total)


def alveolar_ventilation_of_breaths(
    release_rate: np.ndarray | float,
    gas_beyond_dead_space: np.ndarray | float,
    alveolar_dead_space_share: np.ndarray | float,
    spontaneous_alveolar_ventilation: np.ndarray | float,
    effort_pressure: np.ndarray | float,
) -> np.ndarray:
    """Gas that leaves perfused alveoli per minute, in a lung that solves for its own breaths.

    Parameters
    ----------
    release_rate : array_like, shape (n,)
        Releases per minute [min-1].
    gas_beyond_dead_space : array_like, shape (n,)
        Gas from beyond the series dead space that leaves per cycle, by releases and by breaths
        between and within them [mL].
    alveolar_dead_space_share : array_like, shape (n,)
        Share of it that met no blood [1].
    spontaneous_alveolar_ventilation : array_like, shape (n,)
        What the patient's own breathing adds [L min-1]: counted only where `effort_pressure` is
        0, for with efforts that breathing is solved for and would count twice.
    effort_pressure : array_like, shape (n,)
        Peak inspiratory muscle pressure [cmH2O].

    Returns
    -------
    ndarray, shape (n,)
        Alveolar ventilation [L min-1 BTPS]; exactly 0 where no breath clears the dead space.

    Examples
    --------
    >>> effort = np.array([0.0, 5.0])
    >>> alveolar_ventilation_of_breaths(10.0, 400.0, 0.25, 1.5, effort).tolist()
    [4.5, 3.0]
    """
    perfused = (1.0 - alveolar_dead_space_share) * L_PER_ML
    given = where(effort_pressure > 0.0, 0.0, spontaneous_alveolar_ventilation)
    total = release_rate * gas_beyond_dead_space * perfused + given
    return where(total < LEAST_VENTILATION, 0.0, total)


def paco2(
    co2_production: np.ndarray | float, alveolar_ventilation: np.ndarray | float
) -> np.ndarray:
    """Arterial CO2 tension once intake and output balance.

    Parameters
    ----------
    co2_production : array_like, shape (n,)
        CO2 production [mL min-1 STPD].
    alveolar_ventilation : array_like, shape (n,)
        Alveolar ventilation [L min-1 BTPS], >= 0.

    Returns
    -------
    ndarray, shape (n,)
        PaCO2 [mmHg]; NaN where nothing is ventilated, for there is no balance then.

    Notes
    -----
    PaCO2 = 0.863 VCO2 / VA; inspired gas holds no CO2, arterial equals alveolar tension.

    Examples
    --------
    >>> round(float(paco2(200.0, 4.315)), 2)
    40.0
    """
    ventilation = where(alveolar_ventilation == 0.0, np.nan, alveolar_ventilation)
    return STPD_TO_TENSION * co2_production / ventilation


def arterial_bicarbonate(
    paco2: np.ndarray | float,
    bicarbonate: np.ndarray | float,
    bicarbonate_buffering: np.ndarray | float,
) -> np.ndarray:
    """Return the plasma bicarbonate at a CO2 tension [mmol L-1].

    Parameters
    ----------
    paco2 : array_like, shape (n,)
        Arterial CO2 tension [mmHg].
    bicarbonate : array_like, shape (n,)
        That at 40 mmHg [mmol L-1], > 0.
    bicarbonate_buffering : array_like, shape (n,)
        Bicarbonate gained per CO2 tension [mmol L-1 mmHg-1]: 0.1 as buffers answer within minutes,
        0.35 to 0.4 once the kidneys have answered (textbook rules, from memory).

    Returns
    -------
    ndarray, shape (n,)
        At least a hundredth of that at 40 mmHg, below which the straight line means nothing.

    Examples
    --------
    >>> float(arterial_bicarbonate(60.0, 24.0, 0.1))
    26.0
    """
    gained = bicarbonate_buffering * (paco2 - USUAL_PACO2)
    return maximum(bicarbonate + gained, LEAST_BICARBONATE * bicarbonate)


def ph(paco2: np.ndarray | float, arterial_bicarbonate: np.ndarray | float) -> np.ndarray:
    """Arterial pH by Henderson and Hasselbalch [1], shape (n,).

    Parameters
    ----------
    paco2 : array_like, shape (n,)
        Arterial CO2 tension [mmHg].
    arterial_bicarbonate : array_like, shape (n,)
        Plasma bicarbonate at that tension [mmol L-1].

    Examples
    --------
    >>> round(float(ph(60.0, 26.0)), 2)
    7.26
    """
    return CARBONIC_PK + log(arterial_bicarbonate / (CO2_SOLUBILITY * paco2)) * LOG10_OF_E
