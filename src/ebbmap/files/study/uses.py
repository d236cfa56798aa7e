"""Which parameters each analysis of a study lays out, draws or holds, and which it would miss.

A value that is declared and not used is a problem: the registry's default would take its place.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from ebbmap.cases.question import Question
from ebbmap.cases.uses import Use, chances_of_leaving, defaults_of, leaving_text
from ebbmap.files.study.schema import Along, Boxes, Rules, StudyFile, Trade
from ebbmap.lungs import LUNGS
from ebbmap.registries.derivations import DERIVATIONS, all_inputs
from ebbmap.registries.outcomes import OUTCOMES, plan
from ebbmap.registries.parameters import PARAMETERS

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
        """Return whether another way to set a parameter is laid out or given."""
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
    for number, table in enumerate(_list(analyses.get("map"))):
        names = [table.get("x"), table.get("y"), *_list(table.get("average_over"), str)]
        yield Asked(f"analyses.map.{number}", _names(names), True, own)
    for kind, table in analyses.items():
        if kind == "map" or not isinstance(table, dict):
            continue
        place, along = f"analyses.{kind}", table.get("along")
        if kind in DRAWING_ALONG:
            along = table.get("along", Along.model_fields["along"].default)
            values = {str(along): _list(table["at"], (int, float))} if "at" in table else {}
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
    ]


def _axis_problem(name: str, asked: list[Asked], fixed, samples, properties) -> str:
    if not any(name in analysis.laid_out for analysis in asked):
        return f"axes.{name}: no analysis lays it out. Drop it, or name it in an analysis."
    if name in fixed or name in properties:
        return ""
    others = frozenset(fixed | samples)
    missing = [
        analysis.place
        for analysis in asked
        if name not in analysis.laid_out
        and name in analysis.parameters
        and not (analysis.draws and name in samples)
        and not analysis.stands_in(name, others)
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
        analysis.place
        for analysis in asked
        if not analysis.draws
        and name not in analysis.laid_out
        and name in analysis.parameters
        and not analysis.stands_in(name, fixed)
    ]
    if missing and name not in fixed:
        entry = PARAMETERS[name]
        return (
            f"samples.{name}: {', '.join(missing)} would not draw it, for middle lungs are "
            f"followed at one value, and take the default {entry.say(entry.default)}. Hold it in "
            "[fixed] for them, beside the samples."
        )
    if all(name in analysis.laid_out for analysis in asked):
        return f"samples.{name}: every analysis lays it out on its axis. Drop one of them."
    return ""


def _fixed_problem(name: str, asked: list[Asked], samples) -> str:
    if all(name in analysis.laid_out or (analysis.draws and name in samples) for analysis in asked):
        return f"fixed.{name}: every analysis lays it out or draws it. Drop one of them."
    return ""


def _outcomes(file: StudyFile, kind: str) -> tuple[str, ...] | None:
    """Return what an analysis computes besides what its rules need; all that there is if None."""
    if kind in ("map", "mapping", "boxes", "window", "startup", "inside", "collapse", "rules"):
        return ()
    if kind == "course":
        return ("paco2",)
    settings = getattr(file.analyses, kind)
    named = getattr(settings, "costs" if kind == "trade" else "outcomes", None)
    return None if named is None else tuple(name for name in named if name in OUTCOMES)


def default_settings(
    raw: Mapping[str, Any], file: StudyFile, question: Question
) -> dict[str, list[str]]:
    """Find the settings that nobody names, by the place of the analysis that takes the default."""
    by_place: dict[str, list[str]] = {}
    for analysis in asked_of(raw):
        named = _outcomes(file, analysis.kind)
        wanted = None if named is None else (*named, *question.outcomes)
        use = Use(
            tuple(analysis.laid_out),
            middle=not analysis.draws,
            outcomes=wanted,
            lungs=analysis.lungs,
        )
        names = dict.fromkeys(n for g in question.groups() for n in defaults_of(question, g, use))
        settings = [name for name in names if PARAMETERS[name].kind == "setting"]
        if settings:
            by_place[analysis.place] = settings
    return by_place


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
    for analysis in asked_of(raw):
        if not analysis.draws:
            continue
        grids = {
            n: np.asarray(analysis.values[n], float) if n in analysis.values else axes.get(n)
            for n in analysis.laid_out
        }
        settings = getattr(file.analyses, analysis.kind)
        strict = analysis.kind in DESIGNS and not settings.drop_failed
        for group in question.groups():
            for name, chance in chances_of_leaving(question, group, grids).items():
                place = (
                    f"samples.{name}"
                    if name in question.samples
                    else (f"population {group.name}, {name}" if group else name)
                )
                sentence = leaving_text(place, name, chance, f" at most in {analysis.place}")
                if strict:
                    problems[place] = (
                        f"{sentence} {analysis.place} cannot leave out single cases: cut it "
                        f"off, or set drop_failed = true in [{analysis.place}]."
                    )
                elif chance > TOO_OFTEN:
                    problems[place] = sentence
                else:
                    notes[place] = f"{sentence} Such cases are marked out_of_domain and counted."
    return list(problems.values()), [text for key, text in notes.items() if key not in problems]


def _table(value: object) -> dict[str, Any]:
    return value if isinstance(value, dict) else {}


def _list(value: object, kind: Any = dict) -> list[Any]:
    return [item for item in value if isinstance(item, kind)] if isinstance(value, list) else []


def _names(values: Any) -> frozenset[str]:
    """Return those that are names of parameters."""
    return frozenset(name for name in values if isinstance(name, str) and name in PARAMETERS)
