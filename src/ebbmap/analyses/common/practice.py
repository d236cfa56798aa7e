"""What common practice says of single steps at the bedside, and whether a lung agrees."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import ArrayLike

from ebbmap.cases.evaluate import resolve
from ebbmap.cases.inputs import as_arrays
from ebbmap.cases.simulate import simulate
from ebbmap.lungs import lung_model
from ebbmap.registries.outcomes import OUTCOMES, plan
from ebbmap.registries.parameters import SPONTANEOUS, parameter
from ebbmap.units import display

#: Given instead of a setting, and dropped once that setting is stepped.
STANDS_FOR = MappingProxyType({"t_low": "t_low_in_time_constants", "p_high": "plateau_peep"})

#: A change below this share of the value is rounding.
NO_CHANGE = 1e-9

Move = tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class Practice:
    """A direction that common practice names.

    Parameters
    ----------
    setting, outcome : str
        Registry names.
    step, effect : {-1, 1}
        Direction of the step, and the direction in which the outcome is said to go.
    source : str
        Who says so.
    """

    setting: str
    step: int
    outcome: str
    effect: int
    source: str

    @property
    def name(self) -> str:
        """In words, such as "T high shorter: arterial CO₂ tension falls"."""
        words = ("shorter", "longer") if self.setting.startswith("t_") else ("lower", "higher")
        goes = ("falls", "rises")[self.effect > 0]
        of = OUTCOMES[self.outcome].long_name
        return f"{parameter(self.setting).long_name} {words[self.step > 0]}: {of} {goes}"


_HABASHI = "summary of Habashi, Crit Care Med 2005;33(3 Suppl):S228"
_COMMON = "common practice, no source"

PRACTICE = (
    Practice("t_high", -1, "paco2", -1, _HABASHI),
    Practice("t_high", +1, "paco2", +1, _HABASHI),
    Practice("t_low", +1, "paco2", -1, _HABASHI),
    Practice("p_high", +1, "paco2", -1, _HABASHI),
    Practice("p_high", -1, "paco2", +1, _HABASHI),
    Practice("p_high", +1, "mean_airway_pressure", +1, _HABASHI),
    Practice("t_high", +1, "mean_airway_pressure", +1, _COMMON),
    Practice("p_high", +1, "pao2", +1, _HABASHI),
    Practice("t_high", +1, "pao2", +1, _COMMON),
    Practice("t_low", -1, "pao2", +1, _HABASHI),
)


def say_move(move: Move) -> str:
    """Return a move in words.

    Examples
    --------
    >>> say_move((("t_low", 0.05), ("p_high", -2.0)))
    'T low +0.05 s, P high -2 cmH₂O'
    """
    return ", ".join(say_step(name, step) for name, step in move) or "as set"


def say_step(name: str, step: float) -> str:
    """Return one step in words."""
    entry = parameter(name)
    return f"{_SHORT.get(name, entry.long_name)} {step:+g} {display(entry.units)}".rstrip()


#: Shorter names of settings, for tables and axes.
_SHORT = MappingProxyType({"fio2": "FiO₂"})


def stand_ins(steps: Iterable[str]) -> set[str]:
    """Return the names that are given instead of a setting that is stepped."""
    return {STANDS_FOR[name] for name in steps if name in STANDS_FOR}


def compare_practice(
    lung: str,
    drawn: Mapping[str, Any] | None,
    row: xr.Dataset,
    practices: Sequence[Practice],
    steps: Mapping[str, float],
) -> xr.Dataset:
    """Compare the directions of single steps with common practice, and say why.

    Parameters
    ----------
    lung : str
        Name of the lung model.
    drawn : mapping or None
        Drawn lungs, for the share in which a step goes against common practice.
    row : Dataset
        Outcomes of every move of the middle lung, along `move`.
    practices : sequence of Practice
        What is said of steps among these moves.
    steps : mapping of str to float
        Step sizes, in registry units.
    """
    agrees, why, against = [], [], []
    for one in practices:
        move = say_move(((one.setting, one.step * steps[one.setting]),))
        before, after = row.sel(move="as set"), row.sel(move=move)
        agrees.append(float(direction_of(before[one.outcome], after[one.outcome]) * one.effect))
        why.append(_why(one, before, after))
        against.append(np.nan if drawn is None else _against(lung, drawn, one, steps))
    return xr.Dataset(
        {
            "agrees": ("practice", np.array(agrees)),
            "why": ("practice", np.array(why, dtype=str)),
            "against_share": ("practice", np.array(against)),
        },
        {
            "practice": [one.name for one in practices],
            "practice_source": ("practice", [one.source for one in practices]),
        },
    )


def direction_of(before: ArrayLike, after: ArrayLike) -> np.ndarray:
    """Return the sign of a change, 0 where it is rounding, NaN where unknown; shape (...)."""
    start = np.asarray(before, float)
    change: np.ndarray = np.asarray(after, float) - start
    return np.where(np.abs(change) <= NO_CHANGE * np.abs(start), 0.0 * change, np.sign(change))


def _against(
    lung: str, drawn: Mapping[str, Any], practice: Practice, steps: Mapping[str, float]
) -> float:
    """Return the share of drawn lungs in which a step goes against common practice."""
    given = {name: array.values for name, array in as_arrays(drawn).items()}
    present = resolve(given, plan(lung_model(lung)).parameters)[practice.setting]
    entry = parameter(practice.setting)
    stepped = np.asarray(present, float) + practice.step * steps[practice.setting]
    if np.any(stepped < entry.low) or np.any(stepped > entry.high):
        return np.nan
    base = {k: v for k, v in drawn.items() if k not in stand_ins([practice.setting])}
    dims = ("sample",)[: stepped.ndim]
    ends = [
        simulate(lung, outcomes=(practice.outcome,), **{**base, practice.setting: at})
        for at in (xr.DataArray(present, dims=dims), xr.DataArray(stepped, dims=dims))
    ]
    direction = direction_of(*(end[practice.outcome].values for end in ends)) * practice.effect
    known = np.isfinite(direction)
    return float(np.mean(direction[known] < 0)) if known.any() else np.nan


def _why(practice: Practice, before: xr.Dataset, after: xr.Dataset) -> str:
    """Return through what a step acts on an outcome."""
    if practice.outcome == "paco2":
        rate = float(after["release_rate"] / before["release_rate"]) - 1.0
        own = [
            float((one["alveolar_ventilation"] - one[SPONTANEOUS]) / one["release_rate"])
            for one in (before, after)
        ]
        if not (own[0] > 0 and np.isfinite(own[1])):
            return "no release reaches the alveoli"
        return (
            f"releases per minute {100.0 * rate:+.1f} %, "
            f"alveolar gas of each {100.0 * (own[1] / own[0] - 1.0):+.1f} %"
        )
    if practice.outcome == "pao2":
        parts = (
            ("mean alveolar pressure", "mean_alveolar_pressure", "{:+.2f} cmH₂O"),
            ("closed share", "closed_fraction", "{:+.3f}"),
            ("PaCO₂", "paco2", "{:+.1f} mmHg"),
            ("alveolar PO₂", "alveolar_po2", "{:+.1f} mmHg"),
        )
        return ", ".join(
            f"{text} {form.format(float(after[name] - before[name]))}" for text, name, form in parts
        )
    return "weighted mean of the two pressures"
