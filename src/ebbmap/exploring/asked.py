"""What an explorer is about: a lung model, lungs, settings to open with, limits and axes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from ebbmap.cases.question import Question
from ebbmap.cases.start import START
from ebbmap.cases.trace import is_traceable
from ebbmap.errors import EbbmapError
from ebbmap.files.study import Study
from ebbmap.lungs import lung_model
from ebbmap.registries.copula import Population
from ebbmap.registries.derivations import DERIVATIONS, all_inputs
from ebbmap.registries.limits import RULES, Bound, LimitSet, combine, limit_set
from ebbmap.registries.outcomes import plan
from ebbmap.registries.parameters import PARAMETERS, SPONTANEOUS
from ebbmap.registries.populations import POPULATIONS

#: Lungs drawn of each population, fewer where a page holds a table of each; cells along each axis,
#: fewer where a server solves cases that cost much.
LUNGS, TABLED_LUNGS, CELLS, SERVED_CELLS = 200, 80, 100, 20

#: Settings, each with the step of its slider.
SETTINGS: Mapping[str, float] = {
    "t_low": 0.01,
    "t_low_in_time_constants": 0.01,
    "p_high": 0.5,
    "plateau_peep": 0.5,
    "t_high": 0.1,
    "p_low": 0.5,
    "fio2": 0.01,
    SPONTANEOUS: 0.1,
}

#: Settings that may be set through another, and in words how.
THROUGH: Mapping[str, str] = {
    "t_low_in_time_constants": "in time constants",
    "plateau_peep": "each lung's plateau",
}

#: Ends of sliders and axes that differ from the registry's usual ones.
ENDS: Mapping[str, tuple[float, float]] = {SPONTANEOUS: (0.0, 6.0), "t_low": (0.1, 1.6)}

#: Numbers that are shown of one lung, with their digits; -1: in per cent.
SHOWN: Mapping[str, int] = {
    "paco2": 0,
    "ph": 2,
    "spo2": -1,
    "release_volume_per_kg": 1,
    "end_release_pressure": 1,
    "flow_ratio": -1,
}

#: The axes that a map opens with.
AXES = ("t_low", SPONTANEOUS)


@dataclass(frozen=True)
class Axis:
    """An axis of the map, evenly spaced from one end to the other."""

    name: str
    low: float
    high: float

    def places(self, cells: int) -> np.ndarray:
        """Return its places, both ends included, shape (cells,)."""
        return self.low + (self.high - self.low) * np.arange(cells) / (cells - 1)


@dataclass(frozen=True)
class Asked:
    """What an explorer is about.

    Parameters
    ----------
    question : Question
        Lung model, populations, how many lungs, seed; its fixed values are held in every lung.
    limits : LimitSet
        What judges, the rules that can be switched on included.
    rules : tuple of str
        Rules within the limits that are off at first.
    opening : mapping of str to float
        Settings to open with.
    axes : tuple of Axis
        Across and up.
    cells : int
        Cells along each axis.
    """

    question: Question
    limits: LimitSet
    rules: tuple[str, ...]
    opening: Mapping[str, float]
    axes: tuple[Axis, Axis]
    cells: int

    @property
    def bounds(self) -> tuple[Bound, ...]:
        """Hard bounds, then those that ask for caution."""
        return (*self.limits.hard, *self.limits.caution)

    @property
    def groups(self) -> tuple[Population, ...]:
        """The populations."""
        return self.question.populations

    @property
    def inputs(self) -> frozenset[str]:
        """Every parameter that the lung and the limits take, directly or derived."""
        return all_inputs(plan(lung_model(self.question.lung), self.limits.outcomes).parameters)


def ends_of(name: str) -> tuple[float, float]:
    """Return the ends of a slider or an axis.

    Examples
    --------
    >>> ends_of("t_high")
    (2.0, 8.0)
    """
    return ENDS.get(name, PARAMETERS[name].usual)


def lungs_of_page(lung: str) -> int:
    """Return how many lungs a page that computes by itself draws of each population.

    Examples
    --------
    >>> lungs_of_page("linear"), lungs_of_page("whole")
    (200, 80)
    """
    return LUNGS if is_traceable(lung) else TABLED_LUNGS


def usual(lung: str, *, lungs: int | None = None, seed: int = 0, cells: int | None = None) -> Asked:
    """Return an explorer of the bundled populations, judged by harm, for a page by itself.

    Raises
    ------
    EbbmapError
        If there is no such lung, or a number is too small.
    """
    count = lungs_of_page(lung) if lungs is None else lungs
    question = Question(lung, {}, {}, tuple(POPULATIONS.values()), {}, lungs=count, seed=seed)
    axes = [Axis(name, *ends_of(name)) for name in AXES]
    return _asked(question, limit_set("harm"), {}, axes, cells or CELLS)


def of_study(
    study: Study, *, lung: str | None = None, cells: int | None = None, page: bool = False
) -> Asked:
    """Return an explorer of the lungs, settings, limits and first map of a study.

    Parameters
    ----------
    study : Study
        A study file that passed every check. What it draws beside its lungs is left out.
    lung : str, optional
        A lung model instead of the study's.
    cells : int, optional
        Cells along each axis.
    page : bool
        Whether for a page by itself, with the lungs that one holds.

    Raises
    ------
    EbbmapError
        If the study names no population.
    """
    own = study.question
    if not own.populations:
        raise EbbmapError("the study names no population, so there are no lungs to explore.")
    maps = [options for entry, options in study.asked() if entry.name == "map"]
    names = [maps[0].x, maps[0].y] if maps else list(AXES)
    axes = []
    for name in names:
        grid = study.axes.get(name)
        ends = ends_of(name) if grid is None else (float(np.min(grid)), float(np.max(grid)))
        axes.append(Axis(name, *ends))
    properties = {name for group in own.populations for name in group.properties}
    if not {axis.name for axis in axes} <= {*SETTINGS, *properties}:
        axes = [Axis(name, *ends_of(name)) for name in AXES]
    opening = {name: value for name, value in own.fixed.items() if name in SETTINGS}
    held = {name: value for name, value in own.fixed.items() if name not in SETTINGS}
    chosen = lung or own.lung
    lungs = min(own.lungs, lungs_of_page(chosen) if page else LUNGS)
    grows = own.lungs_may_grow and lungs == own.lungs
    draws: dict[str, Any] = {"lungs": lungs, "lungs_may_grow": grows, "seed": own.seed}
    question = Question(chosen, held, {}, own.populations, {}, **draws)
    limits = next(iter(own.rules.values()), limit_set("harm"))
    if cells is None:
        cells = SERVED_CELLS if lung_model(chosen).costly and not page else CELLS
    return _asked(question, limits, opening, axes, cells)


def _asked(
    question: Question,
    limits: LimitSet,
    opening: Mapping[str, float],
    axes: list[Axis],
    cells: int,
) -> Asked:
    """Put an explorer together: rules that can be switched on, and what nobody gave."""
    if question.lungs < 1 or cells < 2:
        raise EbbmapError("the explorer needs at least one lung and two cells along each axis.")
    known = {bound.outcome for bound in limits.hard}
    rules = tuple(rule for rule in RULES if rule not in known)
    every = combine("all", limits, *(limit_set(rule) for rule in rules))
    targets = {way.trigger: way.target for way in DERIVATIONS}
    given = {targets.get(name, name) for name in opening}
    start: dict[str, Any] = {name: PARAMETERS[name].default for name in SETTINGS}
    start |= {name: value for name, value in START.items() if targets.get(name, name) not in given}
    return Asked(question, every, rules, {**start, **opening}, (axes[0], axes[1]), cells)


def modes_of(asked: Asked) -> dict[str, str]:
    """Return, of each setting that may be set through another, which of the two is given at first.

    Examples
    --------
    >>> modes_of(usual("linear"))
    {'t_low': 't_low', 'p_high': 'plateau_peep'}
    """
    axes = [axis.name for axis in asked.axes]
    found = {}
    for trigger in THROUGH:
        target = next(way.target for way in DERIVATIONS if way.trigger == trigger)
        usual_way = trigger if trigger in START else target
        found[target] = next((name for name in axes if name in (trigger, target)), usual_way)
    return found
