"""What the page moves: settings of both lungs, and properties of each; how each slider runs."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from types import MappingProxyType
from typing import Any, NamedTuple

import numpy as np

from ebbmap.lungs import lung_model
from ebbmap.registries.parameters import PARAMETERS, SPONTANEOUS
from ebbmap.teaching.lungs import STEP, Values
from ebbmap.web import entry_of

#: Peak of an effort: the slider of a lung whose patient breathes.
EFFORT = "effort_pressure"

#: Sliders of both lungs and of each lung: name -> step. Their ends are the registry's usual ones.
SETTINGS: Mapping[str, float] = MappingProxyType(
    {
        "t_low": STEP,
        "p_high": 0.5,
        "t_high": 0.1,
        "p_low": 0.5,
        "fio2": 0.01,
        SPONTANEOUS: 0.1,
        EFFORT: 0.5,
    }
)
OWN: Mapping[str, float] = MappingProxyType({"compliance": 0.5, "resistance_exp": 0.5})

#: Ends that differ from the registry's usual ones: own breathing that does most of the work.
ENDS: Mapping[str, tuple[float, float]] = MappingProxyType({SPONTANEOUS: (0.0, 6.0)})

#: A patient who breathes opens with a quiet effort (assumption) [cmH2O].
QUIET = 5.0


class Moves(NamedTuple):
    """What is moved of a lung, and the values that hold where nobody gave others."""

    shared: tuple[str, ...]
    own: tuple[str, ...]
    values: Values


def moves_of(lung: str, values: Mapping[str, float]) -> Moves:
    """Return what the page moves of a lung model.

    A patient who breathes has efforts to move; what they clear is not set beside them.

    Parameters
    ----------
    lung : str
        Lung model.
    values : mapping of str to float
        What was given.

    Examples
    --------
    >>> moves_of("breathing", {}).shared[-1], moves_of("whole", {}).shared[-1]
    ('effort_pressure', 'spontaneous_alveolar_ventilation')
    """
    followed = lung_model(lung).followed
    breathes = followed is not None and "peak_muscle_pressure" in followed.solved
    left_out = SPONTANEOUS if breathes else EFFORT
    shared = tuple(name for name in SETTINGS if name != left_out)
    if not breathes:
        return Moves(shared, tuple(OWN), dict(values))
    return Moves(shared, (), {SPONTANEOUS: 0.0, EFFORT: QUIET, **values})


def sliders_of(moves: Moves, presets: Mapping[str, Values]) -> dict[str, dict[str, Any]]:
    """Return every slider that the page may have, wide enough for all that is given.

    Parameters
    ----------
    moves : Moves
        What is moved, and the values that hold.
    presets : mapping of str to dict
        Middle lungs by population.
    """
    held = [moves.values, *presets.values()]
    steps = {**SETTINGS, **OWN}
    return {name: _slider(name, steps[name], held) for name in (*moves.shared, *moves.own)}


def _slider(name: str, step: float, held: Iterable[Mapping[str, float]]) -> dict[str, Any]:
    """Return a slider: the registry's usual range, widened to what lungs and settings have."""
    low, high = ENDS.get(name, PARAMETERS[name].usual)
    own = [one[name] for one in held if name in one]
    low, high = min([low, *own]), max([high, *own])
    ends = {"low": step * np.floor(low / step), "high": step * np.ceil(high / step)}
    rounded = {side: round(float(value), 6) for side, value in ends.items()}
    return {**entry_of(name), **rounded, "step": step}
