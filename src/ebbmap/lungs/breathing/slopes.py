"""How fast the breathing lung's state moves: for whoever follows it step by step, as a page does.

Outcomes never come from here; they are means over the phase of the efforts (`phases`).
Sizes: n cases.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from ebbmap.array import floats
from ebbmap.lungs.base import Followed
from ebbmap.lungs.stepped.effort import muscle_pressure_at
from ebbmap.lungs.whole.cases import State
from ebbmap.lungs.whole.slopes import slopes as passive_slopes


class Breath(NamedTuple):
    """What is followed; each shape (n,)."""

    fast: np.ndarray
    """Recoil pressure of the fast store [cmH2O]."""
    slow: np.ndarray
    """Recoil pressure of the slow store [cmH2O]."""
    airway: np.ndarray
    """Airway pressure as the phase began [cmH2O]."""
    clock: np.ndarray
    """Time since the first effort began [s]."""


def rest(start_pressure: npt.ArrayLike, **_: npt.ArrayLike) -> Breath:
    """Return the lung at rest at `start_pressure` [cmH2O], an effort about to begin, shape (n,)."""
    pressure = floats(start_pressure)
    return Breath(pressure, pressure, pressure, 0.0 * pressure)


def begin(**parameters: npt.ArrayLike) -> Breath:
    """Return the lung at rest at P low, shape (n,): from there every lung finds its cycle."""
    return rest(parameters["p_low"])


def slopes(
    state: Breath,
    since: np.ndarray,
    target: np.ndarray,
    *,
    peak_muscle_pressure: np.ndarray,
    **parameters: np.ndarray,
) -> tuple[Breath, dict[str, Any]]:
    """Return how fast the state moves in a phase, and the signals.

    Parameters
    ----------
    state : Breath
        Now.
    since : array_like, shape (n,)
        Time since the phase began [s].
    target : array_like, shape (n,)
        Pressure that the valve goes to: P high or P low [cmH2O].
    peak_muscle_pressure : array_like, shape (n,)
        Of the efforts [cmH2O]: given, or what the settled lung's CO2 asks for.
    **parameters : array_like, shape (n,)
        As in `solve`.

    Returns
    -------
    slopes : Breath
        Of the stores [cmH2O s-1], shape (n,); none of the airway, whose course is known.
    signals : dict of str to ndarray, shape (n,)
        Those in `WAVES`, and `muscle_pressure`.

    Examples
    --------
    >>> from ebbmap.lungs.breathing.cases import NAMES
    >>> from ebbmap.registries.parameters import PARAMETERS
    >>> usual = {name: PARAMETERS[name].default for name in NAMES}
    >>> middle = Breath(20.0, 20.0, 20.0, 0.5)
    >>> _, signals = slopes(middle, 3.0, 20.0, peak_muscle_pressure=8.0, **usual)
    >>> float(signals["muscle_pressure"]), bool(signals["flow"] > 0.0)
    (8.0, True)
    """
    muscle = muscle_pressure_at(
        state.clock,
        peak_muscle_pressure,
        parameters["effort_rate"],
        parameters["effort_duration"],
    )
    stores = State(state.fast, state.slow, state.airway)
    moved, signals = passive_slopes(stores, since, target, muscle, **parameters)
    return Breath(*moved, 1.0 + 0.0 * state.clock), {**signals, "muscle_pressure": muscle}


FOLLOWED = Followed(Breath, rest, begin, slopes, ("peak_muscle_pressure",))
