"""The circuit: one nonlinear airway, then two stores that even out by themselves.

The airway drops R q + K |q| q, with another R inwards than outwards. Behind it a fast store (C1,
behind R1) and a slow one (C2, behind R2) hang on one junction. With the volume V of both stores
and the spread d = p1 - p2 of their pressures the whole lung is

    V' = q,    d' = feed q - fade d,    airway pressure = V / C + link d + R q + K |q| q,

where R holds R1 and R2 in parallel as well. Everything is written in the time constant
tau2 = R2 C2, so that nothing is divided by a slow store that vanishes.

Seen from the airway opening, gas that moves between two units and tissue that relaxes (a spring
and a dashpot in series, beside the static spring) are the same circuit: no measurement there
tells them apart. `gas_share` g says how much of the slow store is gas. The rest is stress in the
walls of the fast unit, whose gas is C1 p1 + (1 - g) C2 p2 at the pressure to which p1 and p2 add
up behind R1 and R2 / (1 - g) in parallel; the slow unit's gas is g C2 p2 at p2.
Sizes: n cases.

References
----------
.. [1] Otis AB et al., J Appl Physiol 1956;8:427 (from memory): two units of gas.
.. [2] Jonson B et al., J Appl Physiol 1993;75:132-140 (abstract read): one unit of gas, tissue
   that relaxes within 0.82 s.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from ebbmap.array import maximum, minimum, sqrt, where
from ebbmap.units import L_PER_ML


class Network(NamedTuple):
    """Constants of the circuit, each shape (n,); volumes in L, pressures in cmH2O, times in s."""

    compliance: np.ndarray
    compliance_fast: np.ndarray
    compliance_slow: np.ndarray
    resistance_insp: np.ndarray
    """What a flow that has just begun meets inwards, quadratic part apart [cmH2O s L-1]."""
    resistance_exp: np.ndarray
    resistance_quadratic: np.ndarray
    link: np.ndarray
    """Pressure behind the airway by the spread, at equal volume [1]."""
    feed: np.ndarray
    """[cmH2O L-1]"""
    fade: np.ndarray
    """[s-1]"""
    share_fast: np.ndarray
    """Part of the flow that the fast store takes while the spread is nought [1]."""
    share_slow: np.ndarray
    """1 - share_fast [1], with all its digits."""
    crossing: np.ndarray
    """Flow from the fast to the slow store by the spread, while the airway is closed."""
    gas_share: np.ndarray
    """Share of the slow store that is gas [1]."""
    emptying_time: np.ndarray
    """Mean time that gas of a full lung stays in an endless release, tube apart [s]."""
    limited_resistance: np.ndarray
    """Recoil over the greatest flow outwards [cmH2O s L-1]; 0 where no flow is limited."""

    def fast_pressure(self, volume: np.ndarray, spread: np.ndarray) -> Any:
        """Pressure of the fast store [cmH2O]."""
        return (volume + self.compliance_slow * spread) / self.compliance

    def slow_pressure(self, volume: np.ndarray, spread: np.ndarray) -> Any:
        """Pressure of the slow store [cmH2O]."""
        return (volume - self.compliance_fast * spread) / self.compliance

    def fast_gas(self, volume: np.ndarray, spread: np.ndarray) -> Any:
        """Gas in the fast unit [L]."""
        return volume - self.slow_gas(volume, spread)

    def slow_gas(self, volume: np.ndarray, spread: np.ndarray) -> Any:
        """Gas in the slow unit [L]."""
        return self.gas_share * self.compliance_slow * self.slow_pressure(volume, spread)

    def fast_alveoli(self, volume: np.ndarray, spread: np.ndarray) -> Any:
        """Pressure of the gas in the fast unit [cmH2O]."""
        tissue = self.share_slow * (1.0 - self.gas_share)
        here = self.share_fast * self.compliance_slow - tissue * self.compliance_fast
        return (volume + spread * here / (self.share_fast + tissue)) / self.compliance

    def alveoli(self, volume: np.ndarray, spread: np.ndarray) -> Any:
        """Pressure of all gas, weighted by static compliance [cmH2O]."""
        slow = self.gas_share * self.compliance_slow / self.compliance
        return (1.0 - slow) * self.fast_alveoli(volume, spread) + slow * self.slow_pressure(
            volume, spread
        )

    def fast_flow(self, flow: np.ndarray, spread: np.ndarray) -> Any:
        """Flow of gas into the fast unit [L s-1]."""
        return flow - self.slow_flow(flow, spread)

    def slow_flow(self, flow: np.ndarray, spread: np.ndarray) -> Any:
        """Flow of gas into the slow unit [L s-1]."""
        return self.gas_share * (self.share_slow * flow + self.crossing * spread)

    def times(self, resistance: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Time constants of the quick and the late mode behind a constant resistance [s]."""
        quick = (1.0 / self.compliance + self.link * self.feed) / resistance
        product = self.fade / (self.compliance * resistance)
        half = 0.5 * (quick + self.fade)
        rate = half + sqrt(maximum(half * half - product, 0.0))
        return 1.0 / rate, rate / product


