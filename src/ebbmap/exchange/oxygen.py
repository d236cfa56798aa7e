"""Oxygen: alveolar gas, blood through closed lung, content, arterial tension and saturation.

The dissociation curve is the standard one (37 degrees, pH 7.4): its shift by pH and CO2 is not
modelled. Sizes: n cases. All functions broadcast.
"""

from __future__ import annotations

import numpy as np

from ebbmap.array import TINY, exp, maximum, sqrt, square, where

#: mmHg: water vapour in gas at 37 degrees; textbook constant.
WATER_VAPOUR = 47.0

#: Severinghaus, J Appl Physiol 1979;46:599, equation 1: mmHg^3 and mmHg^2.
CURVE_SCALE, CURVE_LINEAR = 23400.0, 150.0

#: mL g-1 and mL dL-1 mmHg-1: oxygen that haemoglobin binds and plasma dissolves; textbook values.
BOUND, DISSOLVED = 1.34, 0.003

#: dL L-1: cardiac output is counted in litres, content in decilitres.
DL_PER_L = 10.0

#: First guess of the inversion, fitted here so that one step leaves less than 1e-3: the steep part
#: of the curve, and the root p of p^3 (p + v) = 1, which the plateau is close to.
STEEP = (2.74, 1.64)
FLAT_SLOPE, FLAT_BEND = 0.565, 0.68

#: Where the plateau begins for that guess, as a multiple of the plateau's own scale of tension.
PLATEAU = 2.0


def alveolar_po2(
    fio2: np.ndarray,
    paco2: np.ndarray,
    barometric_pressure: np.ndarray,
    respiratory_quotient: np.ndarray,
) -> np.ndarray:
    """Oxygen tension in the alveoli by the full alveolar gas equation.

    Parameters
    ----------
    fio2 : array_like, shape (n,)
        Inspired oxygen fraction [1].
    paco2, barometric_pressure : array_like, shape (n,)
        Arterial CO2 tension, pressure of the surroundings [mmHg].
    respiratory_quotient : array_like, shape (n,)
        CO2 produced per oxygen consumed [1], > 0.

    Returns
    -------
    ndarray, shape (n,)
        Tension [mmHg], >= 0; 0 where so much CO2 leaves no room for oxygen.

    Notes
    -----
    F (PB - 47) - PaCO2 (F + (1 - F) / R).

    Examples
    --------
    >>> round(float(alveolar_po2(0.21, 40.0, 760.0, 0.8)), 2)
    101.83
    """
    inspired = fio2 * (barometric_pressure - WATER_VAPOUR)
    replaced = paco2 * (fio2 + (1.0 - fio2) / respiratory_quotient)
    return maximum(inspired - replaced, 0.0)


def closed_fraction(
    mean_alveolar_pressure: np.ndarray,
    collapsible_share: np.ndarray,
    half_closed_pressure: np.ndarray,
    closing_width: np.ndarray,
) -> np.ndarray:
    """Share of the lung that is closed, taken from the mean alveolar pressure [1].

    A stand-in for lungs without an open fraction of their own, and an assumption: closing and
    opening pressures are spread about one value, and only the mean pressure counts.

    Parameters
    ----------
    mean_alveolar_pressure : array_like, shape (n,)
        [cmH2O].
    collapsible_share : array_like, shape (n,)
        Share of the lung that closes when nothing holds it open [1].
    half_closed_pressure, closing_width : array_like, shape (n,)
        Where half of that share is closed, and how widely the units are spread [cmH2O].

    Returns
    -------
    ndarray, shape (n,)
        Between 0 and `collapsible_share`; falls as the pressure rises.

    Examples
    --------
    >>> float(closed_fraction(12.5, 0.4, 12.5, 3.0))
    0.2
    """
    above = (mean_alveolar_pressure - half_closed_pressure) / closing_width
    return collapsible_share / (1.0 + exp(above))


