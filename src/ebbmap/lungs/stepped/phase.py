"""One phase of a passive lung without memory: the time it takes, as an integral over pressure.

With z the distance of the transpulmonary pressure from the one at which flow would end,

    T = integral of theta(z) dz / z from z_end to z_start,   theta = C_lung(z) z / Q(z)

theta is the time constant of the moment; in a linear lung it is R C and T = R C ln(z_start/z_end).
The integral is theta(0) ln(v_start/v_end) plus a smooth rest, by Gauss-Legendre nodes in v, where
(R v + K v^2) / s = z: in a linear lung with K > 0 the rest is a constant, and one node is exact.
Sizes: n cases. Times [s], pressures [cmH2O], volumes [mL].
"""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

import numpy as np

from ebbmap.lungs.stepped.cases import Cases
from ebbmap.lungs.stepped.recoil import position
from ebbmap.lungs.stepped.recruitment import held_open, open_fraction
from ebbmap.units import L_PER_ML


class Phase(NamedTuple):
    """One phase of n cases, ndarray of shape (n,) each.

    Parameters
    ----------
    duration : ndarray, shape (n,)
        How long it lasts [s].
    end : ndarray, shape (n,)
        Transpulmonary pressure at which flow would end [cmH2O].
    compliance : ndarray, shape (n,)
        Of the open lung at `end` [mL cmH2O-1].
    beyond, before : ndarray, shape (n,)
        Shares of the lung's span beyond `end` and on the side that the phase comes from. They
        add up to one; both are kept, so that neither loses its digits.
    curvature, wall : ndarray, shape (n,)
        Curvature of the lung [cmH2O-1], elastance of the wall [cmH2O mL-1].
    resistance, quadratic, limit : ndarray, shape (n,)
        R [cmH2O s L-1], K [cmH2O s2 L-2], g R (0 while filling).
    """

    duration: np.ndarray
    end: np.ndarray
    compliance: np.ndarray
    beyond: np.ndarray
    before: np.ndarray
    curvature: np.ndarray
    wall: np.ndarray
    resistance: np.ndarray
    quadratic: np.ndarray
    limit: np.ndarray

    def at(self, index: np.ndarray) -> Phase:
        """Return the phase of some of the cases."""
        return Phase(*(field[index] for field in self))

    @property
    def stretch(self) -> np.ndarray:
        """Pressure across lung and wall per pressure across the lung, where flow would end."""
        ratio: np.ndarray = 1.0 + self.wall * self.compliance
        return ratio

    def drop(self, z: np.ndarray) -> np.ndarray:
        """Return the pressure drop along the airway at a distance z, shape (n,) [cmH2O]."""
        pressure: np.ndarray = z + self.wall * self.gas(z)
        return pressure

    def gas(self, z: np.ndarray) -> np.ndarray:
        """Return the gas still to move when the distance is z, shape (n,) [mL]."""
        moved = -np.expm1(-self.curvature * z)
        narrowing = self.beyond + self.before * (1.0 - moved)
        volume: np.ndarray = self.compliance / self.curvature * moved / narrowing
        return volume

    def flow(self, z: np.ndarray) -> np.ndarray:
        """Return the size of the flow at a distance z, shape (n,) [L s-1]."""
        drop = self.drop(z)
        resistance = self._resistance(drop, z)
        root = np.sqrt(resistance * resistance + 4.0 * self.quadratic * drop)
        size: np.ndarray = 2.0 * drop / (resistance + root)
        return size

    def _resistance(self, drop: np.ndarray, z: np.ndarray) -> np.ndarray:
        """Return the resistance at a drop and a distance, with flow limitation, shape (n,)."""
        if not self.limit.any():
            return self.resistance
        # both go to zero together where flow would end at zero recoil
        recoil = self.end + z
        total: np.ndarray = self.resistance + self.limit * np.where(
            recoil > 0.0, drop / np.where(recoil > 0.0, recoil, 1.0), self.stretch
        )
        return total

    def speed_scale(self, z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return theta(z) [s] and drop(z) / z, shape (n,)."""
        moved = -np.expm1(-self.curvature * z)
        kept = 1.0 - moved
        narrowed = 1.0 / (self.beyond + self.before * kept)
        drop = z + (self.wall * self.compliance / self.curvature) * moved * narrowed
        resistance = self._resistance(drop, z)
        root = np.sqrt(resistance * resistance + 4.0 * self.quadratic * drop)
        ratio = drop / z
        compliance = self.compliance * kept * (narrowed * narrowed)
        return compliance * (resistance + root) * (0.5 * L_PER_ML) / ratio, ratio

    def end_scale(self, end: np.ndarray) -> np.ndarray:
        """Return theta at the end of a phase, where z may have vanished, shape (n,) [s]."""
        return self.speed_scale(np.maximum(end, np.finfo(float).tiny))[0]


@cache
def gauss(count: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the nodes and weights of the Gauss-Legendre rule on [0, 1]."""
    nodes, weights = np.polynomial.legendre.leggauss(count)
    return 0.5 * (nodes + 1.0), 0.5 * weights


def held_fraction(cases: Cases) -> np.ndarray:
    """Return the open fraction of an endless hold at P high, shape (n,)."""
    openness = held_open(cases.p_high, cases.opening_pressure, cases.opening_spread)
    fraction: np.ndarray = open_fraction(openness, cases.recruitable_share)
    return fraction


def phases_of(cases: Cases) -> tuple[Phase, Phase]:
    """Return T high and T low; the open fraction is that of an endless hold at P high."""
    fraction = held_fraction(cases)
    limit = cases.flow_limitation * cases.resistance_exp
    # T high comes from below its end, the release from above it
    end, compliance, below, above = _rest_at(cases, cases.p_high, fraction)
    end_low, compliance_low, below_low, above_low = _rest_at(cases, cases.p_low, fraction)
    lung = {
        "curvature": cases.recoil_curvature,
        "wall": cases.wall_elastance,
        "quadratic": cases.resistance_quadratic,
    }
    high = Phase(
        duration=cases.t_high,
        end=end,
        compliance=compliance,
        beyond=above,
        before=below,
        resistance=cases.resistance_insp,
        limit=np.zeros_like(fraction),
        **lung,
    )
    low = Phase(
        duration=cases.t_low,
        end=end_low,
        compliance=compliance_low,
        beyond=below_low,
        before=above_low,
        resistance=cases.resistance_exp,
        limit=limit,
        **lung,
    )
    return high, low


def _rest_at(
    cases: Cases, pressure: np.ndarray, fraction: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return the lung at rest at a static pressure, shape (n,) each.

    Its recoil [cmH2O], its compliance [mL cmH2O-1], and the shares of its span that lie below
    and above that recoil [1].
    """
    curvature, inflection = cases.recoil_curvature, cases.recoil_inflection
    _, recoil = cases.static_volume(pressure, fraction)
    below = position(recoil, curvature, inflection)
    above = position(2.0 * inflection - recoil, curvature, inflection)
    return recoil, 4.0 * fraction * below * above / cases.lung_elastance, below, above


class Passage(NamedTuple):
    """Integrals over a phase, ndarray of shape (n,) each.

    Parameters
    ----------
    time : ndarray, shape (n,)
        How long it takes [s].
    drop, distance : ndarray, shape (n,)
        Integrals over time of the pressure drop along the airway and of z [cmH2O s].
    """

    time: np.ndarray
    drop: np.ndarray
    distance: np.ndarray


def passage(
    phase: Phase, start: np.ndarray, end: np.ndarray, alpha: np.ndarray, count: int
) -> Passage:
    """Integrate a phase from a distance to another; alpha = ln(start / end), `count` nodes."""
    resistance, quadratic, stretch = phase.resistance, phase.quadratic, phase.stretch
    square, slope = resistance * resistance, 4.0 * quadratic * stretch
    root_start = resistance + np.sqrt(square + slope * start)
    root_end = resistance + np.sqrt(square + slope * end)
    first, last = 2.0 * stretch * start / root_start, 2.0 * stretch * end / root_end
    width = first - last
    linear = phase.compliance * resistance / stretch * L_PER_ML
    time, drop, distance = 0.0, 0.0, 0.0
    limited = phase.limit.any()
    for node, weight in zip(*gauss(count), strict=True):
        v = last + node * width
        ohmic = resistance + quadratic * v
        z = v * ohmic / stretch
        turn = ohmic + quadratic * v
        theta, ratio = phase.speed_scale(z)
        moment = theta * turn / ohmic
        rest = (moment - linear) / v
        if limited:
            rest -= phase.compliance * phase.limit * L_PER_ML * turn / (stretch * (phase.end + z))
        time = time + weight * rest
        passing = weight * theta * turn
        distance = distance + passing
        drop = drop + passing * ratio
    time = width * time + linear * (alpha + np.log(root_end / root_start))
    if limited:
        time = time + phase.compliance * phase.limit * L_PER_ML * _log_recoil(
            phase, start, end, alpha
        )
    return Passage(time, drop * width / stretch, distance * width / stretch)


def _log_recoil(phase: Phase, start: np.ndarray, end: np.ndarray, alpha: np.ndarray) -> np.ndarray:
    """Return the logarithm of the recoil at a phase's start over that at its end, shape (n,)."""
    # at zero recoil both ends scale as the distance, which may have vanished
    above = phase.end > 0.0
    ratio = np.where(above, phase.end + start, 1.0) / np.where(above, phase.end + end, 1.0)
    return np.where(above, np.log(ratio), alpha)