def network(
    compliance: np.ndarray,
    slow_volume_share: np.ndarray,
    time_constant_slow: np.ndarray,
    resistance_insp: np.ndarray,
    resistance_exp: np.ndarray,
    own_resistance_share: np.ndarray,
    resistance_quadratic: np.ndarray,
    slow_tissue_share: np.ndarray,
    upstream_resistance: np.ndarray | float = 0.0,
) -> Network:
    """Return the constants of the circuit.

    Parameters
    ----------
    compliance : array_like, shape (n,)
        Of both stores [mL cmH2O-1], > 0.
    slow_volume_share : array_like, shape (n,)
        The slow store's share of it [1], 0 to below 1.
    time_constant_slow : array_like, shape (n,)
        R2 C2 [s], > 0.
    resistance_insp, resistance_exp : array_like, shape (n,)
        From the airway opening to the fast store, in and out, tube's quadratic part apart
        [cmH2O s L-1], > 0.
    own_resistance_share : array_like, shape (n,)
        R1 as a share of the smaller of the two [1], 0 to 1.
    resistance_quadratic : array_like, shape (n,)
        K [cmH2O s2 L-2], >= 0.
    slow_tissue_share : array_like, shape (n,)
        Share of the slow store that is stress in tissue [1], 0 to 1; the rest is gas.
    upstream_resistance : array_like, shape (n,)
        Recoil over the greatest expiratory flow, from the fast store to where the airway is
        compressed [cmH2O s L-1]; 0 where no flow is limited.

    Examples
    --------
    >>> one = network(50.0, 0.0, 4.0, 10.0, 12.0, 0.3, 0.0, 0.0)
    >>> float(one.link), float(one.resistance_exp)
    (0.0, 12.0)
    """
    whole = compliance * L_PER_ML
    slow = whole * slow_volume_share
    fast = whole - slow
    own = own_resistance_share * minimum(resistance_insp, resistance_exp)
    together = own * slow + time_constant_slow
    share_fast, share_slow = time_constant_slow / together, own * slow / together
    behind = own * share_fast
    lag = time_constant_slow - own * fast
    emptying = own * fast * fast / whole + time_constant_slow * slow / whole
    return Network(
        compliance=whole,
        compliance_fast=fast,
        compliance_slow=slow,
        resistance_insp=resistance_insp - own + behind,
        resistance_exp=resistance_exp - own + behind,
        resistance_quadratic=resistance_quadratic,
        link=slow * lag / (whole * together),
        feed=lag / (fast * together),
        fade=whole / (fast * together),
        share_fast=share_fast,
        share_slow=share_slow,
        crossing=slow / together,
        gas_share=1.0 - slow_tissue_share,
        emptying_time=(resistance_exp - own) * whole + emptying,
        limited_resistance=where(
            upstream_resistance > 0.0,
            maximum(upstream_resistance - own, 0.0) + behind,
            0.0,
        ),
    )
