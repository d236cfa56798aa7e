"""Everything else: sigmoid recoil, flow limitation, opening and closing, a slow valve, effort.

Each feature is switched off by its parameter; with all off the model is the linear lung, with
`resistance_quadratic` alone it is the tube. A lung without memory of its own is solved by
quadrature (`quadrature`), any other by collocation, all steps of a cycle at once (`relaxation`).
Sizes: n cases, t time points.
"""

from __future__ import annotations

from collections.abc import Mapping
from inspect import Parameter, Signature
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from ebbmap.exchange.co2 import alveolar_ventilation_of_breaths
from ebbmap.exchange.oxygen import closed_fraction_of_units
from ebbmap.lungs.base import WAVES, Lung
from ebbmap.lungs.linear import LINEAR
from ebbmap.lungs.stepped import breathing, cycles, quadrature
from ebbmap.lungs.stepped.airway import FASTEST_VALVE, settled_airway
from ebbmap.lungs.stepped.cases import NAMES, Cases, gather
from ebbmap.lungs.stepped.course import State
from ebbmap.lungs.stepped.cycles import SOLVES, Outcomes
from ebbmap.lungs.stepped.recruitment import held_open, open_fraction
from ebbmap.lungs.stepped.slopes import FOLLOWED

__all__ = ["STEPPED", "State", "closed_start_gap", "cycle", "rest", "settle", "solve", "waveform"]


def solve(**parameters: npt.ArrayLike) -> dict[str, np.ndarray]:
    """Solve the settled cycle.

    Parameters
    ----------
    **parameters : array_like, shape (n,)
        All that `NAMES` lists, by registry name, in registry units; shapes broadcast.

    Returns
    -------
    dict of str to ndarray, shape (n,)
        The outcomes in `SOLVES`. NaN throughout where the case did not settle. With effort there
        is no settled cycle: outcomes are means over the phase of the efforts (`breathing`), and a
        lung whose gas takes more than ten cycles to settle is NaN.

    Examples
    --------
    >>> from ebbmap.registries.parameters import PARAMETERS
    >>> usual = {name: PARAMETERS[name].default for name in NAMES}
    >>> straight = solve(**usual)
    >>> curved = solve(**usual | {"recoil_curvature": 0.1})
    >>> round(float(straight["release_volume"]), 1), round(float(curved["release_volume"]), 1)
    (638.0, 635.1)
    """
    cases, shape = gather(parameters)
    _, outcomes = _settled(cases)
    return {name: values.reshape(shape) for name, values in outcomes.items()}


def settle(**parameters: npt.ArrayLike) -> State:
    """Return the state at the end of a release of the settled cycle, shape (n,) each.

    With effort it is the state after one of the cycles that `solve` averages over.
    """
    cases, shape = gather(parameters)
    state, _ = _settled(cases)
    return State(*(field.reshape(shape) for field in state))


def rest(start_pressure: npt.ArrayLike, **parameters: npt.ArrayLike) -> State:
    """Return the state of a lung at rest at `start_pressure` [cmH2O], shape (n,).

    Units whose closing pressure lies above it are closed; an effort is about to begin.
    """
    cases, pressure = _with(np.asarray(start_pressure, dtype=float), parameters)
    state = cycles.resting(cases, pressure.ravel())
    return State(*(field.reshape(pressure.shape) for field in state))


def cycle(state: State, **parameters: npt.ArrayLike) -> tuple[dict[str, np.ndarray], State]:
    """Run one cycle.

    Parameters
    ----------
    state : State
        From `rest`, `settle` or the cycle before.
    **parameters : array_like, shape (n,)
        As in `solve`.

    Returns
    -------
    outcomes : dict of str to ndarray, shape (n,)
        The outcomes in `SOLVES` for this cycle.
    state : State
        After it.

    Examples
    --------
    >>> from ebbmap.registries.parameters import PARAMETERS
    >>> usual = {name: PARAMETERS[name].default for name in NAMES}
    >>> _, first = cycle(rest(5.0, **usual), **usual)
    >>> bool(first.volume > rest(5.0, **usual).volume)
    True
    """
    cases, volume = _with(state.volume, parameters)
    shape = volume.shape
    flat = State(*(np.broadcast_to(field, shape).ravel() for field in state))
    outcomes, end = cycles.run_cycle(cases, flat)
    return (
        {name: outcomes[name].reshape(shape) for name in SOLVES},
        State(*(field.reshape(shape) for field in end)),
    )


def waveform(
    state: State, times: npt.ArrayLike, **parameters: npt.ArrayLike
) -> dict[str, np.ndarray]:
    """Return the pressures, flow, volume and open fraction over one cycle.

    Parameters
    ----------
    state : State
        Where to begin: T high starts at time 0.
    times : array_like, shape (t,)
        From the start of T high [s], >= 0. The release begins at t_high; times after the cycle's
        end show a release that goes on.
    **parameters : array_like, shape (n,)
        As in `solve`.

    Returns
    -------
    dict of str to ndarray, shape (n, t)
        The signals in `WAVES`, and `open_fraction`. At the instant of a switch the values are
        those just after it.
    """
    cases, volume = _with(state.volume, parameters)
    shape = volume.shape
    flat = State(*(np.broadcast_to(field, shape).ravel() for field in state))
    traced = cycles.trace(cases, flat, np.asarray(times, dtype=float))
    return {name: values.reshape((*shape, -1)) for name, values in traced.items()}


