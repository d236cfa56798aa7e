"""Parameters that may be given through others, and the functions that set them.

Each derivation has a trigger: the parameter that, when it is given, asks for it.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np

from ebbmap.array import floats, minimum, where
from ebbmap.exchange.co2 import co2_production
from ebbmap.exchange.load import functional_residual_capacity
from ebbmap.registries.parameters import inputs_of
from ebbmap.units import ML_PER_L, S_PER_MIN

#: Shared part of the resistance: tube and circuit make the time constant three times that of the
#: patient alone (Guttmann et al., Eur Respir J 1995;8:114).
SHARED_PART = 2.0 / 3.0


@dataclass(frozen=True)
class Derivation:
    """One way to set a parameter through others.

    Parameters
    ----------
    target, trigger : str
        What is set, and the given parameter that asks for it.
    function : callable
        Function of parameters by the names of its arguments.
    """

    target: str
    trigger: str
    function: Callable[..., np.ndarray | float]

    @property
    def inputs(self) -> tuple[str, ...]:
        """Names of the parameters that the function takes."""
        return inputs_of(self.function)


def predicted_body_weight(height: np.ndarray, sex: np.ndarray) -> Any:
    """Predicted body weight from height and sex.

    Parameters
    ----------
    height : array_like, shape (n,)
        Body height [cm].
    sex : array_like, shape (n,)
        0 female, 1 male.

    Returns
    -------
    ndarray, shape (n,)
        Predicted body weight [kg].

    Notes
    -----
    50 (male) or 45.5 (female) + 0.91 (height - 152.4).

    References
    ----------
    .. [1] NIH ARDS Network strategy, as restated in BMC Pulm Med 2017 and reference pages.

    Examples
    --------
    >>> round(float(predicted_body_weight(175.0, 1.0)), 2)
    70.57
    """
    return 45.5 + 4.5 * floats(sex) + 0.91 * (floats(height) - 152.4)


def t_low_from_multiple(
    t_low_in_time_constants: np.ndarray, resistance_exp: np.ndarray, compliance: np.ndarray
) -> Any:
    """T low [s] as a multiple of the expiratory time constant R_exp * C, shape (n,).

    Examples
    --------
    >>> float(t_low_from_multiple(1.0, 10.0, 50.0))
    0.5
    """
    return floats(t_low_in_time_constants) * resistance_exp * compliance / ML_PER_L


def t_high_from_multiple(
    t_high_in_time_constants: np.ndarray, resistance_insp: np.ndarray, compliance: np.ndarray
) -> Any:
    """T high [s] as a multiple of the inspiratory time constant R_insp * C, shape (n,).

    Examples
    --------
    >>> float(t_high_from_multiple(5.0, 10.0, 50.0))
    2.5
    """
    return floats(t_high_in_time_constants) * resistance_insp * compliance / ML_PER_L


def t_high_from_frequency(release_frequency: np.ndarray, t_low: np.ndarray) -> Any:
    """T high [s] that leaves so many releases per minute, shape (n,); NaN where T low fills them.

    Examples
    --------
    >>> float(t_high_from_frequency(12.0, 0.5))
    4.5
    """
    left = S_PER_MIN / floats(release_frequency) - t_low
    return where(left > 0.0, left, np.nan)


def t_high_from_share(release_share: np.ndarray, t_low: np.ndarray) -> Any:
    """T high [s] that leaves a share of the cycle in release, shape (n,).

    Examples
    --------
    >>> float(t_high_from_share(0.1, 0.5))
    4.5
    """
    return t_low * (1.0 / floats(release_share) - 1.0)


def p_low_from_share(p_low_share: np.ndarray, p_high: np.ndarray) -> Any:
    """P low [cmH2O] as a share of P high, shape (n,).

    Examples
    --------
    >>> float(p_low_from_share(0.2, 25.0))
    5.0
    """
    return floats(p_low_share) * p_high


def p_high_from_plateau(
    plateau_peep: np.ndarray,
    plateau_volume_per_kg: np.ndarray,
    p_high_at_most: np.ndarray,
    predicted_body_weight: np.ndarray,
    compliance: np.ndarray,
) -> Any:
    """P high [cmH2O] at the plateau of a conventional breath in this lung, shape (n,).

    References
    ----------
    .. [1] Zhou Y et al., Intensive Care Med 2017;43:1648: P high set to the plateau, at most 30.

    Examples
    --------
    >>> float(p_high_from_plateau(10.0, 6.0, 30.0, 60.0, 36.0))
    20.0
    """
    rise = plateau_volume_per_kg * floats(predicted_body_weight) / compliance
    return minimum(plateau_peep + rise, p_high_at_most)


def one_shared_resistance(resistance_shared: np.ndarray) -> Any:
    """Resistance of the shared airway in one direction, given for both [cmH2O s L-1], shape (n,).

    Examples
    --------
    >>> float(one_shared_resistance(6.0))
    6.0
    """
    return floats(resistance_shared)


def compliance_fast(compliance: np.ndarray, slow_volume_share: np.ndarray) -> Any:
    """Compliance of the fast compartment from the whole [mL cmH2O-1], shape (n,).

    Examples
    --------
    >>> float(compliance_fast(50.0, 0.2))
    40.0
    """
    return compliance * (1.0 - floats(slow_volume_share))


def compliance_slow(compliance: np.ndarray, slow_volume_share: np.ndarray) -> Any:
    """Compliance of the slow compartment from the whole [mL cmH2O-1], shape (n,)."""
    return compliance * floats(slow_volume_share)


def resistance_fast(resistance_exp: np.ndarray) -> Any:
    """Resistance of the fast compartment's own airway [cmH2O s L-1], shape (n,)."""
    return floats(resistance_exp) * (1.0 - SHARED_PART)


