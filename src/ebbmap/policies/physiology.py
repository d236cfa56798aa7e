"""How a policy's patients answer in time, and how their disease changes them: plain values.

`body` computes with them, `minutes` lets the disease go on; `ebbmap.files.policy` reads them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Breathing:
    """How own ventilation follows CO2.

    Parameters
    ----------
    slope, spread : float
        Median [L min-1 mmHg-1] and standard deviation of the logarithm over patients.
    threshold, above : float
        CO2 tension under which nobody breathes [mmHg], and by how much a patient's own may lie
        above it, evenly spread.
    at_most : float
        What a patient can do [L min-1].
    """

    slope: float = 0.0
    spread: float = 0.0
    threshold: float = 40.0
    above: float = 0.0
    at_most: float = 0.0


@dataclass(frozen=True)
class Body:
    """How patients answer in time.

    Parameters
    ----------
    breathing : Breathing
        Own ventilation.
    co2_store_fast, co2_store_slow, co2_store_exchange : float
        As in `exchange.co2_stores.paco2_course`.
    oxygen_up, oxygen_down : float
        Rate at which the arterial oxygen tension rises and falls to where it settles [min-1].
    closing, opening : float
        Time constants of the closed share of the lung [min].
    paco2_start : float
        CO2 tension when the mode begins [mmHg].
    """

    breathing: Breathing = Breathing()
    co2_store_fast: float = 65.0
    co2_store_slow: float = 130.0
    co2_store_exchange: float = 7.8
    oxygen_up: float = 1.01
    oxygen_down: float = 0.69
    closing: float = 5.0
    opening: float = 120.0
    paco2_start: float = 50.0


@dataclass(frozen=True)
class Drift:
    """How a disease changes one property of every patient over time.

    Parameters
    ----------
    name : str
        The property.
    hours : tuple of float
        Rising, from 0.
    factors : tuple of float
        What each patient's own value is multiplied by at these hours, straight between them and
        level after the last; 1 at the start.
    """

    name: str
    hours: tuple[float, ...]
    factors: tuple[float, ...]

    def factor(self, minute: float) -> float:
        """Return the factor at a minute.

        Examples
        --------
        >>> Drift("shunt_baseline", (0.0, 2.0), (1.0, 1.5)).factor(60.0)
        1.25
        """
        return float(np.interp(minute / 60.0, self.hours, self.factors))
