"""Two compartments behind a shared airway: the two modes of a phase, and what it does.

With y the alveolar pressures less the airway pressure, a phase is dy/dt = -B y with

    B = C^-1 G,    G = M^-1,    M = [[R_fast + R_shared, R_shared], [R_shared, R_slow + R_shared]].

B is similar to the symmetric C^-1/2 G C^-1/2, so its two rates are real and positive and its two
modes can be written without a difference of like numbers, for equal compartments as well.
Sizes: n cases. Pressures [cmH2O], times [s], compliances [mL cmH2O-1], resistances
[cmH2O s L-1].
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from ebbmap.array import absolute, exp, expm1, log, maximum, minimum, sqrt, where
from ebbmap.units import L_PER_ML

#: Stands in for zero under a logarithm and as a divisor.
SMALLEST = 1e-200

#: Of the fast and of the slow compartment.
Pair = tuple[np.ndarray, np.ndarray]

#: Of two compartments: fast-fast, fast-slow, slow-fast, slow-slow.
Matrix = tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]


class Modes(NamedTuple):
    """The two modes of a phase; each shape (n,)."""

    quick_rate: np.ndarray
    """Rate of the quick mode [s-1]."""
    late_rate: np.ndarray
    """Rate of the late mode [s-1], the smaller one."""
    rate_gap: np.ndarray
    """Quick less late rate [s-1]."""
    share: np.ndarray
    """Part of the quick mode in the fast compartment [1]."""
    other_share: np.ndarray
    """1 - share [1], with all its digits."""
    fast_link: np.ndarray
    """How the slow compartment enters the fast one, over the gap of the rates [1]."""
    slow_link: np.ndarray
    """How the fast compartment enters the slow one, over the gap of the rates [1]."""
    fast_conductance: np.ndarray
    """Flow at the airway opening per pressure in the fast compartment [L s-1 cmH2O-1]."""
    slow_conductance: np.ndarray
    """Flow at the airway opening per pressure in the slow compartment [L s-1 cmH2O-1]."""

    def opening_flow(self, fast: np.ndarray, slow: np.ndarray) -> Any:
        """Return the flow at the airway opening [L s-1] from the pressures across the airway."""
        return self.fast_conductance * fast + self.slow_conductance * slow


class Passage(NamedTuple):
    """What a phase of some length does to pressures y across the airway; each shape (n,).

    `spent` is 1 - exp(-B t) and `left` is exp(-B t), each as the four entries fast-fast,
    fast-slow, slow-fast, slow-slow.
    """

    spent: Matrix
    left: Matrix

    def fall(self, fast: np.ndarray, slow: np.ndarray) -> Pair:
        """Return the pressures at the start less those at the end [cmH2O]."""
        return _apply(self.spent, fast, slow)

    def rest(self, fast: np.ndarray, slow: np.ndarray) -> Pair:
        """Return the pressures at the end [cmH2O]."""
        return _apply(self.left, fast, slow)


def modes_of(
    compliance_fast: np.ndarray,
    compliance_slow: np.ndarray,
    resistance_fast: np.ndarray,
    resistance_slow: np.ndarray,
    shared: np.ndarray,
) -> Modes:
    """Return the modes of a phase in which the shared airway resists by `shared`.

    Notes
    -----
    B = [[a, -b_fast], [-b_slow, d]]. With half the difference D = (a - d) / 2 and
    S = sqrt(D^2 + b_fast b_slow) the rates are (a + d) / 2 +- S, and the quick mode lies with
    (S + D) / 2S in the fast compartment. The larger of S + D and S - D is a sum; the other one,
    and the smaller rate, follow from products that are known: nothing cancels.
    """
    determinant = resistance_fast * resistance_slow + shared * (resistance_fast + resistance_slow)
    fast = determinant * compliance_fast * L_PER_ML
    slow = determinant * compliance_slow * L_PER_ML
    fast_rate, slow_rate = (resistance_slow + shared) / fast, (resistance_fast + shared) / slow
    fast_link, slow_link = shared / fast, shared / slow
    half = 0.5 * (fast_rate - slow_rate)
    product = fast_link * slow_link
    root = sqrt(half * half + product)
    large = root + absolute(half)
    small = product / large
    fast_leads = half >= 0.0
    quick_rate = 0.5 * (fast_rate + slow_rate) + root
    gap = 2.0 * root
    return Modes(
        quick_rate=quick_rate,
        late_rate=determinant / (fast * slow * quick_rate),
        rate_gap=gap,
        share=where(fast_leads, large, small) / gap,
        other_share=where(fast_leads, small, large) / gap,
        fast_link=fast_link / gap,
        slow_link=slow_link / gap,
        fast_conductance=resistance_slow / determinant,
        slow_conductance=resistance_fast / determinant,
    )


def passage(modes: Modes, duration: np.ndarray) -> Passage:
    """Return what a phase of a length [s], shape (n,), does; sums of positive terms only."""
    late = modes.late_rate * duration
    late_left, late_spent = exp(-late), -expm1(-late)
    # exp(-late) - exp(-quick)
    between = late_left * -expm1(-modes.rate_gap * duration)
    quick_left, quick_spent = exp(-modes.quick_rate * duration), late_spent + between
    share, other = modes.share, modes.other_share
    fast_slow, slow_fast = between * modes.fast_link, between * modes.slow_link
    fast_spent = quick_spent * share + late_spent * other
    slow_spent = quick_spent * other + late_spent * share
    fast_left = quick_left * share + late_left * other
    slow_left = quick_left * other + late_left * share
    return Passage(
        spent=(fast_spent, -fast_slow, -slow_fast, slow_spent),
        left=(fast_left, fast_slow, slow_fast, slow_left),
    )


def settled_heights(drop: np.ndarray, filling: Passage, emptying: Passage) -> Pair:
    """Return the pressures above P low at the end of T high, in the settled cycle [cmH2O].

    They solve (1 - E_high E_low) y = (1 - E_high) drop with E = exp(-B T). The matrix is taken
    as (1 - E_high) + E_high (1 - E_low), which keeps its digits in short phases.
    """
    raised = _apply(filling.spent, drop, drop)
    columns = (emptying.spent[0], emptying.spent[2]), (emptying.spent[1], emptying.spent[3])
    (ff, sf), (fs, ss) = (_apply(filling.left, *column) for column in columns)
    ff, fs = filling.spent[0] + ff, filling.spent[1] + fs
    sf, ss = filling.spent[2] + sf, filling.spent[3] + ss
    determinant = ff * ss - fs * sf
    fast = (raised[0] * ss - fs * raised[1]) / determinant
    return fast, (raised[1] * ff - sf * raised[0]) / determinant


def pendelluft(
    modes: Modes, duration: np.ndarray, start: Pair, fall: Pair, compliances: Pair
) -> np.ndarray:
    """Return the gas that a compartment moves against the phase before its flow turns [mL].

    Parameters
    ----------
    modes : Modes
        Of the phase.
    duration : array_like, shape (n,)
        How long it lasts [s].
    start, fall : tuple of two array_like, shape (n,)
        Pressures across the airway at its start, and how far they fall, fast and slow [cmH2O].
    compliances : tuple of two array_like, shape (n,)
        Fast and slow [mL cmH2O-1].

    Notes
    -----
    The pressure across a compartment is quick exp(-quick_rate t) + late exp(-late_rate t). Only
    the one whose quick part is negative can run backwards; its pressure then grows until
    exp(-gap t) = turn, with turn = late_rate late / (quick_rate |quick|) below one, and there is
    late exp(-late_rate t) gap / quick_rate.
    """
    fast, slow = start
    fast_quick = modes.share * fast - modes.fast_link * slow
    slow_quick = modes.other_share * slow - modes.slow_link * fast
    is_slow = slow_quick < fast_quick
    here, quick = where(is_slow, slow, fast), minimum(slow_quick, fast_quick)
    late = here - quick
    turn = modes.late_rate * late / maximum(modes.quick_rate * -quick, SMALLEST)
    turn_time = log(minimum(maximum(turn, SMALLEST), 1.0)) / -modes.rate_gap
    greatest = late * exp(-modes.late_rate * turn_time) * modes.rate_gap / modes.quick_rate
    unturned = -where(is_slow, fall[1], fall[0])
    gain = where(turn_time < duration, greatest - here, unturned)
    return where(is_slow, compliances[1], compliances[0]) * maximum(gain, 0.0)


def _apply(matrix: Matrix, fast: np.ndarray, slow: np.ndarray) -> Pair:
    """Return the product of a 2 x 2 matrix, given as four entries, with a pair."""
    return matrix[0] * fast + matrix[1] * slow, matrix[2] * fast + matrix[3] * slow
