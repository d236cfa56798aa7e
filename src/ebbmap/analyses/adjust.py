"""One step at the bedside: what it does, which step does most for CO2, and common practice.

A move is one step of one setting, or a pair of steps of two settings.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import combinations
from types import MappingProxyType
from typing import Any

import numpy as np
import xarray as xr
from pydantic import Field

from ebbmap.analyses.asked import Asked
from ebbmap.analyses.base import Analysis, whole
from ebbmap.analyses.common.practice import (
    NO_CHANGE,
    PRACTICE,
    Move,
    compare_practice,
    say_move,
    say_step,
    stand_ins,
)
from ebbmap.analyses.common.reach import VARIABLES as REACH
from ebbmap.analyses.common.reach import find_reach, slopes_by
from ebbmap.analyses.common.sizes import middle_lungs
from ebbmap.analyses.options import NO_AXES, Axes, Options, ParameterName, Positive
from ebbmap.cases.evaluate import resolve
from ebbmap.cases.inputs import as_arrays
from ebbmap.cases.labelling import Variable, flags, label_variables
from ebbmap.cases.pieces import Progress, join_groups
from ebbmap.cases.question import Question, draw_cases, middle_lung
from ebbmap.cases.simulate import add_verdict, simulate
from ebbmap.cases.steady import unsteady_words
from ebbmap.cases.uses import Use, add_provenance
from ebbmap.exchange.steady import HIGHEST_PACO2
from ebbmap.kernels.judging import CAUTION, SAFE, VERDICTS
from ebbmap.lungs import lung_model
from ebbmap.registries.bounds import with_steady_state
from ebbmap.registries.limits import LimitSet
from ebbmap.registries.outcomes import OUTCOMES, outcomes_of, plan
from ebbmap.registries.parameters import PARAMETERS, SPONTANEOUS, parameter
from ebbmap.registries.steady import BALANCES

#: Step sizes of the bedside, in registry units.
STEPS: Mapping[str, float] = MappingProxyType(
    {"p_high": 2.0, "p_low": 2.0, "t_high": 0.5, "t_low": 0.05, "fio2": 0.1}
)

#: Where practice stops: no step goes further out. Low and high, in registry units, with a source.
_TEXTBOOK = "Cairo, Pilbeam's Mechanical Ventilation, ch. 23"
STOPS: Mapping[str, tuple[float, float, str]] = MappingProxyType(
    {
        "p_high": (0.0, 30.0, f"at most 30 cmH₂O: {_TEXTBOOK}"),
        "t_high": (4.0, 15.0, f"4 to 15 s: {_TEXTBOOK}"),
    }
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

VARIABLES: Mapping[str, Variable] = {
    **{
        f"change_{name}": Variable(f"change of {OUTCOMES[name].long_name}", OUTCOMES[name].units)
        for name in WATCHED
    },
    "size": Variable("steps in the move"),
    "possible": Variable("1: every setting stays inside its bounds and where practice stops"),
    "stopped": Variable("why a move is not tried; empty where it is", None),
    "unsteady": Variable("why there is no steady state; empty where there is one", None),
    "margin": Variable("safety margin"),
    "agrees": Variable("1: as common practice has it, -1: against it, 0: no change"),
    "against_share": Variable(
        "share of drawn lungs in which the step goes against common practice"
    ),
    "best_single_paco2": Variable("PaCO2 after the best single step", "mmHg"),
    "best_pair_paco2": Variable("PaCO2 after the best pair of steps", "mmHg"),
    "best_single": Variable("step that lowers PaCO2 most and keeps all hard limits", None),
    "best_pair": Variable("pair of steps that lowers PaCO2 most and keeps all hard limits", None),
    "why": Variable("through what the step acts", None),
    "verdict": flags("verdict", VERDICTS),
    **REACH,
}


class Adjust(Options):
    """One step of each setting from the present ones, single and in pairs."""

    steps: dict[ParameterName, Positive] = Field(
        default=dict(STEPS),
        min_length=1,
        description="settings and step sizes, in registry units, each taken up and down",
    )


def find_adjust(
    question: Question,
    options: Adjust | None = None,
    *,
    axes: Axes = NO_AXES,
    progress: Progress = None,
) -> xr.Dataset:
    """Try every single step and every pair of steps from the present settings.

    Parameters
    ----------
    question : Question
        Model, populations (their middle lungs), present settings, and the rules that judge. As
        many lungs as it says are drawn from each population, to see how often a step goes
        against common practice.
    options : Adjust, optional
        Settings and step sizes.
    axes : mapping of str to ndarray
        Not used.
    progress : callable, optional
        Called with the number of cases just finished.

    Returns
    -------
    xarray.Dataset
        Dims (population, move), the first move being none: the outcomes in `WATCHED` that the
        lung has, each with its change `change_OUTCOME`; `size` (move), the number of steps.
        Dims (population, rule, move): `verdict`, `margin`. Dims (population, rule): `best_single`
        and `best_pair`, the move with the lowest PaCO2 that keeps every hard limit, in words, and
        `best_single_paco2`, `best_pair_paco2`; `first_limit`, the change of one setting, least in
        steps, at which a limit is reached, or none is broken any more. Dims (population, rule,
        setting): `margin_slope`, exact where the engine is JAX; (..., direction): `reach`, where
        each setting alone reaches a limit, and `reached`, which one; see `find_reach`.
        Dims (population, practice): `agrees` (1, 0 where nothing changes, -1), `why`, and over
        drawn lungs `against_share`, NaN without a population. A step beyond the bounds of its
        setting, or further out than practice goes (`STOPS`), is NaN and `possible` is 0; `stopped`
        says why. `unsteady` says why a move has no steady state of CO2 and oxygen; such a move is
        unsafe, whatever the limits.

    Raises
    ------
    EbbmapError
        For values that cannot be.

    Notes
    -----
    A pair is judged on its own: it may help where neither of its steps does.

    Examples
    --------
    >>> moves = find_adjust(Question(fixed={"t_low": 0.5}), Adjust(steps={"t_low": 0.05}))
    >>> moves["move"].values.tolist()
    ['as set', 'T low +0.05 s', 'T low -0.05 s']
    """
    steps = (options or Adjust()).steps
    model = lung_model(question.lung)
    kept = tuple(name for name in WATCHED if name in outcomes_of(model))
    wanted = tuple(dict.fromkeys((*kept, *BALANCES, *question.outcomes)))
    moves = _moves(steps)
    practices = [one for one in PRACTICE if one.setting in steps and one.outcome in kept]
    rows = []
    for group in question.groups():
        values = middle_lung(question, group, {})
        moved, stopped = _moved(question.lung, values, steps, moves)
        solved = simulate(question.lung, outcomes=wanted, progress=progress, **moved)
        drawn = None if group is None else draw_cases(question, group, {})
        row = _one_row(solved, question, kept, moves, stopped)
        row = row.merge(compare_practice(question.lung, drawn, row, practices, steps))
        if question.rules:
            present = {
                name: value.isel(move=0) if name in steps else value
                for name, value in moved.items()
            }
            limits = {n: with_steady_state(own, wanted) for n, own in question.rules.items()}
            row = row.merge(find_reach(question.lung, present, steps, limits))
        rows.append(row)
    dataset = join_groups(rows, question.group_names)
    label_variables(dataset, VARIABLES, registry=(*kept, SPONTANEOUS))
    return add_provenance(
        dataset,
        question,
        "one step of each setting",
        Use(middle=True, outcomes=wanted),
        steps=", ".join(say_step(name, size) for name, size in steps.items()),
        derivatives=slopes_by(question.lung),
        lungs=question.lungs if question.populations else 0,
    )


def _moves(steps: Mapping[str, float]) -> list[Move]:
    """Return no step, every single step, every pair of steps of two settings."""
    single = [((name, sign * step),) for name, step in steps.items() for sign in (1.0, -1.0)]
    pairs = [(*one, *other) for one, other in combinations(single, 2) if one[0][0] != other[0][0]]
    return [(), *single, *pairs]


def _moved(
    lung: str, values: Mapping[str, Any], steps: Mapping[str, float], moves: list[Move]
) -> tuple[dict[str, Any], np.ndarray]:
    """Return the values of every move, and why it is not tried; such moves keep what is set."""
    given = {name: array.values for name, array in as_arrays(values).items()}
    present = resolve(given, plan(lung_model(lung)).parameters)
    moved = {name: v for name, v in values.items() if name not in stand_ins(steps)}
    stopped = np.full(len(moves), "", dtype=object)
    for name in steps:
        shift = np.array([sum(step for other, step in m if other == name) for m in moves])
        placed = float(present[name]) + shift
        why = [_stop(name, float(at), float(by)) for at, by in zip(placed, shift, strict=True)]
        stopped = np.where(stopped == "", np.array(why, dtype=object), stopped)
        moved[name] = xr.DataArray(placed, dims="move")
    for name in steps:
        moved[name] = moved[name].where(stopped == "", float(present[name]))
    return moved, stopped.astype(str)


def _stop(name: str, placed: float, step: float) -> str:
    """Return why a setting is not stepped to a place; empty where it is.

    Examples
    --------
    >>> _stop("t_high", 3.5, -0.5), _stop("t_high", 3.5, 0.5)
    ("beyond where practice stops, 4 to 15 s: Cairo, Pilbeam's Mechanical Ventilation, ch. 23", '')
    """
    entry = parameter(name)
    if not entry.low <= placed <= entry.high:
        return "beyond the bounds of the registry"
    low, high, why = STOPS.get(name, (entry.low, entry.high, ""))
    outward = (placed < low and step < 0) or (placed > high and step > 0)
    return f"beyond where practice stops, {why}" if outward else ""


def _one_row(
    solved: xr.Dataset,
    question: Question,
    kept: tuple[str, ...],
    moves: list[Move],
    stopped: np.ndarray,
) -> xr.Dataset:
    possible = stopped == ""
    row = xr.Dataset(coords={"move": [say_move(move) for move in moves]})
    row[SPONTANEOUS] = float(solved[SPONTANEOUS])
    row["size"] = ("move", np.array([len(move) for move in moves]))
    row["possible"] = ("move", possible.astype(np.int8))
    row["stopped"] = ("move", stopped)
    row["unsteady"] = ("move", np.where(possible, unsteady_words(solved), ""))
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


def _judged(
    row: xr.Dataset, solved: xr.Dataset, limits: LimitSet, possible: np.ndarray
) -> xr.Dataset:
    limits = with_steady_state(limits, solved.data_vars)
    judged = add_verdict(solved, limits)
    verdict, margin = judged["verdict"].values, np.where(possible, judged["margin"].values, np.nan)
    dataset = xr.Dataset({"verdict": ("move", verdict), "margin": ("move", margin)})
    # beyond the ceiling, the tension that there would be; no ventilation at all is the highest
    wanting = HIGHEST_PACO2 / np.maximum(1.0 + solved["co2_balance"].values, 1e-9)
    paco2 = np.where(solved["co2_balance"] < 0.0, wanting, row["paco2"].values)
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


def _none(
    judged: xr.Dataset,
    row: xr.Dataset,
    limits: LimitSet,
    possible: np.ndarray,
    paco2: np.ndarray,
    size: int,
) -> str:
    """Return why no move lowers PaCO2 inside the limits."""
    lowers = possible & (row["size"].values == size) & (paco2 < paco2[0])
    if not lowers.any():
        return "none: no such move lowers PaCO2"
    margin = np.where(lowers, judged["margin"].fillna(-np.inf).values, -np.inf)
    nearest = int(margin.argmax())
    bound = int(judged["binding"].values[nearest])
    broken = limits.hard[bound].sentence if bound >= 0 else "a case that could not be solved"
    return f"none: the nearest, {row['move'].values[nearest]}, has {broken}"


def _check(asked: Asked) -> Iterator[str]:
    for name in asked.table("steps"):
        if name in PARAMETERS and PARAMETERS[name].kind != "setting":
            yield f"{asked.place}.steps.{name}: is no setting. Drop it."


ANALYSIS = Analysis(
    name="adjust",
    long_name="one step of each setting",
    options=Adjust,
    pieces=whole(find_adjust),
    size=middle_lungs(lambda question, options, axes: (1 + 2 * len(options.steps)) ** 2),
    variables=VARIABLES,
    check=_check,
    computes=lambda options: None,
)
