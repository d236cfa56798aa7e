"""One compartment with constant resistances: the two-phase cycle in closed form.

Sizes: n cases, t time points. Pressures [cmH2O], times [s], compliance [mL cmH2O-1],
resistances [cmH2O s L-1]. All functions broadcast.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from ebbmap.array import exp, expm1, floats, maximum, minimum, where
from ebbmap.lungs.base import SOLVED, WAVES, Lung, Setting
from ebbmap.units import L_PER_ML


@dataclass(frozen=True)
class Compartment(Setting):
    """What is set, and a lung of one compartment.

    Parameters
    ----------
    p_high, p_low, t_high, t_low : array_like, shape (n,)
        As in `Setting`.
    compliance : array_like, shape (n,)
        Compliance of the respiratory system [mL cmH2O-1], > 0.
    resistance_insp, resistance_exp : array_like, shape (n,)
        Resistance while filling and while emptying [cmH2O s L-1], > 0.
    """

    compliance: Any
    resistance_insp: Any
    resistance_exp: Any

    @cached_property
    def time_constant_exp(self) -> Any:
        """Expiratory time constant R_E C [s]."""
        return self.compliance * self.resistance_exp * L_PER_ML

    def outcomes_of_pressures(
        self, height: np.ndarray, trapped: np.ndarray, airway_share: np.ndarray
    ) -> dict[str, np.ndarray]:
        """Return the outcomes that follow from pressures alone, shape (n,) each.

        Parameters
        ----------
        height, trapped : array_like, shape (n,)
            Alveolar pressure above P low as a release starts and as it ends [cmH2O].
        airway_share : array_like, shape (n,)
            Integral over the cycle of alveolar less set pressure [cmH2O s].
        """
        return {
            "trapped_volume": self.compliance * trapped,
            "end_high_pressure": self.p_low + height,
            "end_high_volume": self.compliance * (self.p_low + height),
            "end_release_pressure": self.p_low + trapped,
            "mean_alveolar_pressure": self.mean_pressure(airway_share),
            "time_constant_exp": self.time_constant_exp,
        }


class Phases(NamedTuple):
    """How far T high and the release go, each shape (n,) [1]."""

    filled: np.ndarray
    """1 - a, with a = exp(-T_high / tau_I)."""
    emptied: np.ndarray
    """1 - b, with b = exp(-T_low / tau_E)."""
    left: np.ndarray
    """b, taken by itself so that a trapped pressure far below rounding keeps its digits."""

    @property
    def settled(self) -> Any:
        """Pressure above P low when a settled release starts, over P high less P low [1]."""
        return self.filled / (self.filled + (1.0 - self.filled) * self.emptied)


def solve(**parameters: npt.ArrayLike) -> dict[str, np.ndarray]:
    """Solve the settled cycle.

    Parameters
    ----------
    **parameters : array_like, shape (n,)
        All that `Compartment` holds, by registry name; shapes broadcast.

    Returns
    -------
    dict of str to ndarray, shape (n,)
        The outcomes in `SOLVED`, in registry units.

    Notes
    -----
    With a = exp(-T_high / tau_I), b = exp(-T_low / tau_E), the settled end-release pressure is
    P_low + (P_high - P_low) b (1 - a) / (1 - a b). The differences from one are taken with expm1
    and 1 - a b = (1 - a) + a (1 - b), so that no digit is lost for very short phases.

    References
    ----------
    .. [1] Single-compartment exponential filling and emptying; textbook form.

    Examples
    --------
    >>> setting = dict(p_high=25.0, p_low=0.0, t_high=60.0, t_low=0.5)
    >>> settled = solve(**setting, compliance=50.0, resistance_insp=10.0, resistance_exp=10.0)
    >>> round(float(settled["release_volume"]), 2)
    790.15
    """
    cases = Compartment(**parameters)
    phases = _phases(cases)
    return _outcomes(cases, phases, cases.drop * phases.settled)


def settle(**parameters: npt.ArrayLike) -> Any:
    """Return the state of the settled cycle: alveolar pressure when a release ends [cmH2O].

    Parameters and shapes are those of `solve`.

    Examples
    --------
    >>> setting = dict(p_high=25.0, p_low=0.0, t_high=60.0, t_low=0.5)
    >>> state = settle(**setting, compliance=50.0, resistance_insp=10.0, resistance_exp=10.0)
    >>> round(float(state), 3)
    9.197
    """
    cases = Compartment(**parameters)
    phases = _phases(cases)
    return cases.p_low + cases.drop * phases.settled * phases.left


def rest(start_pressure: npt.ArrayLike, **_: npt.ArrayLike) -> np.ndarray:
    """Return the state of a lung at rest at `start_pressure` [cmH2O], shape (n,)."""
    return floats(start_pressure)


def cycle(
    end_release_pressure: np.ndarray | float, **parameters: npt.ArrayLike
) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """Run one cycle from an alveolar pressure at the end of the previous release.

    Parameters
    ----------
    end_release_pressure : array_like, shape (n,)
        State: alveolar pressure when T high begins [cmH2O].
    **parameters : array_like, shape (n,)
        As in `solve`.

    Returns
    -------
    outcomes : dict of str to ndarray, shape (n,)
        The outcomes in `SOLVED` for this cycle. The mean alveolar pressure is this cycle's own.
    state : ndarray, shape (n,)
        Alveolar pressure at the end of this release [cmH2O].

    Examples
    --------
    >>> start = dict(p_high=25.0, p_low=0.0, t_high=5.0, t_low=0.5)
    >>> lung = dict(compliance=60.0, resistance_insp=15.0, resistance_exp=25.0)
    >>> _, first = cycle(5.0, **start, **lung)
    >>> bool(first > 5.0)
    True
    """
    cases = Compartment(**parameters)
    phases = _phases(cases)
    start = end_release_pressure - cases.p_low
    height = start + (cases.p_high - end_release_pressure) * phases.filled
    outcomes = _outcomes(cases, phases, height)
    # a lung that has not settled takes in another volume than it lets out
    surplus = outcomes["end_release_pressure"] - end_release_pressure
    weight = cases.compliance * cases.resistance_insp * L_PER_ML / (cases.t_high + cases.t_low)
    outcomes["mean_alveolar_pressure"] = outcomes["mean_alveolar_pressure"] - surplus * weight
    return outcomes, outcomes["end_release_pressure"]


def waveform(
    end_release_pressure: np.ndarray | float, times: npt.ArrayLike, **parameters: npt.ArrayLike
) -> dict[str, np.ndarray]:
    """Return what a monitor would draw over one cycle.

    Parameters
    ----------
    end_release_pressure : array_like, shape (n,)
        State: alveolar pressure when T high begins [cmH2O].
    times : array_like, shape (t,)
        From the start of T high, within one cycle [s].
    **parameters : array_like, shape (n,)
        As in `solve`.

    Returns
    -------
    dict of str to ndarray, shape (n, t)
        The signals in `WAVES`.

    Examples
    --------
    >>> setting = dict(p_high=25.0, p_low=0.0, t_high=1.0, t_low=0.5)
    >>> lung = dict(compliance=50.0, resistance_insp=10.0, resistance_exp=10.0)
    >>> waveform(5.0, [0.0, 1.0], **setting, **lung)["flow"].round(3).tolist()
    [2.0, -2.229]
    """
    cases = Compartment(**parameters).columns()
    times = floats(times)
    opening = cases.p_high - floats(end_release_pressure)[..., None]
    tau_insp = cases.compliance * cases.resistance_insp * L_PER_ML
    unfilled = opening * exp(-minimum(times, cases.t_high) / tau_insp)
    height = cases.drop - opening * exp(-cases.t_high / tau_insp)
    since_release = maximum(times - cases.t_high, 0.0)
    unreleased = height * exp(-since_release / cases.time_constant_exp)
    in_release = times >= cases.t_high
    alveolar = where(in_release, cases.p_low + unreleased, cases.p_high - unfilled)
    outward, inward = unreleased / cases.resistance_exp, unfilled / cases.resistance_insp
    flow = where(in_release, -outward, inward)
    return cases.signals(in_release, alveolar, flow, cases.compliance * alveolar)


def _phases(cases: Compartment) -> Phases:
    """Return how far both phases go; a enters only beside terms that it cannot spoil."""
    length = cases.t_low / -cases.time_constant_exp
    filled = -expm1(cases.t_high / (cases.compliance * cases.resistance_insp * -L_PER_ML))
    return Phases(filled, -expm1(length), exp(length))


def _outcomes(cases: Compartment, phases: Phases, height: np.ndarray) -> dict[str, np.ndarray]:
    """Return the outcomes of a cycle by `height`, where its release starts above P low [cmH2O].

    Over a settled cycle the mean alveolar pressure is the mean airway pressure plus
    (R_E - R_I) V / T: what the airway takes while filling, less what it takes while emptying.
    """
    release_volume = cases.compliance * height * phases.emptied
    peak_flow = height / cases.resistance_exp
    airway_share = release_volume * (cases.resistance_exp - cases.resistance_insp) * L_PER_ML
    return cases.outcomes_of_pressures(height, height * phases.left, airway_share) | {
        "release_volume": release_volume,
        "peak_expiratory_flow": peak_flow,
        "end_release_flow": peak_flow * phases.left,
        "fill_fraction": phases.filled,
        "exhaled_fraction": phases.emptied,
    }


LINEAR = Lung(
    name="linear",
    long_name="one compartment, constant resistances",
    source="single-compartment closed form; textbook",
    parameters=Compartment.names(),
    solves=SOLVED,
    signals=WAVES,
    solve=solve,
    settle=settle,
    rest=rest,
    cycle=cycle,
    waveform=waveform,
    compiled=(solve,),
)
