"""How fast the lung's state moves: for whoever follows a cycle step by step, as a page does.

The same right-hand side as `balance`, without its derivatives, in functions of any engine. Outcomes
never come from here. Sizes: n cases.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from ebbmap.array import floats, maximum, repeat, where
from ebbmap.lungs.base import Followed
from ebbmap.lungs.stepped.airway import flow, valve
from ebbmap.lungs.stepped.effort import muscle_pressure_at
from ebbmap.lungs.stepped.recoil import (
    LEAST_CURVATURE,
    elastances,
    lung_volume,
    position,
    recoil,
)
from ebbmap.lungs.stepped.recruitment import held_open, margins, open_fraction
from ebbmap.units import ML_PER_L

#: Halvings that find the recoil of a lung at rest: to a millionth of a millionth of its pressure.
HALVINGS = 40


class Moment(NamedTuple):
    """What is followed; each shape (n,)."""

    volume: np.ndarray
    """Gas in the lung [mL]."""
    openness: np.ndarray
    """How much of the recruitable share is open [1]."""
    airway: np.ndarray
    """Airway pressure as the phase began [cmH2O]."""
    clock: np.ndarray
    """Time since the first effort began [s]."""


def rest(start_pressure: npt.ArrayLike, **parameters: Any) -> Moment:
    """Return the lung at rest at `start_pressure` [cmH2O], an effort about to begin, shape (n,).

    Units whose closing pressure lies above it are closed.

    Examples
    --------
    >>> from ebbmap.lungs.stepped.cases import NAMES
    >>> from ebbmap.registries.parameters import PARAMETERS
    >>> usual = {name: PARAMETERS[name].default for name in NAMES}
    >>> round(float(rest(10.0, **usual).volume), 3)
    500.0
    """
    pressure = floats(start_pressure)
    closing = parameters["closing_pressure"], parameters["closing_spread"]
    return _still(pressure, held_open(pressure, *closing), parameters)


def begin(**parameters: Any) -> Moment:
    """Return the lung as a long hold at P high leaves it, shape (n,).

    What such a hold has not opened stays closed in every cycle that follows, so that of all settled
    cycles it is the most open one that is found.
    """
    pressure = floats(parameters["p_high"])
    opening = parameters["opening_pressure"], parameters["opening_spread"]
    return _still(pressure, held_open(pressure, *opening), parameters)


def _still(pressure: Any, openness: Any, parameters: Any) -> Moment:
    """Return a lung at rest at a pressure [cmH2O], so much of it open."""
    fraction = open_fraction(openness, parameters["recruitable_share"])
    lung, wall = elastances(parameters["compliance"], parameters["chest_wall_share"])
    shape = _shape(parameters)

    def halve(low: Any, high: Any) -> tuple[Any, Any]:
        middle = 0.5 * (low + high)
        gas = fraction * lung_volume(middle, lung, *shape)
        beyond = middle + wall * gas > pressure
        return where(beyond, low, middle), where(beyond, middle, high)

    low, high = repeat(HALVINGS, halve, 0.0 * (pressure + fraction), pressure + 0.0 * fraction)
    volume = fraction * lung_volume(0.5 * (low + high), lung, *shape)
    return Moment(volume, openness, pressure, 0.0 * pressure)


def slopes(
    state: Moment, since: np.ndarray, target: np.ndarray, **parameters: Any
) -> tuple[Moment, dict[str, Any]]:
    """Return how fast the state moves in a phase, and the signals.

    Parameters
    ----------
    state : Moment
        Now.
    since : array_like, shape (n,)
        Time since the phase began [s].
    target : array_like, shape (n,)
        Pressure that the valve goes to: P high or P low [cmH2O].
    **parameters : array_like, shape (n,)
        As in `solve`.

    Returns
    -------
    slopes : Moment
        Of gas [mL s-1] and openness [s-1], shape (n,); none of the airway, whose course is known.
    signals : dict of str to ndarray, shape (n,)
        Those in `WAVES`, and `open_fraction`.

    Examples
    --------
    >>> from ebbmap.lungs.stepped.cases import NAMES
    >>> from ebbmap.registries.parameters import PARAMETERS
    >>> usual = {name: PARAMETERS[name].default for name in NAMES}
    >>> full = Moment(1250.0, 1.0, 0.0, 0.0)
    >>> moved, signals = slopes(full, 0.0, 0.0, **usual)
    >>> round(float(signals["flow"]), 3), round(float(signals["alveolar_pressure"]), 3)
    (-1.786, 25.0)
    """
    own = parameters
    fraction = open_fraction(state.openness, own["recruitable_share"])
    lung, wall = elastances(own["compliance"], own["chest_wall_share"])
    curvature, inflection = _shape(own)
    at_rest = position(0.0, curvature, inflection)
    pressure, _ = recoil(state.volume, fraction, lung, curvature, at_rest)
    static = pressure + wall * state.volume
    effort = own["effort_pressure"], own["effort_rate"], own["effort_duration"]
    alveolar = static - muscle_pressure_at(state.clock, *effort)
    airway = valve(state.airway, target, since, own["valve_time"])
    along = airway - alveolar
    airways = own["resistance_insp"], own["resistance_exp"], own["resistance_quadratic"]
    moved, _, _ = flow(along, along >= 0.0, pressure, *airways, own["flow_limitation"])
    opening = own["opening_pressure"], own["opening_spread"]
    closing = own["closing_pressure"], own["closing_spread"]
    opens, closes = margins(state.openness, static, *opening, *closing)
    rate = maximum(opens, 0.0) / own["opening_time_constant"]
    rate = rate - maximum(closes, 0.0) / own["closing_time_constant"]
    rate = where(own["recruitable_share"] > 0.0, rate, 0.0)
    still = 0.0 * airway
    return Moment(ML_PER_L * moved, rate, still, 1.0 + still), {
        "airway_pressure": airway,
        "alveolar_pressure": alveolar,
        "flow": moved,
        "volume": state.volume,
        "open_fraction": fraction,
    }


def _shape(parameters: Any) -> tuple[Any, Any]:
    """Return curvature [cmH2O-1] and inflection [cmH2O] of the lung's recoil."""
    return maximum(parameters["recoil_curvature"], LEAST_CURVATURE), parameters["recoil_inflection"]


FOLLOWED = Followed(Moment, rest, begin, slopes)
