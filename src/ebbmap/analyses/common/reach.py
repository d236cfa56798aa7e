"""How far each setting can go until a limit is reached, and how steeply the margin changes there.

Sizes: k settings, r rules; a place is a rule, a setting and a direction, p = 2 k r of them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
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
    moved = _Moved(lung, present, steps, rules)
    shape, ways = moved.shape, np.array(list(DIRECTIONS.values()))
    unit = np.array([steps[name] for name in steps])[:, None]
    slopes = moved.slopes()
    toward = slopes[:, :, None] * ways / unit
    last, past = turning_points(
        lambda size: moved.margins(size * ways),
        toward,
        np.broadcast_to(unit, shape),
        np.broadcast_to(moved.room(), shape),
    )
    sure = np.isfinite(past)
    held = moved.margins(np.zeros(shape)) >= 0.0
    # a limit that breaks is named beyond the turn, one that is mended before it
    named = moved.judged_at(np.where(sure, np.where(held, past, last), 0.0) * ways)
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
            "setting": list(steps),
            "direction": list(DIRECTIONS),
            "setting_units": ("setting", [PARAMETERS[name].units for name in steps]),
        },
    )


@dataclass(frozen=True)
class _Moved:
    """A lung with one setting moved at each place; the parameters are those of `find_reach`."""

    lung: str
    present: Mapping[str, Any]
    steps: Mapping[str, float]
    rules: Mapping[str, LimitSet]

    @property
    def shape(self) -> tuple[int, int, int]:
        """Rules, settings and directions."""
        return len(self.rules), len(self.steps), len(DIRECTIONS)

    @cached_property
    def _given(self) -> dict[str, np.ndarray]:
        return {name: array.values for name, array in as_arrays(self.present).items()}

    def _judged(self, moved: Mapping[str, np.ndarray]) -> list[Judgement]:
        """Judge cases by every rule; the settings that are moved have shape (p,)."""
        (size,) = {values.shape for values in moved.values()}
        rules = self.rules.values()
        outcomes = tuple(dict.fromkeys(n for limits in rules for n in limits.outcomes))
        solved = evaluate(lung_model(self.lung), {**self._given, **moved}, outcomes).outcomes
        full = {name: np.broadcast_to(values, size) for name, values in solved.items()}
        return [judge(own, {name: full[name] for name in own.outcomes}) for own in rules]

    def judged_at(self, change: np.ndarray) -> list[Judgement]:
        """Judge each place by its own change, shape (r, k, 2); by rule, each of all p places."""
        moved = {}
        for number, name in enumerate(self.steps):
            entry, now = PARAMETERS[name], float(self.present[name])
            values = np.full(self.shape, now)
            # at the end of the room rounding may pass a bound
            values[:, number] = np.clip(now + change[:, number], entry.low, entry.high)
            moved[name] = values.reshape(-1)
        return self._judged(moved)

    def margins(self, change: np.ndarray) -> np.ndarray:
        """Return the margin of each place under its own rule, shape (r, k, 2)."""
        judged = self.judged_at(change)
        return np.stack([one.margin.reshape(self.shape)[at] for at, one in enumerate(judged)])

    def room(self) -> np.ndarray:
        """Return how far each setting may go either way, shape (k, 2)."""
        pressures = resolve(self._given, ("p_high", "p_low"))
        drop = float(pressures["p_high"]) - float(pressures["p_low"])
        ways = DIRECTIONS.values()
        return np.array(
            [[_room(n, float(self.present[n]), way, drop) for way in ways] for n in self.steps]
        )

    def slopes(self) -> np.ndarray:
        """Return the change of each rule's margin with one step of each setting, shape (r, k)."""
        model, steps = lung_model(self.lung), self.steps
        if compiles(model):
            outcomes = {name for limits in self.rules.values() for name in limits.outcomes}
            used = all_inputs(plan(model, outcomes).parameters)
            moved = [name for name in steps if name in used]
            values = {n: np.asarray(v, dtype=float).reshape(()) for n, v in self.present.items()}
            found = gradient((), moved, self.lung, limits=self.rules, **values)
            by_rule = [found[f"{MARGIN}_{rule}"] for rule in self.rules]
            return np.array([[float(by.get(n, 0.0)) * steps[n] for n in steps] for by in by_rule])
        columns = []
        for name, step in steps.items():
            entry = PARAMETERS[name]
            sides = float(self.present[name]) + np.array([1.0, -1.0]) * PART * step
            sides = np.clip(sides, entry.low, entry.high)
            margins = np.stack([one.margin for one in self._judged({name: sides})])
            columns.append((margins[:, 0] - margins[:, 1]) / (sides[0] - sides[1]) * step)
        return np.stack(columns, axis=1)


def _room(name: str, now: float, way: float, drop: float) -> float:
    """Return how far a setting may go: to its bounds, and P high and P low not past each other."""
    entry = PARAMETERS[name]
    room = max((entry.high - now) if way > 0 else (now - entry.low), 0.0)
    meets = (name == "p_high" and way < 0) or (name == "p_low" and way > 0)
    return min(room, APART * drop) if meets else room


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