def closed_fraction_of_units(
    recruitable_share: np.ndarray,
    open_fraction_end_high: np.ndarray,
    open_fraction_end_release: np.ndarray,
    t_high: np.ndarray,
    t_low: np.ndarray,
    mean_alveolar_pressure: np.ndarray,
    collapsible_share: np.ndarray,
    half_closed_pressure: np.ndarray,
    closing_width: np.ndarray,
) -> np.ndarray:
    """Share of the lung that is closed: of units that open and close, else from the pressure [1].

    Parameters
    ----------
    recruitable_share : array_like, shape (n,)
        Share of the lung that can open and close [1]; 0 where the lung does not solve for it.
    open_fraction_end_high, open_fraction_end_release : array_like, shape (n,)
        Share of all units that are open at the ends of T high and T low [1].
    t_high, t_low : array_like, shape (n,)
        Set times [s]: the two ends stand for their phases, as the lung mostly moves early in each.
    mean_alveolar_pressure, collapsible_share, half_closed_pressure, closing_width
        As in `closed_fraction`, which holds where `recruitable_share` is 0.

    Examples
    --------
    >>> share = np.array([0.0, 0.4])
    >>> closed_fraction_of_units(share, 1.0, 0.8, 3.0, 1.0, 12.5, 0.4, 12.5, 3.0).round(3).tolist()
    [0.2, 0.05]
    """
    open_share = open_fraction_end_high * t_high + open_fraction_end_release * t_low
    solved = 1.0 - open_share / (t_high + t_low)
    assumed = closed_fraction(
        mean_alveolar_pressure, collapsible_share, half_closed_pressure, closing_width
    )
    return where(recruitable_share > 0.0, solved, assumed)


def venous_admixture(
    shunt_baseline: np.ndarray, closed_fraction: np.ndarray, closed_perfusion_ratio: np.ndarray
) -> np.ndarray:
    """Share of the blood that passes the lung without meeting gas (Qs/Qt) [1].

    Parameters
    ----------
    shunt_baseline : array_like, shape (n,)
        Share that would pass even were the lung all open [1].
    closed_fraction : array_like, shape (n,)
        Share of the lung that is closed [1].
    closed_perfusion_ratio : array_like, shape (n,)
        Blood flow through closed over that through open lung of the same size [1], > 0; below 1
        as hypoxia narrows the vessels.

    Examples
    --------
    >>> round(float(venous_admixture(0.05, 0.2, 1.0)), 3)
    0.24
    """
    through_closed = closed_fraction * closed_perfusion_ratio
    share = through_closed / (through_closed + (1.0 - closed_fraction))
    return shunt_baseline + (1.0 - shunt_baseline) * share


def arteriovenous_difference(
    co2_production: np.ndarray, respiratory_quotient: np.ndarray, cardiac_output: np.ndarray
) -> np.ndarray:
    """Oxygen that each decilitre of blood gives off (Fick) [mL dL-1], shape (n,).

    Examples
    --------
    >>> round(arteriovenous_difference(200.0, 0.8, 5.0), 2)
    5.0
    """
    return co2_production / (respiratory_quotient * cardiac_output * DL_PER_L)


def saturation(po2: np.ndarray) -> np.ndarray:
    """Saturation of haemoglobin [1] at an oxygen tension [mmHg], shape (n,).

    References
    ----------
    .. [1] Severinghaus JW, J Appl Physiol 1979;46:599, equation 1.

    Examples
    --------
    >>> round(float(saturation(100.0)), 4)
    0.9775
    """
    cubic = po2 * (square(po2) + CURVE_LINEAR)
    return cubic / (cubic + CURVE_SCALE)


def oxygen_content(saturation: np.ndarray, po2: np.ndarray, hemoglobin: np.ndarray) -> np.ndarray:
    """Oxygen bound and dissolved [mL dL-1].

    Parameters
    ----------
    saturation, po2, hemoglobin : array_like, shape (n,)
        Saturation [1], tension [mmHg], haemoglobin [g dL-1].

    Examples
    --------
    >>> round(oxygen_content(0.95, 90.0, 15.0), 2)
    19.36
    """
    return BOUND * hemoglobin * saturation + DISSOLVED * po2


def content_of_po2(po2: np.ndarray, hemoglobin: np.ndarray) -> np.ndarray:
    """Oxygen content [mL dL-1] on the standard curve, at a tension [mmHg], shape (n,).

    Examples
    --------
    >>> round(float(content_of_po2(100.0, 15.0)), 2)
    19.95
    """
    return oxygen_content(saturation(po2), po2, hemoglobin)


def mixed_content(
    end_capillary_content: np.ndarray,
    venous_admixture: np.ndarray,
    arteriovenous_difference: np.ndarray,
) -> np.ndarray:
    """Oxygen in arterial blood as a mixture of end-capillary and venous blood.

    Parameters
    ----------
    end_capillary_content : array_like, shape (n,)
        [mL dL-1].
    venous_admixture : array_like, shape (n,)
        Share that is venous [1].
    arteriovenous_difference : array_like, shape (n,)
        Arterial less venous content [mL dL-1], > 0.

    Returns
    -------
    ndarray, shape (n,)
        [mL dL-1], >= 0; 0 where the lung cannot take up what the body consumes.

    Notes
    -----
    The shunt equation Qs/Qt = (Cc - Ca) / (Cc - Cv) with Cv = Ca - difference, solved for Ca.

    Examples
    --------
    >>> round(float(mixed_content(20.40, 0.166, 5.17)), 2)
    19.37
    """
    through = 1.0 - venous_admixture
    arterial = end_capillary_content * through - venous_admixture * arteriovenous_difference
    return maximum(arterial, 0.0) / maximum(through, TINY)


