"""The lung `whole` whose patient breathes: two compartments behind a tube, and efforts.

Efforts are half-sines of muscle pressure at the patient's own rate, in no step with the
ventilator. Outcomes are means over their phase (`phases`). The peak of the efforts is given, or it
answers to CO2 (`closing`): then the spontaneous share of ventilation is an outcome. Without effort
this is the lung `whole`, whose own solution it gives. Sizes: n cases, t time points.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from ebbmap.exchange.own_breathing import (
    alveolar_ventilation_of_efforts,
    closed_fraction_of_breaths,
)
from ebbmap.lungs import whole
from ebbmap.lungs.base import WAVES, Lung
from ebbmap.lungs.breathing.cases import NAMES, State
from ebbmap.lungs.breathing.slopes import FOLLOWED
from ebbmap.lungs.breathing.solving import SOLVES, begin, follow, solve_settled
from ebbmap.lungs.breathing.waves import draw_breaths
from ebbmap.lungs.whole.cases import NAMES as PASSIVE_NAMES

__all__ = ["BREATHING", "State", "cycle", "rest", "settle", "solve", "waveform"]


def solve(**parameters: npt.ArrayLike) -> dict[str, np.ndarray]:
    """Solve the lung at all phases of its efforts.

    Parameters
    ----------
    **parameters : array_like, shape (n,)
        All that `NAMES` lists, by registry name, in registry units; shapes broadcast.

    Returns
    -------
    dict of str to ndarray, shape (n,)
        The outcomes in `SOLVES`, means over the phase of the efforts; extremes are those of all
        phases. NaN throughout where the lung did not settle.

    Notes
    -----
    The muscles lower the pressure around the whole lung. What is said of alveolar pressure is that
    of the gas, so it falls with an effort; the transpulmonary pressure rises with it:
    (1 - chest wall's share) (alveolar + muscle pressure).

    A flow at its limit does not answer to effort, for recoil drives it.

    Examples
    --------
    >>> from ebbmap.registries.parameters import PARAMETERS
    >>> usual = {name: PARAMETERS[name].default for name in NAMES}
    >>> solved = solve(**usual | {"effort_pressure": np.array([0.0, 10.0])})
    >>> (solved["effort_share"].round(2) + 0.0).tolist()
    [0.0, 0.32]
    """
    return _solved(parameters)[0]


def settle(**parameters: npt.ArrayLike) -> State:
    """Return the state after a release of a cycle at one of the phases, shape (n,) each."""
    return _solved(parameters)[1]


def rest(start_pressure: npt.ArrayLike, **parameters: npt.ArrayLike) -> State:
    """Return the state of a lung at rest at `start_pressure` [cmH2O], shape (n,).

    An effort is about to begin; its peak is that of the settled lung.
    """
    peak = settle(**parameters).peak
    pressure, peak = np.broadcast_arrays(np.asarray(start_pressure, dtype=float), peak)
    none = np.zeros_like(pressure)
    return State(pressure, pressure, pressure, none, none, peak)


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
        The outcomes in `SOLVES` for this cycle; mean pressures but the airway's are those of
        efforts at any phase.
    state : State
        After it.
    """
    values, shape = whole.gathered({**parameters, **State(*state)._asdict()})
    return follow(values, State(*(values[name] for name in State._fields))).shaped(shape)


def waveform(
    state: State, times: npt.ArrayLike, **parameters: npt.ArrayLike
) -> dict[str, np.ndarray]:
    """Return what a monitor would draw over one cycle, and the muscle pressure.

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
        The signals in `WAVES`, and `muscle_pressure`. At the instant of a switch the values are
        those just after it.
    """
    values, shape = whole.gathered({**parameters, **State(*state)._asdict()})
    times = np.asarray(times, dtype=float)
    now = State(*(values[name] for name in State._fields))
    own = {name: values[name] for name in PASSIVE_NAMES}
    drawn = whole.waveform(whole.State(*now[:3]), times, **own)
    signals = {name: drawn[name] for name in WAVES}
    signals["muscle_pressure"] = 0.0 * signals["flow"]
    latest = times.max() if times.size else 0.0
    values["t_low"] = np.maximum(values["t_low"], latest - values["t_high"])
    draw_breaths(signals, *begin(values, now), now, times)
    return {name: rows.reshape((*shape, times.size)) for name, rows in signals.items()}


def _solved(parameters: Mapping[str, npt.ArrayLike]) -> tuple[dict[str, np.ndarray], State]:
    values, shape = whole.gathered(parameters)
    return solve_settled(values).shaped(shape)


BREATHING = Lung(
    name="breathing",
    long_name="two compartments behind a tube, with a valve that takes time and efforts",
    source="the lung whole; efforts: half-sines of muscle pressure, assumption; implicit "
    "Runge-Kutta steps: Alexander, SIAM J Numer Anal 1977;14:1006 (from memory)",
    parameters=NAMES,
    solves=SOLVES,
    signals=(*WAVES, "muscle_pressure"),
    solve=solve,
    settle=settle,
    rest=rest,
    cycle=cycle,
    waveform=waveform,
    followed=FOLLOWED,
    functions=MappingProxyType(
        {
            "alveolar_ventilation": alveolar_ventilation_of_efforts,
            "closed_fraction": closed_fraction_of_breaths,
        }
    ),
)
