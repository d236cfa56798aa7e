"""Gas compression: what the gas in the lung gains in volume when it is no longer under pressure.

The lungs solve for the volume of the chest; a flow sensor at the airway opening sees more, because
gas leaves the pressure of the alveoli. The lungs leave this out; here is its size.
Sizes: n cases. All functions broadcast.
"""

from __future__ import annotations

import numpy as np

from ebbmap.exchange.oxygen import WATER_VAPOUR
from ebbmap.units import CMH2O_PER_MMHG


def expanded_volume(
    end_high_volume: np.ndarray,
    end_high_pressure: np.ndarray,
    release_volume: np.ndarray,
    end_release_pressure: np.ndarray,
    functional_residual_capacity: np.ndarray,
    barometric_pressure: np.ndarray,
) -> np.ndarray:
    """Return the gas that expansion adds to a release at the airway opening [mL].

    Parameters
    ----------
    end_high_volume, release_volume : array_like, shape (n,)
        Gas above the resting volume at the end of T high, and by how much the chest shrinks [mL].
    end_high_pressure, end_release_pressure : array_like, shape (n,)
        Alveolar pressure at the end of T high and of the release [cmH2O].
    functional_residual_capacity : array_like, shape (n,)
        Resting volume [mL].
    barometric_pressure : array_like, shape (n,)
        [mmHg], above that of water vapour.

    Returns
    -------
    ndarray, shape (n,)

    Notes
    -----
    Boyle's law for the dry gas: a volume V at P above the surroundings PB holds V (1 + P / PB), so
    the airway sees (V_high P_high - V_low P_low) / PB beyond the chest's V_high - V_low.

    Examples
    --------
    3 L at 25 cmH2O become 2.5 L at 10:

    >>> round(expanded_volume(1500.0, 25.0, 500.0, 10.0, 1500.0, 760.0), 1)
    51.6
    """
    high = end_high_volume + functional_residual_capacity
    low = high - release_volume
    dry = (barometric_pressure - WATER_VAPOUR) * CMH2O_PER_MMHG
    return (high * end_high_pressure - low * end_release_pressure) / dry


def expanded_share(expanded_volume: np.ndarray, release_volume: np.ndarray) -> np.ndarray:
    """Return the gas that expansion adds, over the release volume [1], shape (n,).

    Examples
    --------
    >>> expanded_share(50.0, 500.0)
    0.1
    """
    return expanded_volume / release_volume