def resistance_slow(
    time_constant_slow: np.ndarray, compliance: np.ndarray, slow_volume_share: np.ndarray
) -> Any:
    """Resistance of the slow compartment's own airway [cmH2O s L-1], shape (n,).

    Examples
    --------
    >>> round(float(resistance_slow(4.5, 50.0, 0.2)), 1)
    450.0
    """
    return time_constant_slow * ML_PER_L / (compliance * floats(slow_volume_share))


def resistance_shared_insp(resistance_insp: np.ndarray) -> Any:
    """Inspiratory resistance of tube and large airways [cmH2O s L-1], shape (n,)."""
    return floats(resistance_insp) * SHARED_PART


def resistance_shared_exp(resistance_exp: np.ndarray) -> Any:
    """Expiratory resistance of tube and large airways [cmH2O s L-1], shape (n,)."""
    return floats(resistance_exp) * SHARED_PART


def opening_time_constant(
    closing_time_constant: np.ndarray, opening_speed: np.ndarray
) -> np.ndarray:
    """Time constant of opening, so many times shorter than that of closing [s], shape (n,).

    References
    ----------
    .. [1] A model of mice with acute lung injury (read): opening about ten times faster.

    Examples
    --------
    >>> float(opening_time_constant(2.0, 10.0))
    0.2
    """
    return closing_time_constant / floats(opening_speed)


DERIVATIONS = (
    Derivation("opening_time_constant", "opening_speed", opening_time_constant),
    Derivation("predicted_body_weight", "height", predicted_body_weight),
    Derivation("t_low", "t_low_in_time_constants", t_low_from_multiple),
    Derivation("p_high", "plateau_peep", p_high_from_plateau),
    Derivation("t_high", "t_high_in_time_constants", t_high_from_multiple),
    Derivation("t_high", "release_frequency", t_high_from_frequency),
    Derivation("t_high", "release_share", t_high_from_share),
    Derivation("p_low", "p_low_share", p_low_from_share),
    Derivation("co2_production", "co2_production_per_kg", co2_production),
    Derivation(
        "functional_residual_capacity",
        "functional_residual_capacity_per_kg",
        functional_residual_capacity,
    ),
    Derivation("resistance_shared_insp", "resistance_shared", one_shared_resistance),
    Derivation("resistance_shared_exp", "resistance_shared", one_shared_resistance),
    Derivation("compliance_fast", "slow_volume_share", compliance_fast),
    Derivation("compliance_slow", "slow_volume_share", compliance_slow),
    Derivation("resistance_fast", "slow_volume_share", resistance_fast),
    Derivation("resistance_slow", "slow_volume_share", resistance_slow),
    Derivation("resistance_shared_insp", "slow_volume_share", resistance_shared_insp),
    Derivation("resistance_shared_exp", "slow_volume_share", resistance_shared_exp),
)


def ways(target: str, given: Collection[str]) -> tuple[Derivation, ...]:
    """Return the derivations of a parameter that what is given asks for.

    Examples
    --------
    >>> [way.trigger for way in ways("t_low", {"t_low_in_time_constants"})]
    ['t_low_in_time_constants']
    """
    return tuple(d for d in DERIVATIONS if d.target == target and d.trigger in given)


def all_inputs(names: Iterable[str], given: Collection[str] | None = None) -> frozenset[str]:
    """Return every parameter that these can be set by: themselves and what derives them.

    Parameters
    ----------
    names : iterable of str
        Parameters.
    given : collection of str, optional
        What is given: a derivation that nothing of it asks for counts for nothing.

    Examples
    --------
    >>> sorted(all_inputs(["predicted_body_weight"]))
    ['height', 'predicted_body_weight', 'sex']
    >>> sorted(all_inputs(["predicted_body_weight", "t_low"], given=["compliance", "t_low"]))
    ['predicted_body_weight', 't_low']
    """
    asked = [d for d in DERIVATIONS if given is None or d.trigger in given]
    known = set(names)
    added = known
    while added:
        added = {n for d in asked if d.target in added for n in d.inputs} - known
        known |= added
    return frozenset(known)
