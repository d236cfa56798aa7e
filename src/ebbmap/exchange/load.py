"""Load on the lung: strain and mechanical power.

While the lung fills, the pressure at the airway opening is P high, so the area of the inflation
limb is known exactly: every millilitre enters at P high. Where the pressure rises with a valve
time, P high is an upper bound. Sizes: n cases. All functions broadcast.
"""

from __future__ import annotations

import numpy as np

#: J cmH2O-1 mL-1: 98.0665 Pa per cmH2O, 1e-6 m3 per mL.
J_PER_CMH2O_ML = 98.0665e-6

#: The rounded constant of the published power formulas, with volume in litres, here per mL.
PUBLISHED_CONSTANT = 0.098e-3


def functional_residual_capacity(
    functional_residual_capacity_per_kg: np.ndarray, predicted_body_weight: np.ndarray
) -> np.ndarray:
    """Resting lung volume by body weight [mL], shape (n,).

    Examples
    --------
    >>> float(functional_residual_capacity(20.0, 70.0))
    1400.0
    """
    return functional_residual_capacity_per_kg * predicted_body_weight


def dynamic_strain(
    release_volume: np.ndarray, functional_residual_capacity: np.ndarray
) -> np.ndarray:
    """Gas moved with each release over the resting lung volume [1].

    Examples
    --------
    >>> dynamic_strain(525.0, 1500.0)
    0.35
    """
    return release_volume / functional_residual_capacity


def total_strain(
    end_high_volume: np.ndarray, functional_residual_capacity: np.ndarray
) -> np.ndarray:
    """Gas above the resting volume, at the end of T high, over the resting volume [1].

    Parameters
    ----------
    end_high_volume : array_like, shape (n,)
        Gas above the relaxation volume at the end of T high [mL].
    functional_residual_capacity : array_like, shape (n,)
        Resting volume: that of the relaxed lung at atmospheric pressure [mL], > 0.

    Notes
    -----
    The reference volume is the lung at rest at zero end-expiratory pressure (the resting volume
    of [1]_; that the given one was measured so is an assumption), so that the same gas gives the
    same strain whether a set P low or trapped gas holds it. What is left at the end of a release
    is static strain, what a release moves is dynamic strain, and this is their sum.

    References
    ----------
    .. [1] Gattinoni et al., Curr Opin Crit Care 2012: injurious when the resting volume is raised
       2 to 3 fold.

    Examples
    --------
    >>> round(total_strain(900.0, 1500.0), 2)
    0.6
    """
    return end_high_volume / functional_residual_capacity


def mechanical_power(
    p_high: np.ndarray, release_volume: np.ndarray, release_rate: np.ndarray
) -> np.ndarray:
    """Work done on the respiratory system per minute, counted from atmospheric pressure.

    Parameters
    ----------
    p_high : array_like, shape (n,)
        Pressure at which the gas goes in [cmH2O].
    release_volume : array_like, shape (n,)
        Gas that goes in and comes out in each settled cycle [mL].
    release_rate : array_like, shape (n,)
        [min-1].

    Returns
    -------
    ndarray, shape (n,)
        Power [J min-1].

    Notes
    -----
    The integral of airway pressure over inspired volume along the inflation limb. The part below
    P low is counted, as the published formulas and limits count PEEP; whether it should be is
    disputed (Wu et al., J Clin Monit Comput 2022: loop area does not depend on PEEP), so
    `mechanical_power_above_p_low` gives the rest by itself.

    The published surrogates for pressure control have the same form with another pressure in the
    place of P high. T high much longer than T low fills the lung, and then both agree with this
    (the first always does). Forms for constant inflation flow do not: spread over a long T high
    the flow would be slow, and they miss the loss in the airways, which a pressure step makes
    large however long it lasts; they come down to `elastic_power`, that is lower by up to
    (P high - end-release pressure) / (2 P high), half where nothing is trapped and P low is 0.

    Examples
    --------
    >>> round(mechanical_power(25.0, 730.4, 10.909), 2)
    19.53
    """
    return p_high * release_volume * release_rate * J_PER_CMH2O_ML


def mechanical_power_above_p_low(
    p_high: np.ndarray, p_low: np.ndarray, release_volume: np.ndarray, release_rate: np.ndarray
) -> np.ndarray:
    """Work per minute counted from P low: what a cycle turns into heat [J min-1].

    The gas goes in at P high and comes out at P low, so this is the area of the whole loop.

    Examples
    --------
    >>> round(mechanical_power_above_p_low(25.0, 5.0, 500.0, 12.0), 2)
    11.77
    """
    return (p_high - p_low) * release_volume * release_rate * J_PER_CMH2O_ML


def elastic_power(
    end_high_pressure: np.ndarray,
    end_release_pressure: np.ndarray,
    release_volume: np.ndarray,
    release_rate: np.ndarray,
) -> np.ndarray:
    """Work per minute that is stored in lung and chest wall while they fill [J min-1].

    Exact where volume rises linearly with pressure; a trapezoid elsewhere.

    Examples
    --------
    >>> round(elastic_power(25.0, 11.7, 730.4, 10.909), 2)
    14.34
    """
    mean = 0.5 * (end_high_pressure + end_release_pressure)
    return mean * release_volume * release_rate * J_PER_CMH2O_ML


def resistive_power(mechanical_power: np.ndarray, elastic_power: np.ndarray) -> np.ndarray:
    """Work per minute that is lost in the airways while the lung fills [J min-1]."""
    return mechanical_power - elastic_power


def mechanical_power_simplified(
    p_high: np.ndarray, release_volume: np.ndarray, release_rate: np.ndarray
) -> np.ndarray:
    """Power by the published simplified form for pressure control [J min-1].

    0.098 rate V (driving pressure + PEEP): with the one counted up to P high, and from the PEEP,
    set or trapped, that the other is, their sum is P high, and the form is exact but for its
    rounded constant.

    References
    ----------
    .. [1] Becher T et al., Intensive Care Med 2019;45:1321 (from memory).

    Examples
    --------
    >>> round(mechanical_power_simplified(20.0, 648.5, 15.0), 2)
    19.07
    """
    return PUBLISHED_CONSTANT * release_rate * release_volume * p_high


def mechanical_power_filling(
    p_high: np.ndarray,
    p_low: np.ndarray,
    fill_fraction: np.ndarray,
    release_volume: np.ndarray,
    release_rate: np.ndarray,
) -> np.ndarray:
    """Power by the published form with the pressure that the lung reaches [J min-1].

    0.098 rate V (P low + (P high - P low) filled fraction). It takes the lung to start at P low
    and leaves out the loss in the airways, so it is too low where T high does not fill the lung.

    References
    ----------
    .. [1] van der Meijden S et al., 2019 (from memory).

    Examples
    --------
    >>> round(mechanical_power_filling(20.0, 5.0, 0.8647, 648.5, 15.0), 2)
    17.13
    """
    reached = p_low + (p_high - p_low) * fill_fraction
    return PUBLISHED_CONSTANT * release_rate * release_volume * reached
