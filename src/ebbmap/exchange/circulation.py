"""Circulation: an index of what the pressure in the chest takes from the venous return.

Raised intracranial pressure is not modelled: the mean airway pressure stands beside the
published warning. Sizes: n cases. All functions broadcast.
"""

from __future__ import annotations

import numpy as np

from ebbmap.array import maximum
from ebbmap.units import CMH2O_PER_MMHG


def venous_return_change(
    mean_pleural_pressure: np.ndarray,
    gradient_loss_share: np.ndarray,
    venous_return_gradient: np.ndarray,
) -> np.ndarray:
    """Relative change of the venous return, an index and not a prediction of flow.

    Parameters
    ----------
    mean_pleural_pressure : array_like, shape (n,)
        Mean rise of the pleural pressure above that of the relaxed chest [cmH2O].
    gradient_loss_share : array_like, shape (n,)
        Share of that rise by which the gradient falls [1].
    venous_return_gradient : array_like, shape (n,)
        Mean systemic filling pressure less right atrial pressure before that rise [mmHg], > 0.

    Returns
    -------
    ndarray, shape (n,)
        Between -1 (no gradient is left) and 0 for a rise [1].

    Notes
    -----
    Venous return is (MSFP - RAP) / RVR. With a share of 1 the right atrial pressure rises by the
    whole pleural rise and the filling pressure stays; it is less as the atrium empties or the
    filling pressure rises too (reflexes, fluids, abdominal pressure). The resistance is taken to
    stay, so it cancels and the change is that of the gradient.

    References
    ----------
    .. [1] Guyton's equation, as reviewed by Beard DA and Feigl EO, Am J Physiol Heart Circ
       Physiol 2011;301:H629, and Berger D and Takala J 2018 (PMC6186556).

    Examples
    --------
    >>> round(float(venous_return_change(4.7, 1.0, 8.0)), 3)
    -0.432
    """
    loss = mean_pleural_pressure * gradient_loss_share * (1.0 / CMH2O_PER_MMHG)
    return maximum(-loss / venous_return_gradient, -1.0)
