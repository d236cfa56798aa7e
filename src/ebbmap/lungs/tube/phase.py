"""One phase behind a bending airway: from the pressure across it to flows, and how far it goes.

A phase is described by three dimensionless numbers. T = duration / (R C) is its length in time
constants of the linear part. x = 2 K Q0 / R is how much the tube bends the decay at the initial
flow Q0 (x = 0: exponential). u = ln(Q0 / Q) is the exponent by which the flow has fallen; it obeys

    u + x (1 - exp(-u)) = T,    solved by    u = T - x + omega(ln x + x - T).

Sizes: n cases. Pressures [cmH2O], times [s], flows [L s-1], resistances [cmH2O s L-1],
resistance_quadratic [cmH2O s2 L-2].
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ebbmap.array import absolute, exp, expm1, log, maximum, minimum, sqrt
from ebbmap.special import wright_omega
from ebbmap.units import L_PER_ML

#: Stands in for x = 0 under the logarithm; omega is then 0 to all digits.
SMALLEST_EXCESS = 1e-300

#: Relative steps at which an iteration stops. Halley's method triples the correct digits: what
#: is wrong after a last step of 1e-4 is below 1e-13 (its cube, times a factor measured < 0.1).
STEP = 1e-4


class Airway(NamedTuple):
    """What a phase runs through; each shape (n,)."""

    length: np.ndarray
    """T = duration / (R C) [1]."""
    resistance: np.ndarray
    """R [cmH2O s L-1]."""
    resistance_quadratic: np.ndarray
    """K [cmH2O s2 L-2]."""

    @classmethod
    def over(
        cls,
        duration: np.ndarray,
        compliance: np.ndarray,
        resistance: np.ndarray,
        resistance_quadratic: np.ndarray,
    ) -> Airway:
        """Return the airway of a phase, by its duration [s] and the lung's compliance."""
        length = duration / (resistance * compliance * L_PER_ML)
        return cls(length, resistance, resistance_quadratic)

    def initial_flow(self, height: np.ndarray) -> np.ndarray:
        """Return the flow [L s-1] that a pressure [cmH2O] across the airway drives."""
        return initial_flow(height, self.resistance, self.resistance_quadratic)


class Decay(NamedTuple):
    """How far a flow has fallen over a phase; each shape (n,)."""

    exponent: np.ndarray
    """u = ln(first flow / last flow) [1]."""
    spent: np.ndarray
    """1 - last flow / first flow [1], with all its digits for a short phase."""
    left: np.ndarray
    """Last flow / first flow [1], with all its digits for a long phase."""

    @classmethod
    def by(cls, exponent: np.ndarray) -> Decay:
        """Return the decay by an exponent."""
        return cls(exponent, -expm1(-exponent), exp(-exponent))


class Phase(NamedTuple):
    """One phase, T high or the release, from its first flow to its last; each shape (n,).

    Flows and pressures are positive when the gas moves as the phase has it: in, then out.
    """

    resistance: np.ndarray
    resistance_quadratic: np.ndarray
    excess: np.ndarray
    """x = 2 K Q0 / R [1]."""
    first_flow: np.ndarray
    fall: np.ndarray
    """Pressure across the airway at the start less that at the end [cmH2O]."""
    exponent: np.ndarray
    spent: np.ndarray
    left: np.ndarray
    """The decay, as in `Decay`."""

    @property
    def last_flow(self) -> np.ndarray:
        """Flow at the end of the phase [L s-1]."""
        flow: np.ndarray = self.first_flow * self.left
        return flow

    @property
    def last_height(self) -> np.ndarray:
        """Pressure across the airway at the end [cmH2O]."""
        flow = self.last_flow
        height: np.ndarray = flow * (self.resistance + self.resistance_quadratic * absolute(flow))
        return height

    @property
    def fraction(self) -> np.ndarray:
        """Gas moved over what an endless phase would move [1]."""
        bend = self.resistance_quadratic * absolute(self.first_flow)
        moved: np.ndarray = (
            self.spent * (self.resistance + bend * (1.0 + self.left)) / (self.resistance + bend)
        )
        return moved

    def airway_share(self, compliance: np.ndarray) -> np.ndarray:
        """Return the integral over the phase of the pressure across the airway [cmH2O s].

        With dt = -C (R / Q + 2 K) dQ it is C times the integral of (R + K Q)(R + 2 K Q) dQ.
        """
        bend = self.resistance_quadratic * absolute(self.first_flow)
        left = self.left
        terms = self.resistance * (self.resistance + 1.5 * bend * (1.0 + left))
        terms = terms + bend * bend * (1.0 + left * (1.0 + left)) * (2.0 / 3.0)
        share: np.ndarray = compliance * L_PER_ML * self.first_flow * self.spent * terms
        return share


