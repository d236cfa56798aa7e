"""How fast the lung's state moves: for whoever follows a cycle step by step, as a page does.

Outcomes never come from here; they are solved by collocation (`newton`). Sizes: n cases.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from ebbmap.array import floats, maximum, where
from ebbmap.lungs.whole.cases import State, begun, circuit
from ebbmap.lungs.whole.excess import limit
from ebbmap.lungs.whole.mesh import FASTEST_VALVE, Drive
from ebbmap.lungs.whole.turns import driven_flow
from ebbmap.units import ML_PER_L


def begin(**parameters: np.ndarray) -> State:
    """Return the lung at rest at P low, shape (n,): from there every lung finds its cycle."""
    pressure = floats(parameters["p_low"])
    return State(pressure, pressure, pressure)


def slopes(
    state: State,
    since: np.ndarray,
    target: np.ndarray,
    muscle: np.ndarray | float = 0.0,
    **parameters: np.ndarray,
) -> tuple[State, dict[str, Any]]:
    """Return how fast the state moves in a phase, and the signals.

    Parameters
    ----------
    state : State
        Pressures of both stores now, and that of the airway as the phase began.
    since : array_like, shape (n,)
        Time since the phase began [s].
    target : array_like, shape (n,)
        Pressure that the valve goes to: P high or P low [cmH2O].
    muscle : array_like, shape (n,)
        Pressure by which the patient's muscles lower that around the lung [cmH2O].
    **parameters : array_like, shape (n,)
        As in `solve`.

    Returns
    -------
    slopes : State
        Of the stores [cmH2O s-1], shape (n,); none of the airway, whose course is known.
    signals : dict of str to ndarray, shape (n,)
        Those in `WAVES`.

    Examples
    --------
    >>> from ebbmap.registries.parameters import PARAMETERS
    >>> from ebbmap.lungs.whole.cases import NAMES
    >>> usual = {name: PARAMETERS[name].default for name in NAMES}
    >>> full = State(25.0, 25.0, 0.0)
    >>> moved, signals = slopes(full, 0.0, 0.0, **usual)
    >>> bool(moved.fast < moved.slow < 0.0), bool(signals["flow"] < 0.0)
    (True, True)
    """
    lung, low = circuit(parameters), parameters["p_low"]
    slow_valve = parameters["valve_time"] > FASTEST_VALVE
    drive = Drive(
        duration=since,
        target=target,
        begun=state.airway,
        valve_time=where(slow_valve, parameters["valve_time"], 1.0),
        slow_valve=slow_valve,
        atmosphere=-low,
    )
    airway = target - low + (state.airway - target) * drive.left(since)
    volume, spread = begun(lung, parameters, state)
    behind = volume / lung.compliance + lung.link * spread
    along = airway + muscle - behind
    resistance = where(along > 0.0, lung.resistance_insp, lung.resistance_exp)
    flow = driven_flow(along, resistance, lung.resistance_quadratic)
    # no more goes out than the limit lets
    flow = maximum(flow, -limit(lung, drive, behind))
    swing = lung.feed * flow - lung.fade * spread
    moved = State(lung.fast_pressure(flow, swing), lung.slow_pressure(flow, swing), 0.0 * airway)
    return moved, {
        "airway_pressure": low + airway,
        "alveolar_pressure": low + lung.alveoli(volume, spread) - muscle,
        "flow": flow,
        "volume": ML_PER_L * (volume + lung.compliance * low),
    }
