"""What changes from the patient's conventional ventilation: venous return, pressure in the head.

A pressure above that of the surroundings says little: every ventilated patient has it. What a
bedside can compare is the ventilation that the patient had before, of which the monitor shows the
mean airway pressure. Sizes: n cases. All functions broadcast.
"""

from __future__ import annotations

import numpy as np

from ebbmap.array import maximum
from ebbmap.exchange import circulation
from ebbmap.units import ML_PER_L

#: Share of the first gradient below which what conventional ventilation leaves is not compared.
LEAST_GRADIENT = 0.01

#: mL min-1 kg-1 and mmHg: ventilation and PaCO2 that are expected in health (Sinha et al.).
EXPECTED_VENTILATION, EXPECTED_PACO2 = 100.0, 37.5


def mean_pressure_change(
    mean_airway_pressure: np.ndarray, conventional_mean_pressure: np.ndarray
) -> np.ndarray:
    """Return the mean airway pressure less that of conventional ventilation [cmH2O], shape (n,).

    Examples
    --------
    >>> mean_pressure_change(22.0, 18.0)
    4.0
    """
    return mean_airway_pressure - conventional_mean_pressure


def venous_return_from_conventional(
    venous_return_change: np.ndarray,
    conventional_mean_pressure: np.ndarray,
    chest_wall_share: np.ndarray,
    gradient_loss_share: np.ndarray,
    venous_return_gradient: np.ndarray,
) -> np.ndarray:
    """Return the relative change of the venous return from conventional ventilation (index).

    Parameters
    ----------
    venous_return_change : array_like, shape (n,)
        Relative change from a relaxed chest at atmospheric pressure [1].
    conventional_mean_pressure : array_like, shape (n,)
        Mean airway pressure of conventional ventilation [cmH2O], taken for the alveolar one.
    chest_wall_share, gradient_loss_share : array_like, shape (n,)
        Share of a pressure that reaches the pleura, and share of that rise by which the gradient
        for venous return falls [1].
    venous_return_gradient : array_like, shape (n,)
        Before any rise of pressure [mmHg], > 0.

    Returns
    -------
    ndarray, shape (n,)
        -1 where no gradient is left [1]. A gradient below a hundredth of the first one, under
        conventional ventilation, counts as a hundredth.

    Notes
    -----
    Guyton's equation with an unchanged resistance, as in `circulation.venous_return_change`.

    Examples
    --------
    >>> round(float(venous_return_from_conventional(-0.5, 10.0, 0.4, 0.5, 7.0)), 3)
    -0.367
    """
    pleural = conventional_mean_pressure * chest_wall_share
    before = 1.0 + circulation.venous_return_change(
        pleural, gradient_loss_share, venous_return_gradient
    )
    return (1.0 + venous_return_change) / maximum(before, LEAST_GRADIENT) - 1.0


def intracranial_pressure_change(
    mean_pressure_change: np.ndarray, intracranial_pressure_slope: np.ndarray
) -> np.ndarray:
    """Return the change of the intracranial pressure from conventional ventilation [mmHg].

    Parameters
    ----------
    mean_pressure_change : array_like, shape (n,)
        Change of the mean airway pressure [cmH2O].
    intracranial_pressure_slope : array_like, shape (n,)
        Intracranial pressure per airway pressure [mmHg cmH2O-1].

    Notes
    -----
    Measured for PEEP, and there in severe lung injury only: 0.31 (0.07 to 0.54) mmHg per cmH2O in
    341 patients [1]_. That a mean pressure acts as a PEEP does is an assumption. What CO2 does to
    the vessels of the brain is not in it.

    References
    ----------
    .. [1] Boone MD et al., Neurocrit Care 2017;26:174 (abstract read).

    Examples
    --------
    >>> round(intracranial_pressure_change(10.0, 0.31), 2)
    3.1
    """
    return mean_pressure_change * intracranial_pressure_slope


def ventilatory_ratio(
    release_minute_volume: np.ndarray,
    spontaneous_alveolar_ventilation: np.ndarray,
    paco2: np.ndarray,
    predicted_body_weight: np.ndarray,
) -> np.ndarray:
    """Return ventilation times PaCO2 over what is expected in health [1].

    Parameters
    ----------
    release_minute_volume, spontaneous_alveolar_ventilation : array_like, shape (n,)
        Gas by releases, and by the patient's own breathing [L min-1].
    paco2 : array_like, shape (n,)
        [mmHg].
    predicted_body_weight : array_like, shape (n,)
        [kg], > 0.

    Notes
    -----
    Own breathing counts by its alveolar part, as it is given, so the ratio is a little too low
    there; efforts that a lung solves for are not counted.

    References
    ----------
    .. [1] Sinha et al.: ventilation (mL/min) PaCO2 / (weight 100 37.5); 1.6 to 2.1 in lung injury:
       Grieco et al., Crit Care 2020;24:529.

    Examples
    --------
    >>> round(ventilatory_ratio(9.0, 0.0, 50.0, 60.0), 2)
    2.0
    """
    ventilation = (release_minute_volume + spontaneous_alveolar_ventilation) * ML_PER_L
    return ventilation * paco2 / (predicted_body_weight * EXPECTED_VENTILATION * EXPECTED_PACO2)
