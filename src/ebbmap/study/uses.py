"""Which parameters each analysis of a study lays out, draws or holds, and which it would miss.

A value that is declared and not used is a problem: the registry's default would take its place.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from ebbmap.cases import Question
from ebbmap.derivations import DERIVATIONS, all_inputs
from ebbmap.lungs import LUNGS
from ebbmap.outcomes import plan
from ebbmap.parameters import PARAMETERS
from ebbmap.study.schema import Along, Boxes, Rules, StudyFile, Trade
from ebbmap.units import display
from ebbmap.uses import chances_of_leaving

#: Analyses at every value of an axis that draw lungs, and those that follow middle lungs.
DRAWING_ALONG = ("mapping", "sobol", "screening", "shapley")
MIDDLE = ("course", "compare", "startup", "inside", "adjust", "wean")

#: Designs, which cannot leave out a single case: a whole base block goes with it.
DESIGNS = ("sobol", "screening", "shapley")

#: A distribution that leaves the bounds in more than one draw of a hundred is a mistake.
TOO_OFTEN = 0.01

T_LOW = ("t_low", "t_low_in_time_constants")


@dataclass(frozen=True)
class Asked:
    """One analysis of a study.

    Parameters
    ----------
    place : str
        Its table in the file.
    laid_out : frozenset of str
        Parameters that it lays out itself: its axes, and what it searches for.
    draws : bool
        Whether it draws lungs and samples; else it follows middle lungs.
    lungs : tuple of str
        Its lung models.
    values : mapping of str to list
        Values of what it lays out beside the axes of the file.
    """

    place: str
    laid_out: frozenset[str]
    draws: bool
    lungs: tuple[str, ...]
    values: Mapping[str, list[float]] = field(default_factory=dict)

    @property
    def kind(self) -> str:
        """Key of the analysis."""
        return self.place.split(".")[1]

    @property
    def parameters(self) -> frozenset[str]:
        """Every parameter that it can be given."""
        return frozenset().union(
            *(all_inputs(plan(LUNGS[name]).parameters) for name in self.lungs if name in LUNGS)
        )

    def stands_in(self, name: str, given: frozenset[str]) -> bool:
        """Tell whether another way to set a parameter is laid out or given."""
        known = self.laid_out | given
        return any(
            (rule.target == name and rule.trigger in known)
            or (rule.trigger == name and rule.target in known)
            for rule in DERIVATIONS
        )


def asked_of(raw: Mapping[str, Any]) -> Iterator[Asked]:
    """List the analyses of a raw file; what has the wrong type is reported with the structure."""
    analyses = _table(raw.get("analyses"))
    own = (str(raw.get("lung", "linear")),)
    for number, one in enumerate(_list(analyses.get("map"))):
        names = [one.get("x"), one.get("y"), *_list(one.get("average_over"), str)]
        yield Asked(f"analyses.map.{number}", _names(names), True, own)
    for kind, table in analyses.items():
        if kind == "map" or not isinstance(table, dict):
            continue
        place, along = f"analyses.{kind}", table.get("along")
        if kind in DRAWING_ALONG:
            along = table.get("along", Along.model_fields["along"].default)
            values = {along: _list(table["at"], (int, float))} if "at" in table else {}
            yield Asked(place, _names([along]), True, own, values)
        elif kind == "sweep":
            yield Asked(place, _names(_table(raw.get("axes"))), True, own)
        elif kind == "window":
            yield Asked(place, _names([*T_LOW, along]), along is None, own)
        elif kind == "boxes":
            over = table.get("over", Boxes.model_fields["over"].default)
            yield Asked(place, _names(_list(over, str)), True, own)
        elif kind == "trade":
            axes = table.get("axes", Trade.model_fields["axes"].default)
            yield Asked(place, _names(_list(axes, str)), False, own)
        elif kind == "profile":
            yield Asked(place, _names([along]), False, own)
        elif kind == "rules":
            along = table.get("along", Rules.model_fields["along"].default)
            models = _list(table.get("models", Rules.model_fields["models"].default), str)
            yield Asked(place, _names([along]), False, tuple(models) or own)
        elif kind == "collapse":
            yield Asked(place, _names(["t_low"]), False, own)
        elif kind in MIDDLE:
            models = _list(table.get("models"), str) if kind == "compare" else []
            yield Asked(place, frozenset(), False, tuple(models) or own)


def unused(raw: Mapping[str, Any], drawn: list[set[str]]) -> list[str]:
    """List values of a raw file that an analysis would not use, each with what to do.

    Parameters
    ----------
    raw : mapping
        The file.
    drawn : list of set of str
        Properties of each population.
    """
    asked = list(asked_of(raw))
    axes, fixed, samples = (_names(_table(raw.get(key))) for key in ("axes", "fixed", "samples"))
    properties = set.intersection(*drawn) if drawn else set()
    if not asked:
        return []
    return [
        *(_axis_problem(name, asked, fixed, samples, properties) for name in sorted(axes)),
        *(_sample_problem(name, asked, fixed) for name in sorted(samples)),
        *(_fixed_problem(name, asked, samples) for name in sorted(fixed - set(T_LOW))),
    ]  # fmt: skip


def _axis_problem(name: str, asked: list[Asked], fixed, samples, properties) -> str:
    if not any(name in one.laid_out for one in asked):
        return f"axes.{name}: no analysis lays it out. Drop it, or name it in an analysis."
    if name in fixed or name in properties:
        return ""
    others = frozenset(fixed | samples)
    missing = [
        one.place
        for one in asked
        if name not in one.laid_out
        and name in one.parameters
        and not (one.draws and name in samples)
        and not one.stands_in(name, others)
    ]
    # a sample that such an analysis does not draw has a sentence of its own
    if not missing or name in samples:
        return ""
    entry = PARAMETERS[name]
    return (
        f"axes.{name}: {', '.join(missing)} would not use it, and take the default "
        f"{entry.say(entry.default)}. Hold it in [fixed] or draw it in [samples] for them, "
        "beside the axis."
    )


def _sample_problem(name: str, asked: list[Asked], fixed) -> str:
    missing = [
        one.place
        for one in asked
        if not one.draws
        and name not in one.laid_out
        and name in one.parameters
        and not one.stands_in(name, fixed)
    ]
    if missing and name not in fixed:
        entry = PARAMETERS[name]
        return (
            f"samples.{name}: {', '.join(missing)} would not draw it, for middle lungs are "
            f"followed at one value, and take the default {entry.say(entry.default)}. Hold it in "
            "[fixed] for them, beside the samples."
        )
    if all(name in one.laid_out for one in asked):
        return f"samples.{name}: every analysis lays it out on its axis. Drop one of them."
    return ""


def _fixed_problem(name: str, asked: list[Asked], samples) -> str:
    if all(name in one.laid_out or (one.draws and name in samples) for one in asked):
        return f"fixed.{name}: every analysis lays it out or draws it. Drop one of them."
    return ""


def leaving(
    raw: Mapping[str, Any], file: StudyFile, question: Question, axes: Mapping[str, np.ndarray]
) -> tuple[list[str], list[str]]:
    """Find distributions that can leave the bounds of the registry, before any work.

    Returns
    -------
    problems, notes : list of str
        Those that stop a study, and those that a run marks and counts.
    """
    problems: dict[str, str] = {}
    notes: dict[str, str] = {}
    for one in asked_of(raw):
        if not one.draws:
            continue
        grids = {n: np.asarray(one.values[n], float) if n in one.values else axes.get(n)
                 for n in one.laid_out}  # fmt: skip
        settings = getattr(file.analyses, one.kind)
        strict = one.kind in DESIGNS and not settings.drop_failed
        for group in question.groups():
            for name, chance in chances_of_leaving(question, group, grids).items():
                place = f"samples.{name}" if name in question.samples else (
                    f"population {group.name}, {name}" if group else name
                )  # fmt: skip
                told = _leaving_text(place, name, chance, one.place)
                if strict:
                    problems[place] = (
                        f"{told} {one.place} cannot leave out single cases: cut the distribution "
                        f"off, or set drop_failed = true in [{one.place}]."
                    )
                elif chance > TOO_OFTEN:
                    problems[place] = told
                else:
                    notes[place] = f"{told} Such cases are marked out_of_domain and counted."
    return list(problems.values()), [text for key, text in notes.items() if key not in problems]


def _leaving_text(place: str, name: str, chance: float, analysis: str) -> str:
    entry = PARAMETERS[name]
    return (
        f"{place}: leaves {entry.low:g} to {entry.high:g} {display(entry.units)} with probability "
        f"{chance:.2g} at most in {analysis}. Add low or high to the distribution."
    )


def _table(value: object) -> dict[str, Any]:
    return value if isinstance(value, dict) else {}


def _list(value: object, kind: Any = dict) -> list[Any]:
    return [one for one in value if isinstance(one, kind)] if isinstance(value, list) else []


def _names(values: Any) -> frozenset[str]:
    """Return those that are names of parameters."""
    return frozenset(one for one in values if isinstance(one, str) and one in PARAMETERS)
