"""One step at the bedside: what it does, which step does most for CO2, and common practice.

A move is one step of one setting, or a pair of steps of two settings.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations
from types import MappingProxyType
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.cases.evaluate import resolve
from ebbmap.cases.labelling import describe, label, label_verdict
from ebbmap.cases.pieces import join_groups
from ebbmap.cases.question import Question, draw_cases, middle_lung
from ebbmap.cases.simulate import add_verdict, as_arrays, simulate
from ebbmap.cases.uses import Use, add_provenance
from ebbmap.errors import EbbmapError
from ebbmap.lungs import lung_model
from ebbmap.registries.limits import CAUTION, SAFE
from ebbmap.registries.outcomes import OUTCOMES, outcomes_of, plan
from ebbmap.registries.parameters import parameter
from ebbmap.registries.populations import Population
from ebbmap.units import display

#: Step sizes of the bedside, in registry units.
STEPS: Mapping[str, float] = MappingProxyType(
    {"p_high": 2.0, "p_low": 2.0, "t_high": 0.5, "t_low": 0.05, "fio2": 0.1}
)

#: What a step is looked at for.
WATCHED = (
    "paco2",
    "ph",
    "pao2",
    "spo2",
    "mean_airway_pressure",
    "mean_alveolar_pressure",
    "auto_peep",
    "closed_fraction",
    "release_volume",
    "release_rate",
    "alveolar_ventilation",
    "alveolar_po2",
)

#: Given instead of a setting, and dropped once that setting is stepped.
STANDS_FOR = MappingProxyType({"t_low": "t_low_in_time_constants"})

#: Breathing that no release depends on.
SPONTANEOUS = "spontaneous_alveolar_ventilation"

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


def adjust_settings(
    question: Question, *, steps: Mapping[str, float] = STEPS, lungs: int | None = None
) -> xr.Dataset:
    """Take every single step and every pair of steps from the present settings.

    Parameters
    ----------
    question : Question
        Model, populations (their middle lungs), present settings, and the rules that judge.
    steps : mapping of str to float
        Settings and step sizes, in registry units, each taken up and down.
    lungs : int, optional
        Lungs drawn from each population to see how often a step goes against common practice;
        the question's own number if None.

    Returns
    -------
    xarray.Dataset
        Dims (population, move), the first move being none: the outcomes in `WATCHED` that the
        lung has, each with its change `change_OUTCOME`; `size` (move), the number of steps.
        Dims (population, rule, move): `verdict`, `margin`. Dims (population, rule): `best_single`
        and `best_pair`, the move with the lowest PaCO2 that keeps every hard limit, in words, and
        `best_single_paco2`, `best_pair_paco2`. Dims (population, practice): `agrees` (1, 0 where
        nothing changes, -1), `why`, and over drawn lungs `against_share`, NaN without a
        population. A step beyond the bounds of its setting is NaN and `possible` is 0.

    Raises
    ------
    EbbmapError
        For values that cannot be, or a step that is not above zero.

    Notes
    -----
    A pair is judged on its own: it may help where neither of its steps does.

    Examples
    --------
    >>> told = adjust_settings(Question(fixed={"t_low": 0.5}), steps={"t_low": 0.05})
    >>> told["move"].values.tolist()
    ['as set', 'T low +0.05 s', 'T low -0.05 s']
    """
    if not all(step > 0 for step in steps.values()):
        raise EbbmapError(f"steps must be above 0; got {dict(steps)}. Directions are both taken.")
    model = lung_model(question.lung)
    kept = tuple(name for name in WATCHED if name in outcomes_of(model))
    wanted = tuple(dict.fromkeys((*kept, *question.outcomes)))
    moves = _moves(steps)
    practices = [one for one in PRACTICE if one.setting in steps and one.outcome in kept]
    rows = []
    for group in question.groups():
        values = middle_lung(question, group, {})
        moved, possible = _moved(question.lung, values, steps, moves)
        solved = simulate(question.lung, outcomes=wanted, **moved)
        row = _one_row(solved, question, kept, moves, possible)
        rows.append(row.merge(_practice(question, group, row, practices, steps, lungs)))
    labels = question.group_names
    dataset = join_groups(rows, labels)
    for name in kept:
        dataset[name] = label(dataset[name], name)
        dataset[f"change_{name}"] = describe(
            dataset[f"change_{name}"], f"change of {OUTCOMES[name].long_name}", OUTCOMES[name].units
        )
    dataset[SPONTANEOUS] = label(dataset[SPONTANEOUS], SPONTANEOUS)
    _describe(dataset)
    return add_provenance(
        dataset,
        question,
        "one step of each setting",
        Use(middle=True, outcomes=wanted),
        steps=", ".join(_say(name, size) for name, size in steps.items()),
        lungs=(question.lungs if lungs is None else lungs) if question.populations else 0,
    )


def say_move(move: Move) -> str:
    """Say a move in words.

    Examples
    --------
    >>> say_move((("t_low", 0.05), ("p_high", -2.0)))
    'T low +0.05 s, P high -2 cmH₂O'
    """
    return ", ".join(_say(name, step) for name, step in move) or "as set"


def _say(name: str, step: float) -> str:
    entry = parameter(name)
    return f"{_SHORT.get(name, entry.long_name)} {step:+g} {display(entry.units)}".rstrip()


#: Shorter names of settings, for tables and axes.
_SHORT = MappingProxyType({"fio2": "FiO₂"})


def _moves(steps: Mapping[str, float]) -> list[Move]:
    """None, every single step, every pair of steps of two settings."""
    single = [((name, sign * step),) for name, step in steps.items() for sign in (1.0, -1.0)]
    pairs = [(*one, *other) for one, other in combinations(single, 2) if one[0][0] != other[0][0]]
    return [(), *single, *pairs]


def _moved(lung: str, values, steps, moves) -> tuple[dict[str, Any], np.ndarray]:
    """Values of every move, and which stay inside the bounds; the others keep what is set."""
    given = {name: array.values for name, array in as_arrays(values).items()}
    present = resolve(given, plan(lung_model(lung)).parameters)
    moved = {name: v for name, v in values.items() if name not in _stand_ins(steps)}
    possible = np.ones(len(moves), dtype=bool)
    for name in steps:
        shift = np.array([sum(step for other, step in m if other == name) for m in moves])
        placed = float(present[name]) + shift
        entry = parameter(name)
        inside = (placed >= entry.low) & (placed <= entry.high)
        possible &= inside
        moved[name] = xr.DataArray(np.where(inside, placed, float(present[name])), dims="move")
    return moved, possible


def _stand_ins(steps) -> set[str]:
    """Names that are given instead of a setting that is stepped."""
    return {STANDS_FOR[name] for name in steps if name in STANDS_FOR}


def _one_row(solved: xr.Dataset, question, kept, moves, possible) -> xr.Dataset:
    row = xr.Dataset(coords={"move": [say_move(move) for move in moves]})
    row[SPONTANEOUS] = float(solved[SPONTANEOUS])
    row["size"] = ("move", np.array([len(move) for move in moves]))
    row["possible"] = ("move", possible.astype(np.int8))
    for name in kept:
        value = np.where(possible, solved[name].values, np.nan)
        row[name] = ("move", value)
        row[f"change_{name}"] = ("move", value - value[0])
    return row.merge(
        xr.concat(
            [_judged(row, solved, limits, possible) for limits in question.rules.values()],
            dim=xr.Variable("rule", list(question.rules)),
        )
        if question.rules
        else xr.Dataset()
    )


def _judged(row: xr.Dataset, solved: xr.Dataset, limits, possible) -> xr.Dataset:
    judged = add_verdict(solved, limits)
    verdict, margin = judged["verdict"].values, np.where(possible, judged["margin"].values, np.nan)
    dataset = xr.Dataset({"verdict": ("move", verdict), "margin": ("move", margin)})
    # no ventilation at all is the highest PaCO2 there is
    paco2 = np.nan_to_num(row["paco2"].values, nan=np.inf)
    inside = possible & np.isin(verdict, (SAFE, CAUTION)) & (paco2 < paco2[0])
    lowest = np.inf
    for name, size in (("best_single", 1), ("best_pair", 2)):
        allowed = np.where(inside & (row["size"].values == size), paco2, np.inf)
        best = int(allowed.argmin())
        words = str(row["move"].values[best])
        if not np.isfinite(allowed[best]):
            words = _none(judged, row, limits, possible, paco2, size)
        elif allowed[best] >= lowest * (1.0 - NO_CHANGE):
            words = "none: no pair does better than the best single step"
        else:
            lowest = allowed[best]
        dataset[name] = words
        dataset[f"{name}_paco2"] = np.nan if words.startswith("none") else allowed[best]
    return dataset


def _none(judged: xr.Dataset, row: xr.Dataset, limits, possible, paco2, size: int) -> str:
    """Say why no move lowers PaCO2 inside the limits."""
    lowers = possible & (row["size"].values == size) & (paco2 < paco2[0])
    if not lowers.any():
        return "none: no such move lowers PaCO2"
    margin = np.where(lowers, judged["margin"].fillna(-np.inf).values, -np.inf)
    nearest = int(margin.argmax())
    bound = int(judged["binding"].values[nearest])
    broken = limits.hard[bound].sentence if bound >= 0 else "a case that could not be solved"
    return f"none: the nearest, {row['move'].values[nearest]}, has {broken}"


def _practice(question, group: Population | None, row, practices, steps, lungs) -> xr.Dataset:
    """Compare the directions of single steps with common practice, and say why."""
    agrees, why, against = [], [], []
    drawn = None
    if group is not None:
        asked = (
            question
            if lungs is None
            else Question(
                question.lung,
                question.fixed,
                question.samples,
                question.populations,
                question.rules,
                lungs,
                question.seed,
            )
        )
        drawn = draw_cases(asked, group, {})
    for one in practices:
        move = say_move(((one.setting, one.step * steps[one.setting]),))
        before, after = row.sel(move="as set"), row.sel(move=move)
        agrees.append(float(_direction(before[one.outcome], after[one.outcome]) * one.effect))
        why.append(_why(one, before, after))
        against.append(np.nan if drawn is None else _against(question.lung, drawn, one, steps))
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


def _direction(before, after) -> np.ndarray:
    """Sign of a change, 0 where it is rounding, NaN where unknown; shape (...)."""
    before, after = np.asarray(before, float), np.asarray(after, float)
    change = after - before
    return np.where(np.abs(change) <= NO_CHANGE * np.abs(before), 0.0 * change, np.sign(change))


def _against(lung: str, drawn, practice: Practice, steps) -> float:
    """Share of drawn lungs in which a step goes against common practice."""
    given = {name: array.values for name, array in as_arrays(drawn).items()}
    present = resolve(given, plan(lung_model(lung)).parameters)[practice.setting]
    entry = parameter(practice.setting)
    stepped = np.asarray(present, float) + practice.step * steps[practice.setting]
    if np.any(stepped < entry.low) or np.any(stepped > entry.high):
        return np.nan
    base = {k: v for k, v in drawn.items() if k not in _stand_ins([practice.setting])}
    dims = ("sample",)[: stepped.ndim]
    ends = [
        simulate(lung, outcomes=(practice.outcome,), **{**base, practice.setting: at})
        for at in (xr.DataArray(present, dims=dims), xr.DataArray(stepped, dims=dims))
    ]
    direction = _direction(*(end[practice.outcome].values for end in ends)) * practice.effect
    known = np.isfinite(direction)
    return float(np.mean(direction[known] < 0)) if known.any() else np.nan


def _why(practice: Practice, before: xr.Dataset, after: xr.Dataset) -> str:
    """Say through what a step acts on an outcome."""
    if practice.outcome == "paco2":
        rate = float(after["release_rate"] / before["release_rate"]) - 1.0
        own = [
            float((one["alveolar_ventilation"] - one[SPONTANEOUS]) / one["release_rate"])
            for one in (before, after)
        ]
        if not (own[0] > 0 and np.isfinite(own[1])):
            return "no release reaches the alveoli"
        return f"releases per minute {rate:+.1%}, alveolar gas of each {own[1] / own[0] - 1:+.1%}"
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


def _describe(dataset: xr.Dataset) -> None:
    texts = {
        "size": "steps in the move",
        "possible": "1: every setting stays inside its bounds",
        "margin": "safety margin",
        "agrees": "1: as common practice has it, -1: against it, 0: no change",
        "against_share": "share of drawn lungs in which the step goes against common practice",
        "best_single_paco2": "PaCO2 after the best single step",
        "best_pair_paco2": "PaCO2 after the best pair of steps",
    }
    for name, text in texts.items():
        if name in dataset:
            units = "mmHg" if name.endswith("paco2") else "1"
            dataset[name] = describe(dataset[name], text, units)
    for name, text in (
        ("best_single", "step that lowers PaCO2 most and keeps all hard limits"),
        ("best_pair", "pair of steps that lowers PaCO2 most and keeps all hard limits"),
        ("why", "through what the step acts"),
    ):
        if name in dataset:
            dataset[name].attrs = {"long_name": text}
    if "verdict" in dataset:
        dataset["verdict"] = label_verdict(dataset["verdict"])