def initial_flow(
    height: np.ndarray, resistance: np.ndarray, resistance_quadratic: np.ndarray
) -> np.ndarray:
    """Return the flow [L s-1] that a pressure `height` [cmH2O] drives: K Q^2 + R Q = height.

    The root is written so that nothing cancels, down to K = 0.

    Examples
    --------
    >>> initial_flow(np.array([20.0, 20.0]), 10.0, np.array([0.0, 10.0])).tolist()
    [2.0, 1.0]
    """
    discriminant = resistance * resistance + 4.0 * resistance_quadratic * absolute(height)
    flow: np.ndarray = 2.0 * height / (resistance + sqrt(discriminant))
    return flow


def run_phase(airway: Airway, height: np.ndarray) -> Phase:
    """Run a phase from the pressure across the airway at its start [cmH2O], shape (n,)."""
    return follow(airway, height)[0]


def follow(
    airway: Airway, height: np.ndarray, near: Decay | Phase | None = None
) -> tuple[Phase, np.ndarray]:
    """Run a phase, starting from the decay of one that is near, or from none.

    Parameters
    ----------
    airway : Airway
        What it runs through.
    height : ndarray, shape (n,)
        Pressure across the airway at its start [cmH2O].
    near : Decay or Phase, optional
        How far a phase falls that differs little.

    Returns
    -------
    phase : Phase
    moving : ndarray of bool, shape (n,)
        Where the exponent was still moving.
    """
    flow = airway.initial_flow(height)
    bend = airway.resistance_quadratic * absolute(flow)
    excess = 2.0 * bend / airway.resistance
    near = _closed_form(airway.length, excess) if near is None else near
    decay = _sharpened(near, airway.length, excess)
    moving = absolute(decay.exponent - near.exponent) > STEP * minimum(decay.exponent, 1.0)
    fall = flow * decay.spent * (airway.resistance + bend * (1.0 + decay.left))
    return Phase(*airway[1:], excess, flow, fall, *decay), moving


def _closed_form(length: np.ndarray, excess: np.ndarray) -> Decay:
    """Return the decay by the Wright omega function."""
    with_logarithm = log(maximum(excess, SMALLEST_EXCESS)) + excess - length
    return Decay.by(length + (wright_omega(with_logarithm) - excess))


def _sharpened(near: Decay | Phase, length: np.ndarray, excess: np.ndarray) -> Decay:
    """Improve a decay by one step of Halley's method on u + x (1 - exp(-u)) = T.

    After the closed form it wins back the digits that T - x + omega cancels in short phases; from
    the decay of a phase that is near it saves the omega function, which costs more than all else.
    T / (1 + x) is always below the solution.
    """
    slope = 1.0 + excess * near.left
    newton = (length - near.exponent - excess * near.spent) / slope
    halley = newton / maximum(1.0 - 0.5 * newton * (slope - 1.0) / slope, 0.5)
    return Decay.by(maximum(near.exponent + halley, length / (1.0 + excess)))
