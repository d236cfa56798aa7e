"""One compartment behind an airway whose pressure drop bends upward with flow (tracheal tube).

Pressure drop = R Q + K |Q| Q. Each phase has a closed form by the Wright omega function
(`phase`); the settled cycle is one unknown number (`settling`).
Sizes: n cases, t time points. Pressures [cmH2O], times [s], compliance [mL cmH2O-1], flows
[L s-1], resistances [cmH2O s L-1], resistance_quadratic [cmH2O s2 L-2]. All functions broadcast.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ebbmap.array import floats, maximum, minimum, where
from ebbmap.lungs.base import SOLVED, WAVES, Lung
from ebbmap.lungs.linear import Compartment, rest
from ebbmap.lungs.tube.phase import Airway, Phase, initial_flow, run_phase
from ebbmap.lungs.tube.settling import Settled, find_settled

__all__ = ["TUBE", "Tubed", "cycle", "initial_flow", "rest", "settle", "solve", "waveform"]


@dataclass(frozen=True)
class Tubed(Compartment):
    """What is set, and a lung of one compartment behind a tube.

    Parameters
    ----------
    p_high, p_low, t_high, t_low, compliance, resistance_insp, resistance_exp : array_like
        As in `Compartment`, shape (n,); the resistances are the linear part R.
    resistance_quadratic : array_like, shape (n,)
        K, in both directions and on top of R [cmH2O s2 L-2], >= 0.
    """

    resistance_quadratic: Any

    def insp(self, duration: np.ndarray) -> Airway:
        """Return what gas runs through on its way in, for so long [s]."""
        return Airway.over(
            duration, self.compliance, self.resistance_insp, self.resistance_quadratic
        )

    def exp(self, duration: np.ndarray) -> Airway:
        """Return what gas runs through on its way out, for so long [s]."""
        return Airway.over(
            duration, self.compliance, self.resistance_exp, self.resistance_quadratic
        )

    def find_settled(self) -> Settled:
        """Return the settled cycle (`settling.Settled`)."""
        return find_settled(self.drop, self.insp(self.t_high), self.exp(self.t_low))


def solve(**parameters: npt.ArrayLike) -> dict[str, np.ndarray]:
    """Solve the settled cycle.

    Parameters
    ----------
    **parameters : array_like, shape (n,)
        All that `Tubed` holds, by registry name; shapes broadcast.

    Returns
    -------
    dict of str to ndarray, shape (n,)
        The outcomes in `SOLVED`, in registry units. NaN throughout where no settled cycle was
        found.

    Notes
    -----
    With K > 0 the flow ratio and the exhaled fraction no longer add up to one but to more: the
    flow falls less than the pressure that drives it, so a release that stops at half the peak
    flow has let out more than half. `time_constant_exp` is R_E C, the time constant that an
    emptying tends to as its flow dies away; earlier on it is slower.

    References
    ----------
    .. [1] Rohrer F, Pfluegers Arch 1915;162:225 (from memory): drop = K1 Q + K2 Q^2.
    .. [2] Corless RM, Jeffrey DJ, "The Wright omega function", LNCS 2002;2385:76 (from memory).

    Examples
    --------
    >>> setting = dict(p_high=25.0, p_low=0.0, t_high=60.0, t_low=0.5)
    >>> lung = dict(compliance=50.0, resistance_insp=10.0, resistance_exp=10.0)
    >>> settled = solve(**setting, **lung, resistance_quadratic=np.array([0.0, 8.0]))
    >>> settled["release_volume"].round(1).tolist()
    [790.2, 525.0]
    >>> flow_ratio = settled["end_release_flow"] / settled["peak_expiratory_flow"]
    >>> (flow_ratio + settled["exhaled_fraction"]).round(3).tolist()
    [1.0, 1.107]
    """
    cases = Tubed(**parameters)
    fill, release, height, settled = cases.find_settled()
    outcomes = _outcomes(cases, fill, release, height)
    if settled is True:
        return outcomes
    return {name: where(settled, value, np.nan) for name, value in outcomes.items()}


def settle(**parameters: npt.ArrayLike) -> np.ndarray:
    """Return the state of the settled cycle: alveolar pressure when a release ends [cmH2O].

    Parameters and shapes are those of `solve`; NaN where no settled cycle was found.
    """
    cases = Tubed(**parameters)
    _, release, _, settled = cases.find_settled()
    return where(settled, cases.p_low + release.last_height, np.nan)


def cycle(
    end_release_pressure: np.ndarray | float, **parameters: npt.ArrayLike
) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """Run one cycle from an alveolar pressure at the end of the previous release.

    Parameters
    ----------
    end_release_pressure : array_like, shape (n,)
        State: alveolar pressure when T high begins [cmH2O].
    **parameters : array_like, shape (n,)
        As in `solve`. The inspiratory resistance holds during T high and the expiratory one during
        the release, even where a start outside the set pressures makes the gas run the other way.

    Returns
    -------
    outcomes : dict of str to ndarray, shape (n,)
        The outcomes in `SOLVED` for this cycle.
    state : ndarray, shape (n,)
        Alveolar pressure at the end of this release [cmH2O].

    Examples
    --------
    >>> start = dict(p_high=25.0, p_low=0.0, t_high=5.0, t_low=0.5)
    >>> lung = dict(compliance=60.0, resistance_insp=9.0, resistance_exp=19.0)
    >>> _, first = cycle(5.0, **start, **lung, resistance_quadratic=8.0)
    >>> bool(first > 5.0)
    True
    """
    cases = Tubed(**parameters)
    fill = run_phase(cases.insp(cases.t_high), cases.p_high - end_release_pressure)
    height = cases.drop - fill.last_height
    release = run_phase(cases.exp(cases.t_low), height)
    outcomes = _outcomes(cases, fill, release, height)
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
        As in `cycle`.

    Returns
    -------
    dict of str to ndarray, shape (n, t)
        The signals in `WAVES`.
    """
    cases = Tubed(**parameters).columns()
    times = floats(times)
    opening = cases.p_high - floats(end_release_pressure)[..., None]
    filling = run_phase(cases.insp(minimum(times, cases.t_high)), opening)
    full = cases.p_high - run_phase(cases.insp(cases.t_high), opening).last_height
    since_release = maximum(times - cases.t_high, 0.0)
    emptying = run_phase(cases.exp(since_release), full - cases.p_low)
    in_release = times >= cases.t_high
    outward, inward = cases.p_low + emptying.last_height, cases.p_high - filling.last_height
    alveolar = where(in_release, outward, inward)
    flow = where(in_release, -emptying.last_flow, filling.last_flow)
    return cases.signals(in_release, alveolar, flow, cases.compliance * alveolar)


def _outcomes(
    cases: Tubed, fill: Phase, release: Phase, height: np.ndarray
) -> dict[str, np.ndarray]:
    """Return the outcomes of a cycle by `height`, where its release starts above P low [cmH2O]."""
    airway_share = release.airway_share(cases.compliance) - fill.airway_share(cases.compliance)
    return cases.outcomes_of_pressures(height, release.last_height, airway_share) | {
        "release_volume": cases.compliance * release.fall,
        "peak_expiratory_flow": release.first_flow,
        "end_release_flow": release.last_flow,
        "fill_fraction": fill.fraction,
        "exhaled_fraction": release.fraction,
    }


TUBE = Lung(
    name="tube",
    long_name="one compartment, resistance rising with flow",
    source="Rohrer 1915 (from memory); closed form by the Wright omega function",
    parameters=Tubed.names(),
    solves=SOLVED,
    signals=WAVES,
    solve=solve,
    settle=settle,
    rest=rest,
    cycle=cycle,
    waveform=waveform,
    compiled=(solve,),
)
