"""What must fit together in a study file beyond its schema, each problem with its place."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from typing import Any

import numpy as np
from pydantic import ValidationError

from ebbmap.analyses.asked import RawStudy
from ebbmap.analyses.base import Analysis
from ebbmap.analyses.options import Axis, as_axis
from ebbmap.analyses.registry import ANALYSES
from ebbmap.cases.checks import complaint
from ebbmap.errors import EbbmapError
from ebbmap.files.common.checks import check_distributions, check_limits, check_names, double
from ebbmap.files.common.lines import Place
from ebbmap.files.study.uses import asked_of, unused
from ebbmap.lungs import LUNGS
from ebbmap.registries.derivations import DERIVATIONS, all_inputs
from ebbmap.registries.outcomes import plan
from ebbmap.registries.parameters import PARAMETERS


def cross_checks(
    raw: Mapping[str, Any],
    analyses: Mapping[str, Analysis] = ANALYSES,
    stated: Collection[Place] = (),
) -> list[str]:
    """List what does not fit together, from the raw file so that nothing hides behind a typo.

    Parameters
    ----------
    raw : mapping
        The tables.
    analyses : mapping
        What the study may ask.
    stated : collection of tuple
        Places whose unit is written beside the number.
    """
    study = RawStudy(raw)
    found = [
        *_check_fixed(study),
        *check_distributions(raw, stated),
        *_check_axes(study),
        *check_names(raw),
        *_check_given_once(study),
        *check_limits(raw, stated),
        *_check_analyses(study, analyses),
        *(text for text in unused(study, analyses) if text),
    ]
    return [*found, *_check_other_lungs(study, analyses, stated, found)]


def _check_other_lungs(
    study: RawStudy,
    analyses: Mapping[str, Analysis],
    stated: Collection[Place],
    found: Collection[str],
) -> Iterator[str]:
    """Check that the study can be asked of each of its other lung models too."""
    names = study.raw.get("other_lungs")
    named = [name for name in names if isinstance(name, str)] if isinstance(names, list) else []
    for number, name in enumerate(named):
        if name == study.lung.name or name in named[:number]:
            yield f"other_lungs.{number}: {name} is named already. Drop it."
        elif name in LUNGS:
            alone = {k: v for k, v in study.raw.items() if k != "other_lungs"}
            for text in cross_checks({**alone, "lung": name}, analyses, stated):
                if text not in found:
                    yield f"other_lungs.{number}: with the lung {name!r}, {text}"


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
            if found := complaint(name, np.asarray(double(number))):
                yield f"fixed.{name}: {found}"
        elif isinstance(number, str):
            yield f"fixed.{name}: must be a number; got {number!r}."


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
        if found := complaint(name, grid, ""):
            yield f"axes.{name}: {found}"


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
