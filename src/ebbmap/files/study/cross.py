"""What must fit together in a study file beyond its schema, each problem with its place."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
from pydantic import ValidationError

from ebbmap.analyses.asked import RawStudy, listed, repeated, words
from ebbmap.analyses.base import Analysis
from ebbmap.analyses.options import Axis, as_axis
from ebbmap.analyses.registry import ANALYSES
from ebbmap.cases.checks import complaint
from ebbmap.errors import EbbmapError, unknown_name
from ebbmap.files.study.schema import Limits, OwnLimit, OwnPopulation
from ebbmap.files.study.uses import asked_of, unused
from ebbmap.lungs import LUNGS
from ebbmap.registries.derivations import DERIVATIONS, all_inputs
from ebbmap.registries.limits import RULES
from ebbmap.registries.outcomes import plan
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import POPULATIONS


def cross_checks(raw: Mapping[str, Any], analyses: Mapping[str, Analysis] = ANALYSES) -> list[str]:
    """List what does not fit together, from the raw file so that nothing hides behind a typo."""
    study = RawStudy(raw)
    return [
        *_check_fixed(study),
        *_check_distributions(study),
        *_check_axes(study),
        *check_names(raw),
        *_check_given_once(study),
        *check_limits(raw),
        *_check_analyses(study, analyses),
        *(text for text in unused(study, analyses) if text),
    ]


def _check_fixed(study: RawStudy) -> Iterator[str]:
    """Check fixed values against the registry's bounds."""
    for name, value in study.table("fixed").items():
        if name not in PARAMETERS:
            continue
        try:
            number = PARAMETERS[name].code(value)
        except EbbmapError as error:
            yield f"fixed.{name}: {error}"
            continue
        if isinstance(number, (int, float)) and not isinstance(number, bool):
            if found := complaint(name, np.asarray(_double(number))):
                yield f"fixed.{name}: {found}"
        elif isinstance(number, str):
            yield f"fixed.{name}: must be a number; got {number!r}."


def _check_distributions(study: RawStudy) -> Iterator[str]:
    """Check the ends of samples and of own properties against the registry's bounds."""
    drawn = {"samples": study.table("samples")}
    for own in study.table("population"):
        drawn[f"population.{own}.properties"] = study.table("population", own, "properties")
    for place, tables in drawn.items():
        for name in tables:
            ends = _ends(RawStudy(tables).table(name))
            if name in PARAMETERS and ends.size and (found := complaint(name, ends)):
                yield f"{place}.{name}: {found}"


def _check_axes(study: RawStudy) -> Iterator[str]:
    """Check axes against the registry's bounds."""
    for name, value in study.table("axes").items():
        if name not in PARAMETERS:
            continue
        try:
            grid = Axis.model_validate(as_axis(value)).grid()
        except ValidationError:
            continue  # reported with the structure
        except ValueError as error:
            yield f"axes.{name}: {error}. Give values, or start, stop and count."
            continue
        if found := complaint(name, grid):
            yield f"axes.{name}: {found}"


def check_names(raw: Mapping[str, Any]) -> list[str]:
    """Check that populations exist and own ones can be built."""
    study = RawStudy(raw)
    own = study.table("population")
    problems = repeated("populations", study.populations)
    for name in study.populations:
        if name not in POPULATIONS and name not in own:
            problems.append(
                f"populations: {unknown_name('population', name, {**POPULATIONS, **own})}"
            )
    for name, table in own.items():
        try:
            OwnPopulation.model_validate(table).build(name)
        except ValidationError:
            continue
        except EbbmapError as error:
            problems.append(f"population.{name}: {error}")
    return problems


def _check_given_once(study: RawStudy) -> Iterator[str]:
    """Check that nothing is given both directly and through others, or with the population."""
    ways = {way: set(study.table(way)) for way in ("fixed", "axes", "samples")}
    given, drawn = set().union(*ways.values()), study.drawn
    for rule in DERIVATIONS:
        for way in ways:
            if rule.trigger in ways[way] and rule.target in ways["fixed"] | ways["samples"]:
                yield f"{way}.{rule.trigger}: sets {rule.target}, which is given too. Drop one."
    for name in sorted(ways["samples"] & drawn):
        yield f"samples.{name}: is drawn with the population. Fix it or drop it."
    if "height" in given and "predicted_body_weight" in drawn:
        yield "height: the populations carry predicted_body_weight. Drop the height."


def check_limits(raw: Mapping[str, Any]) -> list[str]:
    """Check that own limits can be meant, rules exist, and nothing is set twice."""
    study = RawStudy(raw)
    limits = study.table("limits")
    problems, own_rules = _own_limits(limits)
    rules = words(limits.get("rules", list(RULES)))
    problems += repeated("limits.rules", rules)
    known = {*RULES, *own_rules}
    for name in rules:
        if name not in known:
            problems.append(f"limits.rules: {unknown_name('rule', name, known)}")
    for name in sorted(own_rules - set(rules)):
        problems.append(f"limits.own: the rule {name!r} is not in limits.rules. Add it there.")
    return problems or _unbuilt(limits)


def _own_limits(limits: Mapping[str, Any]) -> tuple[list[str], set[str]]:
    """Return what is wrong with own limits, and the rules that they belong to."""
    problems, rules = [], set()
    for number, table in enumerate(listed(limits.get("own"))):
        try:
            own = OwnLimit.model_validate(table)
            own.build()
        except ValidationError:
            continue
        except EbbmapError as error:
            problems.append(f"limits.own.{number}: {error}")
            continue
        if own.rule is not None:
            rules.add(own.rule)
    return problems, rules


def _unbuilt(limits: Mapping[str, Any]) -> list[str]:
    """Return why limits that are each right cannot be built together."""
    try:
        built = Limits.model_validate(limits).build()
    except ValidationError:
        return []
    except EbbmapError as error:
        return [f"limits: {error}"]
    empty = [name for name, rule in built.items() if not rule.hard]
    return [f"limits: the rule {name!r} has no hard limit. Add one." for name in empty]


def _check_analyses(study: RawStudy, analyses: Mapping[str, Analysis]) -> Iterator[str]:
    """Check that the axes, the populations and the lungs can serve the analyses."""
    if "analyses" in study.raw and not study.table("analyses"):
        yield f"analyses: must name at least one of {', '.join(sorted(analyses))}."
    models = []
    knowing = sorted(name for name, entry in analyses.items() if entry.knows)
    if study.raw.get("knowledge") and not set(knowing) & set(study.table("analyses")):
        yield f"knowledge: no analysis here takes it. Drop it, or ask for {', '.join(knowing)}."
    for entry, asked in asked_of(study, analyses):
        yield from entry.check(asked)
        models += entry.models(asked)
    lungs = [study.lung, *(LUNGS[name] for name in models if name in LUNGS)]
    known = frozenset().union(*(all_inputs(plan(lung).parameters) for lung in lungs))
    for way in ("fixed", "axes", "samples"):
        for name in study.table(way):
            if name in PARAMETERS and name not in known:
                yield f"{way}.{name}: the lung {study.lung.name!r} does not use it. Drop it."


def _ends(distribution: Mapping[str, Any]) -> np.ndarray:
    """Return the ends of a distribution that are stated as numbers, low before high."""
    stated = (distribution.get(side) for side in ("low", "high"))
    numbers = [e for e in stated if isinstance(e, (int, float)) and not isinstance(e, bool)]
    return np.array([_double(number) for number in numbers])


def _double(number: int | float) -> float:
    """Return the number as a double; an integer beyond all doubles is infinite."""
    try:
        return float(number)
    except OverflowError:
        return np.inf if number > 0 else -np.inf
