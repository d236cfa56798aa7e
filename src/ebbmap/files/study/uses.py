"""Which parameters each analysis of a study lays out, draws or holds, and which it would miss.

A value that is declared and not used is a problem: the registry's default would take its place.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from ebbmap.analyses.asked import Asked, RawStudy, listed, parameters
from ebbmap.analyses.base import Analysis
from ebbmap.cases.leaving import TOO_OFTEN, chances_of_leaving, leaving_text
from ebbmap.cases.question import Question
from ebbmap.cases.uses import Use, defaults_of
from ebbmap.files.study.schema import StudyFile
from ebbmap.lungs import LUNGS
from ebbmap.registries.derivations import DERIVATIONS, all_inputs
from ebbmap.registries.outcomes import OUTCOMES, plan
from ebbmap.registries.parameters import PARAMETERS

T_LOW = ("t_low", "t_low_in_time_constants")


@dataclass(frozen=True)
class Laid:
    """What one analysis of a study makes of the parameters.

    Parameters
    ----------
    place : str
        Its table in the file.
    analysis : Analysis
        Its entry.
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
    analysis: Analysis
    laid_out: frozenset[str]
    draws: bool
    lungs: tuple[str, ...]
    values: Mapping[str, list[float]] = field(default_factory=dict)

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


def asked_of(study: RawStudy, analyses: Mapping[str, Analysis]) -> Iterator[tuple[Analysis, Asked]]:
    """List the analyses of a raw file; what has the wrong type is reported with the structure."""
    table = study.table("analyses")
    for name, entry in analyses.items():
        if name not in table:
            continue
        if entry.several:
            for number, one in enumerate(t for t in listed(table[name]) if isinstance(t, dict)):
                yield entry, Asked(study, f"analyses.{name}.{number}", one, entry.options)
        elif isinstance(table[name], dict):
            yield entry, Asked(study, f"analyses.{name}", table[name], entry.options)


def _laid(study: RawStudy, analyses: Mapping[str, Analysis]) -> list[Laid]:
    """Return what each analysis of a raw file lays out, draws and solves."""
    found = []
    for entry, asked in asked_of(study, analyses):
        numbers = [v for v in listed(asked.raw.get("at")) if isinstance(v, (int, float))]
        found.append(
            Laid(
                asked.place,
                entry,
                parameters(entry.lays_out(asked)),
                entry.draws(asked),
                tuple(entry.models(asked)) or (study.lung_name,),
                {str(asked.get("along")): numbers} if "at" in asked.raw else {},
            )
        )
    return found


def unused(study: RawStudy, analyses: Mapping[str, Analysis]) -> list[str]:
    """List values of a raw file that an analysis would not use, each with what to do."""
    asked = _laid(study, analyses)
    axes, fixed, samples = (parameters(study.table(key)) for key in ("axes", "fixed", "samples"))
    drawn = study.drawn_by_population()
    properties = set.intersection(*drawn) if drawn else set()
    if not asked:
        return []
    searched = frozenset(("t_low", "t_low_in_time_constants"))
    return [
        *(_axis_problem(name, asked, fixed, samples, properties) for name in sorted(axes)),
        *(_sample_problem(name, asked, fixed) for name in sorted(samples)),
        *(_fixed_problem(name, asked, samples) for name in sorted(fixed - searched)),
    ]


def _axis_problem(
    name: str,
    asked: list[Laid],
    fixed: frozenset[str],
    samples: frozenset[str],
    properties: set[str],
) -> str:
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


def _sample_problem(name: str, asked: list[Laid], fixed: frozenset[str]) -> str:
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


def _fixed_problem(name: str, asked: list[Laid], samples: frozenset[str]) -> str:
    if all(name in analysis.laid_out or (analysis.draws and name in samples) for analysis in asked):
        return f"fixed.{name}: every analysis lays it out or draws it. Drop one of them."
    return ""


def default_settings(
    raw: Mapping[str, Any],
    file: StudyFile,
    question: Question,
    analyses: Mapping[str, Analysis],
) -> dict[str, list[str]]:
    """Find the settings that nobody names, by the place of the analysis that takes the default."""
    by_place: dict[str, list[str]] = {}
    for analysis in _laid(RawStudy(raw), analyses):
        named = _named_outcomes(analysis, file)
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
    raw: Mapping[str, Any],
    file: StudyFile,
    question: Question,
    analyses: Mapping[str, Analysis],
    axes: Mapping[str, np.ndarray],
) -> tuple[list[str], list[str]]:
    """Find distributions that can leave the bounds of the registry, before any work.

    Returns
    -------
    problems, notes : list of str
        Those that stop a study, and those that a run marks and counts.
    """
    problems: dict[str, str] = {}
    notes: dict[str, str] = {}
    for analysis in _laid(RawStudy(raw), analyses):
        if not analysis.draws:
            continue
        grids = {
            n: np.asarray(analysis.values[n], float) if n in analysis.values else axes.get(n)
            for n in analysis.laid_out
        }
        strict = not getattr(options_of(analysis, file), "drop_failed", True)
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


def options_of(analysis: Laid, file: StudyFile) -> Any:
    """Return the checked options of an analysis."""
    _, name, *number = analysis.place.split(".")
    options = getattr(file.analyses, name)
    return options[int(number[0])] if number else options


def _named_outcomes(analysis: Laid, file: StudyFile) -> tuple[str, ...] | None:
    """Return what an analysis computes besides what its rules need; all that there is if None."""
    named = analysis.analysis.computes(options_of(analysis, file))
    return None if named is None else tuple(name for name in named if name in OUTCOMES)