def arterial_oxygen_content(
    alveolar_po2: np.ndarray,
    venous_admixture: np.ndarray,
    arteriovenous_difference: np.ndarray,
    hemoglobin: np.ndarray,
) -> np.ndarray:
    """Oxygen in arterial blood when end-capillary blood reaches the alveolar tension [mL dL-1].

    Parameters and shapes as in `mixed_content` and `content_of_po2`.
    """
    end_capillary = content_of_po2(alveolar_po2, hemoglobin)
    return mixed_content(end_capillary, venous_admixture, arteriovenous_difference)


def po2_of_content(content: np.ndarray, hemoglobin: np.ndarray) -> np.ndarray:
    """Oxygen tension at which blood holds a content: the inverse of `content_of_po2`.

    Parameters
    ----------
    content : array_like, shape (n,)
        [mL dL-1], >= 0.
    hemoglobin : array_like, shape (n,)
        [g dL-1], > 0.

    Returns
    -------
    ndarray, shape (n,)
        Tension [mmHg]. NaN where any input is NaN.

    Notes
    -----
    In units of dissolved oxygen, with w the content, u the capacity less the content and c the
    cubic of equation 1, the tension is the one positive root of (P + u) c(P) + 23400 (P - w), a
    quartic that rises and is convex to the right of it. Two Householder steps of third order
    (the error goes with its fourth power) reach rounding, below 1e-12 for tensions up to 1450
    mmHg and haemoglobin within its bounds. A fixed number of steps keeps the answer of a case
    independent of the cases beside it.

    Examples
    --------
    >>> round(float(po2_of_content(content_of_po2(55.0, 12.0), 12.0)), 10)
    55.0
    """
    capacity = hemoglobin * (BOUND / DISSOLVED)
    held = content * (1.0 / DISSOLVED)
    free = capacity - held
    po2 = _guess(held, free, capacity)
    return _improve(_improve(po2, held, free), held, free)


def _guess(held: np.ndarray, free: np.ndarray, capacity: np.ndarray) -> np.ndarray:
    """Guess the tension for `po2_of_content`, better where the quartic is more curved.

    Below the plateau from the ratio of filled to free capacity, exact where both are small. On it
    the quartic is about (P + u) P^3 = 23400 capacity: one curve, which a hyperbola follows, once
    tension and u are scaled by the fourth root of the right side.
    """
    scale = sqrt(sqrt(CURVE_SCALE * capacity))
    edge = PLATEAU * scale
    ratio = held / maximum(free, edge)
    root = sqrt(ratio)
    straight = ratio * (CURVE_SCALE / CURVE_LINEAR)
    steep = straight / (1.0 + root * (STEEP[0] + STEEP[1] * root))
    bend = sqrt(square(free + scale) + FLAT_BEND * square(scale))
    flat = (1.0 - FLAT_SLOPE) * (scale + bend) - FLAT_SLOPE * free
    return where(free > edge, steep, flat)


def _improve(po2: np.ndarray, held: np.ndarray, free: np.ndarray) -> np.ndarray:
    """Take one Householder step of third order towards the root of the quartic."""
    square = po2 * po2
    cubic = (square + CURVE_LINEAR) * po2
    cubic_slope = 3.0 * square + CURVE_LINEAR
    room = po2 + free
    # value and derivatives (over 1, 2 and 6) of (P + u) c(P) + 23400 (P - w)
    value = room * cubic + CURVE_SCALE * (po2 - held)
    first = cubic + room * cubic_slope + CURVE_SCALE
    second = cubic_slope + 3.0 * (po2 * room)
    third = 3.0 * po2 + room
    curve = value * second
    halley = first * first - curve
    return po2 - value * halley / (first * (halley - curve) + value * value * third)


def pao2(arterial_oxygen_content: np.ndarray, hemoglobin: np.ndarray) -> np.ndarray:
    """Arterial oxygen tension [mmHg] from the content [mL dL-1], shape (n,)."""
    return po2_of_content(arterial_oxygen_content, hemoglobin)


def spo2(pao2: np.ndarray) -> np.ndarray:
    """Arterial saturation [1] from the tension [mmHg], shape (n,)."""
    return saturation(pao2)
