"""Two compartments, fast and slow, behind a shared airway: the two-phase cycle in closed form.

Each compartment has its own compliance and resistance; the shared airway may resist differently
in and out (`modes` has the equations). Sizes: n cases, t time points. Pressures [cmH2O], times
[s], compliances [mL cmH2O-1], resistances [cmH2O s L-1]. All functions broadcast.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from ebbmap.array import floats, maximum, minimum, where
from ebbmap.lungs.base import SOLVED, WAVES, Lung, Setting
from ebbmap.lungs.paired.modes import (
    Modes,
    Pair,
    Passage,
    modes_of,
    passage,
    pendelluft,
    settled_heights,
)
from ebbmap.units import L_PER_ML

__all__ = ["PAIRED", "Paired", "cycle", "rest", "settle", "solve", "waveform"]

#: What this model solves for beyond `SOLVED`.
SOLVED_EACH = (
    "trapped_volume_fast",
    "trapped_volume_slow",
    "auto_peep_fast",
    "auto_peep_slow",
    "pendelluft_volume",
    "slow_exhaled_fraction",
)


@dataclass(frozen=True)
class Paired(Setting):
    """What is set, and a lung of two compartments.

    Parameters
    ----------
    p_high, p_low, t_high, t_low : array_like, shape (n,)
        As in `Setting`.
    compliance_fast, compliance_slow : array_like, shape (n,)
        Compliance of each compartment [mL cmH2O-1], > 0.
    resistance_fast, resistance_slow : array_like, shape (n,)
        Resistance of each compartment's own airway, both ways [cmH2O s L-1], > 0.
    resistance_shared_insp, resistance_shared_exp : array_like, shape (n,)
        Resistance of the shared airway while filling and while emptying [cmH2O s L-1], > 0.
    """

    compliance_fast: Any
    compliance_slow: Any
    resistance_fast: Any
    resistance_slow: Any
    resistance_shared_insp: Any
    resistance_shared_exp: Any

    @property
    def compliances(self) -> Pair:
        """Compliance of the fast and of the slow compartment [mL cmH2O-1]."""
        return self.compliance_fast, self.compliance_slow

    @cached_property
    def compliance(self) -> Any:
        """Compliance of both together [mL cmH2O-1]."""
        return self.compliance_fast + self.compliance_slow

    def modes(self) -> tuple[Modes, Modes]:
        """Return the modes of T high and of the release."""
        own = self.compliance_fast, self.compliance_slow, self.resistance_fast, self.resistance_slow
        shared = self.resistance_shared_insp, self.resistance_shared_exp
        return modes_of(*own, shared[0]), modes_of(*own, shared[1])

    def gas(self, pressures: Pair) -> Pair:
        """Return the gas that pressures in both compartments hold [mL], fast and slow."""
        return self.compliance_fast * pressures[0], self.compliance_slow * pressures[1]

    def all_gas(self, pressures: Pair) -> Any:
        """Return the gas that pressures in both compartments hold together [mL]."""
        return self.compliance_fast * pressures[0] + self.compliance_slow * pressures[1]


def solve(**parameters: npt.ArrayLike) -> dict[str, np.ndarray]:
    """Solve the settled cycle.

    Parameters
    ----------
    **parameters : array_like, shape (n,)
        All that `Paired` holds, by registry name; shapes broadcast.

    Returns
    -------
    dict of str to ndarray, shape (n,)
        The outcomes in `SOLVED` and `SOLVED_EACH`, in registry units.

    Notes
    -----
    Flows are those at the airway opening. Volumes and fractions are of both compartments together.
    `end_high_pressure`, `end_release_pressure` and `mean_alveolar_pressure` are the alveolar
    pressures weighted by compliance: total volume over total compliance. Over a settled cycle the
    mean alveolar pressure is the same in both compartments, since each takes in through its own
    airway what it lets out through it.

    `time_constant_exp` is the mean time that gas of a full lung stays in an endless release: the
    area under volume over time by the volume at its start,
    R_shared (C_fast + C_slow) + (R_fast C_fast^2 + R_slow C_slow^2) / (C_fast + C_slow). It is
    R C for a single exponential.

    `pendelluft_volume` is the gas that moves from one compartment to the other over a cycle.
    While the airway opening lets gas out, what a compartment takes in can only come from the
    other; while it lets gas in, what a compartment gives off can only go to the other. Both are
    integrated to the moment when the flow turns. This happens at the start of a phase or not at
    all, and in one compartment at a time.

    References
    ----------
    .. [1] Otis AB et al., J Appl Physiol 1956;8:427 (from memory): parallel pathways.
    .. [2] Chelucci GL et al., Eur Respir J 1993;6:785-790: fast and slow emptying in ARDS.

    Examples
    --------
    >>> setting = dict(p_high=25.0, p_low=0.0, t_high=5.0, t_low=0.5)
    >>> two = dict(compliance_fast=40.0, compliance_slow=10.0)
    >>> own = dict(resistance_fast=3.0, resistance_slow=450.0)
    >>> shared = dict(resistance_shared_insp=6.0, resistance_shared_exp=6.0)
    >>> settled = solve(**setting, **two, **own, **shared)
    >>> round(float(settled["auto_peep_fast"]), 2), round(float(settled["auto_peep_slow"]), 2)
    (6.38, 22.15)
    """
    cases = Paired(**parameters)
    fill, release = cases.modes()
    filling, emptying = passage(fill, cases.t_high), passage(release, cases.t_low)
    height = settled_heights(cases.drop, filling, emptying)
    # what T high left unfilled plus what the release let fall: exact for short releases
    fall = emptying.fall(*height)
    opening = tuple(cases.drop - y + down for y, down in zip(height, fall, strict=True))
    return _outcomes(cases, (fill, release), (filling, emptying), (opening, height))


def settle(**parameters: npt.ArrayLike) -> Pair:
    """Return the state of the settled cycle.

    Parameters
    ----------
    **parameters : array_like, shape (n,)
        As in `solve`.

    Returns
    -------
    tuple of two ndarrays, shape (n,)
        Alveolar pressures of the fast and the slow compartment when a release ends [cmH2O].
    """
    cases = Paired(**parameters)
    fill, release = cases.modes()
    filling, emptying = passage(fill, cases.t_high), passage(release, cases.t_low)
    fast, slow = emptying.rest(*settled_heights(cases.drop, filling, emptying))
    return cases.p_low + fast, cases.p_low + slow


def rest(start_pressure: npt.ArrayLike, **_: npt.ArrayLike) -> Pair:
    """Return the state of a lung at rest: both compartments at `start_pressure` [cmH2O]."""
    pressure = floats(start_pressure)
    return pressure, pressure


def cycle(
    state: tuple[npt.ArrayLike, npt.ArrayLike], **parameters: npt.ArrayLike
) -> tuple[dict[str, np.ndarray], Pair]:
    """Run one cycle from the alveolar pressures at the end of the previous release.

    Parameters
    ----------
    state : tuple of two array_like, shape (n,)
        Alveolar pressures of the fast and the slow compartment when T high begins [cmH2O].
    **parameters : array_like, shape (n,)
        As in `solve`. The inspiratory resistance holds during T high and the expiratory one during
        the release, even where a start outside the set pressures makes the gas run the other way.

    Returns
    -------
    outcomes : dict of str to ndarray, shape (n,)
        The outcomes of this cycle; pendelluft as `solve` defines it, for a start within the set
        pressures.
    state : tuple of two ndarrays, shape (n,)
        The alveolar pressures at the end of this release [cmH2O].

    Examples
    --------
    >>> start = dict(p_high=25.0, p_low=0.0, t_high=5.0, t_low=0.5)
    >>> two = dict(compliance_fast=40.0, compliance_slow=10.0)
    >>> own = dict(resistance_fast=3.0, resistance_slow=450.0)
    >>> shared = dict(resistance_shared_insp=6.0, resistance_shared_exp=6.0)
    >>> _, (fast, slow) = cycle((5.0, 5.0), **start, **two, **own, **shared)
    >>> bool(slow > fast)
    True
    """
    cases = Paired(**parameters)
    fill, release = cases.modes()
    filling, emptying = passage(fill, cases.t_high), passage(release, cases.t_low)
    opening = cases.p_high - state[0], cases.p_high - state[1]
    height = tuple(cases.drop - unfilled for unfilled in filling.rest(*opening))
    outcomes = _outcomes(cases, (fill, release), (filling, emptying), (opening, height))
    trapped = outcomes["auto_peep_fast"], outcomes["auto_peep_slow"]
    return outcomes, (cases.p_low + trapped[0], cases.p_low + trapped[1])


def waveform(
    state: tuple[npt.ArrayLike, npt.ArrayLike], times: npt.ArrayLike, **parameters: npt.ArrayLike
) -> dict[str, np.ndarray]:
    """Return what a monitor would draw over one cycle, and the pressure in each compartment.

    Parameters
    ----------
    state : tuple of two array_like, shape (n,)
        Alveolar pressures of the fast and the slow compartment when T high begins [cmH2O].
    times : array_like, shape (t,)
        From the start of T high, within one cycle [s].
    **parameters : array_like, shape (n,)
        As in `cycle`.

    Returns
    -------
    dict of str to ndarray, shape (n, t)
        The signals in `WAVES`, and `alveolar_pressure_fast` and `alveolar_pressure_slow`.
    """
    cases = Paired(**parameters).columns()
    times = floats(times)
    fill, release = cases.modes()
    opening = tuple(cases.p_high - floats(own)[..., None] for own in state)
    unfilled = passage(fill, minimum(times, cases.t_high)).rest(*opening)
    full = (cases.drop - y for y in passage(fill, cases.t_high).rest(*opening))
    unreleased = passage(release, maximum(times - cases.t_high, 0.0)).rest(*full)
    in_release = times >= cases.t_high
    fast, slow = (
        where(in_release, cases.p_low + out, cases.p_high - into)
        for into, out in zip(unfilled, unreleased, strict=True)
    )
    volume = cases.all_gas((fast, slow))
    outward, inward = release.opening_flow(*unreleased), fill.opening_flow(*unfilled)
    flow, mean = where(in_release, -outward, inward), volume / cases.compliance
    each = {"alveolar_pressure_fast": fast, "alveolar_pressure_slow": slow}
    return cases.signals(in_release, mean, flow, volume) | each


def _share(part: np.ndarray, whole: np.ndarray) -> Any:
    """Return part / whole, 0 where there is no whole."""
    return part / where(whole == 0.0, 1.0, whole)


def _outcomes(
    cases: Paired,
    modes: tuple[Modes, Modes],
    passages: tuple[Passage, Passage],
    starts: tuple[Pair, Pair],
) -> dict[str, np.ndarray]:
    """Return the outcomes of a cycle, shape (n,) each.

    Parameters
    ----------
    cases : Paired
        n cases.
    modes, passages : pair of Modes, pair of Passage
        Of T high and of the release.
    starts : pair of pairs of array_like, shape (n,)
        Pressures across the airway as each phase starts, fast and slow [cmH2O].
    """
    (filling, emptying), (opening, height) = passages, starts
    rise, fall, left = filling.fall(*opening), emptying.fall(*height), emptying.rest(*height)
    gas_in, gas_out, trapped = cases.gas(rise), cases.gas(fall), cases.gas(left)
    released, releasable = gas_out[0] + gas_out[1], cases.all_gas(height)
    all_trapped = trapped[0] + trapped[1]
    compliance = cases.compliance
    lengths, changes = (cases.t_high, cases.t_low), (rise, fall)
    inward, outward = (
        pendelluft(*phase, cases.compliances)
        for phase in zip(modes, lengths, starts, changes, strict=True)
    )
    own_times = cases.gas((cases.resistance_fast, cases.resistance_slow))
    return {
        "release_volume": released,
        "trapped_volume": all_trapped,
        "end_high_pressure": cases.p_low + releasable / compliance,
        "end_high_volume": cases.p_low * compliance + releasable,
        "end_release_pressure": cases.p_low + all_trapped / compliance,
        "peak_expiratory_flow": modes[1].opening_flow(*height),
        "end_release_flow": modes[1].opening_flow(*left),
        "mean_alveolar_pressure": cases.mean_pressure(
            _airway_share(cases, own_times, gas_in, gas_out)
        ),
        "fill_fraction": _share(gas_in[0] + gas_in[1], cases.all_gas(opening)),
        "exhaled_fraction": _share(released, releasable),
        "time_constant_exp": _emptying_time(cases, own_times),
        "trapped_volume_fast": trapped[0],
        "trapped_volume_slow": trapped[1],
        "auto_peep_fast": left[0],
        "auto_peep_slow": left[1],
        "pendelluft_volume": inward + outward,
        "slow_exhaled_fraction": _share(fall[1], height[1]),
    }


def _airway_share(cases: Paired, own_times: Pair, gas_in: Pair, gas_out: Pair) -> Any:
    """Return the integral over a cycle of alveolar less set pressure [cmH2O s].

    Over a phase it is M times the volumes that moved [mL]: what the shared airway takes of both,
    and each compartment's own airway of its own. `own_times` are R C of each compartment.
    """
    own = own_times[0] * (gas_out[0] - gas_in[0]) + own_times[1] * (gas_out[1] - gas_in[1])
    outward = cases.resistance_shared_exp * (gas_out[0] + gas_out[1])
    inward = cases.resistance_shared_insp * (gas_in[0] + gas_in[1])
    return (outward - inward + own / cases.compliance) * L_PER_ML


def _emptying_time(cases: Paired, own_times: Pair) -> Any:
    """Return the mean time that gas of a full lung stays in an endless release [s]."""
    own = own_times[0] * cases.compliance_fast + own_times[1] * cases.compliance_slow
    whole = cases.compliance
    return (cases.resistance_shared_exp * whole + own / whole) * L_PER_ML


PAIRED = Lung(
    name="paired",
    long_name="two compartments behind a shared airway",
    source="Otis et al., J Appl Physiol 1956;8:427 (from memory); closed form, 2 x 2 eigenvalues",
    parameters=Paired.names(),
    solves=SOLVED + SOLVED_EACH,
    signals=(*WAVES, "alveolar_pressure_fast", "alveolar_pressure_slow"),
    solve=solve,
    settle=settle,
    rest=rest,
    cycle=cycle,
    waveform=waveform,
    compiled=(solve,),
)
