"""How far each setting can go until a limit is reached, and how steeply the margin changes there.

Sizes: k settings, r rules; a place is a rule, a setting and a direction, p = 2 k r of them.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.analyses.common.practice import say_step
from ebbmap.cases.evaluate import evaluate, resolve
from ebbmap.cases.gradient import EXACT, MARGIN, gradient
from ebbmap.cases.inputs import as_arrays
from ebbmap.cases.labelling import Variable
from ebbmap.engines import compiles
from ebbmap.kernels.judging import Judgement, judge
from ebbmap.kernels.turning import turning_points
from ebbmap.lungs import lung_model
from ebbmap.registries.derivations import all_inputs
from ebbmap.registries.limits import LimitSet
from ebbmap.registries.outcomes import plan
from ebbmap.registries.parameters import PARAMETERS

#: Differences are taken over this share of a step of the bedside either way.
PART = 1e-3

#: P high and P low are brought together by this share of their distance at most.
APART = 0.999

DIRECTIONS = {"down": -1.0, "up": 1.0}

VARIABLES: Mapping[str, Variable] = {
    "margin_slope": Variable("change of the safety margin with one step, by its slope"),
    "reach": Variable(
        "change of one setting at which a limit is reached, or the last broken one holds again",
        "see setting_units",
    ),
    "reached": Variable("which limit that is; empty where there is none", None),
    "first_limit": Variable("which limit fewest steps of one setting reach, or mend", None),
}


def slopes_by(lung: str) -> str:
    """Return how slopes are found by the engine in use."""
    differences = f"central differences, {PART:g} of a step either way"
    return EXACT if compiles(lung_model(lung)) else differences


def find_reach(
    lung: str,
    present: Mapping[str, Any],
    steps: Mapping[str, float],
    rules: Mapping[str, LimitSet],
) -> xr.Dataset:
    """Find for every setting, up and down, where the first limit is reached.

    Parameters
    ----------
    lung : str
        Lung model.
    present : mapping of str to float
        Every value as it is now, the k settings among them.
    steps : mapping of str to float
        The settings and the size of a step of each.
    rules : mapping of str to LimitSet
        At least one.

    Returns
    -------
    Dataset
        `margin_slope` (rule, setting), `reach`, `reached` (rule, setting, direction) and
        `first_limit` (rule); see `VARIABLES`. Where a limit is broken now, the reach is where none
        is any more. NaN and empty where nothing changes within the setting's bounds. The search
        starts from the slope and doubles its way, so that a stretch narrower than the way so far
        may be passed over.
    """
    names, ways = list(steps), list(DIRECTIONS.values())
    outcomes = tuple(dict.fromkeys(n for limits in rules.values() for n in limits.outcomes))
    shape = len(rules), len(names), len(ways)
    model = lung_model(lung)
    given = {name: array.values for name, array in as_arrays(present).items()}
    now = {name: float(present[name]) for name in names}

    def judged(moved: Mapping[str, np.ndarray]) -> list[Judgement]:
        """Judge cases by every rule; the settings that are moved have shape (p,)."""
        (size,) = {values.shape for values in moved.values()}
        solved = {
            name: np.broadcast_to(values, size)
            for name, values in evaluate(model, {**given, **moved}, outcomes).outcomes.items()
        }
        return [judge(own, {n: solved[n] for n in own.outcomes}) for own in rules.values()]

    def at(change: np.ndarray) -> list[Judgement]:
        """Judge each place by its own change, shape (r, k, 2)."""
        moved = {name: np.full(shape, now[name]) for name in names}
        for number, name in enumerate(names):
            entry = PARAMETERS[name]
            # at the end of the room rounding may pass a bound
            moved[name][:, number] = np.clip(now[name] + change[:, number], entry.low, entry.high)
        return judged({name: values.reshape(-1) for name, values in moved.items()})

    def margin(size: np.ndarray) -> np.ndarray:
        found = at(size * ways)
        return np.stack([one.margin.reshape(shape)[number] for number, one in enumerate(found)])

    slopes = _slopes(lung, present, steps, rules, judged)
    pressures = resolve(given, ("p_high", "p_low"))
    drop = float(pressures["p_high"]) - float(pressures["p_low"])
    own_room = [[_room(name, now[name], way, drop) for way in ways] for name in names]
    room = np.array([own_room] * shape[0])
    unit = np.array([steps[name] for name in names])[:, None]
    toward = slopes[:, :, None] * ways / unit
    last, past = turning_points(margin, toward, np.broadcast_to(unit, shape), room)
    sure = np.isfinite(past)
    held = margin(np.zeros(shape)) >= 0.0
    # a limit that breaks is named beyond the turn, one that is mended before it
    named = at(np.where(sure, np.where(held, past, last), 0.0) * ways)
    words = np.full(shape, "", dtype=object)
    for place in zip(*np.nonzero(sure), strict=True):
        one = named[place[0]]
        words[place] = one.hard[int(one.binding.reshape(shape)[place])].sentence
    reach = np.where(sure, 0.5 * (last + past), np.nan) * ways
    return xr.Dataset(
        {
            "margin_slope": (("rule", "setting"), slopes),
            "reach": (("rule", "setting", "direction"), reach),
            "reached": (("rule", "setting", "direction"), words.astype(str)),
            "first_limit": ("rule", _first(reach, words, held, steps)),
        },
        {
            "rule": list(rules),
            "setting": names,
            "direction": list(DIRECTIONS),
            "setting_units": ("setting", [PARAMETERS[name].units for name in names]),
        },
    )


def _room(name: str, now: float, way: float, drop: float) -> float:
    """Return how far a setting may go: to its bounds, and P high and P low not past each other."""
    entry = PARAMETERS[name]
    room = max((entry.high - now) if way > 0 else (now - entry.low), 0.0)
    meets = (name == "p_high" and way < 0) or (name == "p_low" and way > 0)
    return min(room, APART * drop) if meets else room


def _slopes(
    lung: str,
    present: Mapping[str, Any],
    steps: Mapping[str, float],
    rules: Mapping[str, LimitSet],
    judged: Any,
) -> np.ndarray:
    """Return the change of each rule's margin with one step of each setting, shape (r, k)."""
    names = list(steps)
    if compiles(lung_model(lung)):
        outcomes = {name for limits in rules.values() for name in limits.outcomes}
        used = all_inputs(plan(lung_model(lung), outcomes).parameters)
        moved = [name for name in names if name in used]
        values = {n: np.asarray(value, dtype=float).reshape(()) for n, value in present.items()}
        found = gradient((), moved, lung, limits=rules, **values)
        by_rule = [found[f"{MARGIN}_{rule}"] for rule in rules]
        return np.array([[float(by.get(n, 0.0)) * steps[n] for n in names] for by in by_rule])
    columns = []
    for name in names:
        sides = float(present[name]) + np.array([1.0, -1.0]) * PART * steps[name]
        entry = PARAMETERS[name]
        sides = np.clip(sides, entry.low, entry.high)
        margins = np.stack([one.margin for one in judged({name: sides})])
        columns.append((margins[:, 0] - margins[:, 1]) / (sides[0] - sides[1]) * steps[name])
    return np.stack(columns, axis=1)


def _first(
    reach: np.ndarray, words: np.ndarray, held: np.ndarray, steps: Mapping[str, float]
) -> list[str]:
    """Return for each rule which limit fewest steps of one setting reach, or mend."""
    sizes = np.array([steps[name] for name in steps])[:, None]
    said = []
    for own, own_words, own_held in zip(reach, words, held, strict=True):
        count = np.where(np.isnan(own), np.inf, np.abs(own) / sizes)
        place = np.unravel_index(int(count.argmin()), count.shape)
        if not np.isfinite(count[place]):
            said.append("none: no setting alone reaches a limit within its bounds")
            continue
        step = say_step(list(steps)[place[0]], float(f"{own[place]:.2g}"))
        word = "reaches" if own_held[place] else "mends"
        said.append(f"{step} {word}: {own_words[place]}")
    return said
