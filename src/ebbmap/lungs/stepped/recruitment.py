"""Recruitment: how many units are open, and how fast they open and close.

A share r of the lung can open and close; s in [0, 1] is how much of that share is open, and the
open fraction of the lung is x = 1 - r (1 - s). Units open above their own opening pressure and
close below their own closing pressure, both normal over the lung, each with a time constant:

    ds/dt = max(F_open(P) - s, 0) / T_open - max(s - F_close(P), 0) / T_close

P is the static pressure of the whole respiratory system, the one that the published pressures are
read on; in a passive patient it is the alveolar pressure. Between the two curves nothing moves, so
the open fraction depends on what came before. A unit that closes hands its gas to those still
open: the gas in the lung does not change, its pressure rises.
Sizes: n cases.

References
----------
.. [1] Crotti S et al., Am J Respir Crit Care Med 2001;164:131 (normal opening and closing
   pressures, modes 20 and 5 cmH2O).
.. [2] Neumann P et al., J Appl Physiol 1998;85:1533 (collapse and opening within 4 s, part of it
   within 0.6 s).
"""

from __future__ import annotations

from typing import Any

import numpy as np

from ebbmap.special import normal_cdf

#: Of the standard normal distribution.
PEAK_DENSITY = 1.0 / np.sqrt(2.0 * np.pi)


def open_fraction(openness: np.ndarray | float, recruitable_share: np.ndarray | float) -> Any:
    """Return the share of all units that are open, shape (n,).

    Examples
    --------
    >>> open_fraction(0.5, 0.25)
    0.875
    """
    return 1.0 - recruitable_share * (1.0 - openness)


def held_open(
    pressure: np.ndarray | float, mode: np.ndarray | float, spread: np.ndarray | float
) -> Any:
    """Return the share of recruitable units whose own pressure lies below `pressure`, (n,).

    Examples
    --------
    >>> float(held_open(20.0, 20.0, 6.0))
    0.5
    """
    return normal_cdf((pressure - mode) / spread)


def margins(
    openness: np.ndarray,
    pressure: np.ndarray,
    opening_pressure: np.ndarray,
    opening_spread: np.ndarray,
    closing_pressure: np.ndarray,
    closing_spread: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Return how far the openness lies below what opens and above what stays open, shape (n,) each.

    Units open while the first is positive and close while the second is.
    """
    return (
        held_open(pressure, opening_pressure, opening_spread) - openness,
        openness - held_open(pressure, closing_pressure, closing_spread),
    )


def density(
    pressure: np.ndarray | float, mode: np.ndarray | float, spread: np.ndarray | float
) -> Any:
    """Return the derivative of `held_open` by the pressure, shape (n,) [cmH2O-1].

    Examples
    --------
    >>> round(float(density(20.0, 20.0, 6.0)), 4)
    0.0665
    """
    distance = (pressure - mode) / spread
    return np.exp(-0.5 * distance * distance) * (PEAK_DENSITY / spread)
