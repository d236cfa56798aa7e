"""Resistance of tracheal tubes by inner diameter, for the tube lung; a fit of our own.

Published: the pressure that air loses at 0.5 L/s in five sizes of tube [1]_. One flow for each
size cannot tell a linear part R Q from a quadratic part K Q^2. The split is therefore an
assumption, the same for all sizes:

- R is laminar flow through a smooth straight tube (Poiseuille), R = 128 mu L / (pi d^4), with
  air at 1.8e-5 Pa s and a length of 30 cm. Nothing in it is fitted.
- K carries all the rest (turbulence, bend, joint, connector) as K = K7 (d / 7 mm)^-n. K7 and n
  come from least squares on the logarithm of K over the five sizes, in closed form: two numbers
  from five measurements. Turbulence alone would give n = 5; the fit gives 4.67 (and K7 = 11.3).

What the fit leaves over, as a share of the measured loss:

    d    [mm]              6.0     6.5     7.0     7.5     8.0
    loss measured [cmH2O]  6.64    4.62    3.43    2.30    1.82
    loss fitted   [cmH2O]  6.68    4.63    3.30    2.41    1.79
    difference    [%]      0.6     0.2    -3.8     4.6    -1.5

It claims nothing about other flows than 0.5 L/s beyond the assumed split, nothing about direction
(in and out are taken as alike) and nothing about tubes narrowed by secretions. Outside 6 to 8 mm
it extrapolates.

References
----------
.. [1] Futagawa K et al., BMC Anesthesiology 2017: pressure loss of nasotracheal preformed tubes
   at 30 L/min, air, bench.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

#: Inner diameters [mm] and pressure losses [cmH2O] at MEASURED_FLOW: Futagawa et al. 2017.
MEASURED_DIAMETERS = (6.0, 6.5, 7.0, 7.5, 8.0)
MEASURED_LOSSES = (6.64, 4.62, 3.43, 2.30, 1.82)
MEASURED_FLOW = 0.5
"""[L s-1], 30 L/min."""

#: Viscosity of air at room temperature [Pa s] and tube length [m]: assumptions, see above.
AIR_VISCOSITY = 1.8e-5
TUBE_LENGTH = 0.30

PA_PER_CMH2O = 98.0665
M_PER_MM = 1e-3
L_PER_M3 = 1e3

REFERENCE_DIAMETER = 7.0
"""[mm], where K is `fit()[0]`."""


def laminar_resistance(inner_diameter: npt.ArrayLike) -> np.ndarray:
    """Return the Poiseuille resistance of a smooth straight tube of 30 cm.

    Parameters
    ----------
    inner_diameter : array_like, shape (n,)
        Inner diameter [mm], > 0.

    Returns
    -------
    ndarray, shape (n,)
        Resistance [cmH2O s L-1].

    Examples
    --------
    >>> round(float(laminar_resistance(7.0)), 3)
    0.934
    """
    diameter = np.asarray(inner_diameter, dtype=float) * M_PER_MM
    pascal = 128.0 * AIR_VISCOSITY * TUBE_LENGTH / (np.pi * diameter**4)
    return pascal / (PA_PER_CMH2O * L_PER_M3)


def fit() -> tuple[float, float]:
    """Fit the quadratic part to the measured losses.

    Returns
    -------
    at_reference, exponent : float
        K of a 7 mm tube [cmH2O s2 L-2], and the power of the diameter by which K falls [1].
    """
    diameters = np.array(MEASURED_DIAMETERS)
    rest = np.array(MEASURED_LOSSES) - laminar_resistance(diameters) * MEASURED_FLOW
    across = np.log(diameters / REFERENCE_DIAMETER)
    slope, intercept = np.polyfit(across, np.log(rest / MEASURED_FLOW**2), 1)
    return float(np.exp(intercept)), float(-slope)


def tracheal_tube(inner_diameter: npt.ArrayLike) -> tuple[np.ndarray, np.ndarray]:
    """Return both coefficients of a tracheal tube.

    Parameters
    ----------
    inner_diameter : array_like, shape (n,)
        Inner diameter [mm]; fitted from 6 to 8 mm.

    Returns
    -------
    resistance : ndarray, shape (n,)
        Linear part R [cmH2O s L-1]; add it to the resistances of the airways.
    resistance_quadratic : ndarray, shape (n,)
        K [cmH2O s2 L-2].

    Examples
    --------
    >>> resistance, resistance_quadratic = tracheal_tube(7.5)
    >>> round(float(resistance), 2), round(float(resistance_quadratic), 2)
    (0.71, 8.21)
    """
    at_reference, exponent = fit()
    relative = np.asarray(inner_diameter, dtype=float) / REFERENCE_DIAMETER
    return laminar_resistance(inner_diameter), at_reference * relative**-exponent