def closed_start_gap(**parameters: npt.ArrayLike) -> np.ndarray:
    """Return how much more closed the settled cycle of a lung is that began closed, shape (n,).

    Of the passive lung. It takes a second search, so it is an outcome of its own that is only
    looked for when it is asked for.

    Examples
    --------
    >>> from ebbmap.registries.parameters import PARAMETERS
    >>> usual = {name: PARAMETERS[name].default for name in NAMES}
    >>> float(closed_start_gap(**usual))
    0.0
    """
    cases, shape = gather(parameters)
    gap = np.zeros(cases.size)
    index = np.flatnonzero((cases.recruitable_share > 0.0) & (cases.p_high > cases.p_low))
    if index.size:
        own = cases.at(index)
        state, outcomes = _opened(own)
        gap[index] = cycles.gap_from_closed(own, state, outcomes["end_release_pressure"])
    return gap.reshape(shape)


# outcomes name what they take by their arguments
closed_start_gap.__signature__ = Signature(  # type: ignore[attr-defined]
    [Parameter(name, Parameter.KEYWORD_ONLY) for name in NAMES]
)


def _with(array: np.ndarray, parameters: Mapping[str, npt.ArrayLike]) -> tuple[Cases, np.ndarray]:
    """Align an array with the parameters: return the cases and the array in their shape."""
    shape = np.broadcast_shapes(array.shape, *(np.shape(parameters[name]) for name in NAMES))
    wide = {name: np.broadcast_to(parameters[name], shape) for name in NAMES}
    return gather(wide)[0], np.broadcast_to(array, shape)


def _settled(cases: Cases) -> tuple[State, dict[str, np.ndarray]]:
    """Settle each case with what suits it; shape (n,) throughout."""
    state, outcomes = _nothing(cases.size)
    possible = (cases.p_high > cases.p_low) & np.isfinite(cases.t_high + cases.t_low)
    passive = cases.effort_pressure == 0.0
    plain = possible & passive & (cases.recruitable_share == 0.0)
    plain &= cases.valve_time <= FASTEST_VALVE
    for index, kind in ((plain, _plain), (possible & ~plain, _general)):
        if index.all():
            state, outcomes = kind(cases)
        elif index.any():
            _put(state, outcomes, index, kind(cases.at(index)))
    # what quadrature cannot settle, collocation may
    lost = plain & np.isnan(state.volume)
    if lost.any():
        _put(state, outcomes, lost, _general(cases.at(lost)))
    return state, outcomes


def _plain(cases: Cases) -> tuple[State, dict[str, np.ndarray]]:
    volume, solved = quadrature.solve(cases)
    none = np.zeros(cases.size)
    return State(volume, np.ones(cases.size), cases.p_low.copy(), none, none.copy()), solved


def _general(cases: Cases) -> tuple[State, dict[str, np.ndarray]]:
    """Search from the lung with an immediate valve, held as open as an endless P high leaves it.

    Where hysteresis allows more than one settled cycle, this takes the one to which that start
    leads, or one beside it, and `other_settled_cycle` says that there is another: in a lung where
    nothing opens or closes a little lower either, the search may end there (2 in 100 lungs, by
    0.001 of the recruitable share at most).
    """
    state, outcomes = _opened(cases)
    index = np.flatnonzero(cases.effort_pressure > 0.0)
    if index.size:
        settling = outcomes["cycles_to_settle"][index]
        mean = breathing.average(cases.at(index), state.at(index), settling)
        # of the passive lung, by definition
        lost = np.isnan(mean[1]["release_volume"])
        mean[1]["cycles_to_settle"] = np.where(lost, np.nan, settling)
        _put(state, outcomes, index, mean)
    return state, outcomes


def _opened(cases: Cases) -> tuple[State, dict[str, np.ndarray]]:
    """Settle the passive lung from one that P high has opened."""
    openness = held_open(cases.p_high, cases.opening_pressure, cases.opening_spread)
    straight = LINEAR.settle(**{name: getattr(cases, name) for name in LINEAR.parameters})
    volume, _ = cases.static_volume(straight, open_fraction(openness, cases.recruitable_share))
    airway = settled_airway(cases.p_high, cases.p_low, cases.t_high, cases.t_low, cases.valve_time)
    guess = State(volume, openness, airway, np.zeros(cases.size), np.zeros(cases.size))
    return cycles.settle_passive(cases, guess)


def _nothing(size: int) -> tuple[State, dict[str, np.ndarray]]:
    """Return the state and outcomes of cases that did not settle."""
    state = State(*(np.full(size, np.nan) for _ in State._fields))
    return state, {name: np.full(size, np.nan) for name in SOLVES}


def _put(
    state: State, outcomes: Outcomes, index: np.ndarray, result: tuple[State, Outcomes]
) -> None:
    """Put the solution of some of the cases in its place."""
    part, solved = result
    for name, values in outcomes.items():
        values[index] = solved[name]
    for field, values in zip(state, part, strict=True):
        field[index] = values


STEPPED = Lung(
    name="stepped",
    long_name="one compartment: sigmoid recoil, flow limitation, recruitment, valve, effort",
    source="Venegas et al., J Appl Physiol 1998;84:389 (recoil); "
    "Crotti et al., Am J Respir Crit Care Med 2001;164:131 (opening and closing)",
    parameters=NAMES,
    solves=SOLVES,
    signals=(*WAVES, "open_fraction"),
    solve=solve,
    settle=settle,
    rest=rest,
    cycle=cycle,
    waveform=waveform,
    costly=True,
    followed=FOLLOWED,
    functions=MappingProxyType(
        {
            "alveolar_ventilation": alveolar_ventilation_of_breaths,
            "closed_fraction": closed_fraction_of_units,
            "closed_start_gap": closed_start_gap,
        }
    ),
)
