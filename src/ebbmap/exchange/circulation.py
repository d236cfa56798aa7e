"""Circulation: an index of what the pressure in the chest takes from the venous return.

Raised intracranial pressure is not modelled: the mean airway pressure stands beside the
published warning. Sizes: n cases. All functions broadcast.
"""

from __future__ import annotations

import numpy as np

from ebbmap.units import CMH2O_PER_MMHG


def venous_return_change(mean_pleural_pressure, venous_return_gradient):
    """Relative change of the venous return, an index and not a prediction of flow.

    Parameters
    ----------
    mean_pleural_pressure : array_like, shape (n,)
        Mean rise of the pleural pressure above that of the relaxed chest [cmH2O].
    venous_return_gradient : array_like, shape (n,)
        Mean systemic filling pressure less right atrial pressure before that rise [mmHg], > 0.

    Returns
    -------
    ndarray, shape (n,)
        Between -1 (no gradient is left) and 0 for a rise [1].

    Notes
    -----
    Venous return is (MSFP - RAP) / RVR. The right atrial pressure is taken to rise by the whole
    pleural rise, filling pressure and resistance to stay: so the change is that of the gradient,
    and the resistance cancels. Reflexes, fluids and a rise of the abdominal pressure, which all
    lift the filling pressure, make the true loss smaller.

    References
    ----------
    .. [1] Guyton's equation, as reviewed by Beard DA and Feigl EO, Am J Physiol Heart Circ
       Physiol 2011;301:H629, and Berger D and Takala J 2018 (PMC6186556).

    Examples
    --------
    >>> round(float(venous_return_change(4.7, 8.0)), 3)
    -0.432
    """
    rise = mean_pleural_pressure * (1.0 / CMH2O_PER_MMHG)
    return np.maximum(-rise / venous_return_gradient, -1.0)
