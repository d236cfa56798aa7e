"""Reading a protocol file: all problems at once, or the draft that a committee asks about."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from pydantic import ValidationError

from ebbmap.analyses.findings import sentences
from ebbmap.cases.checks import complaint
from ebbmap.cases.question import Question
from ebbmap.cases.uses import chances_of_leaving, leaving_text
from ebbmap.committee.draft import SETTINGS, Draft, needed_properties
from ebbmap.committee.protocol import Group, Protocol
from ebbmap.committee.sizes import COSTLY, COSTLY_VERDICT, VERDICT
from ebbmap.errors import EbbmapError, StudyError, unknown_name
from ebbmap.files.protocol.schema import FAMILIES, ProtocolFile
from ebbmap.files.study.cross import check_limits, check_names
from ebbmap.files.study.reading import read_text, read_toml
from ebbmap.files.study.schema import FAMILIES as STUDY_FAMILIES
from ebbmap.files.study.uses import TOO_OFTEN
from ebbmap.lungs import LUNGS, lung_model
from ebbmap.registries.outcomes import plan
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import POPULATIONS, Population

AnyProtocol = TypeVar("AnyProtocol", bound=ProtocolFile)

#: What a lung may be chosen by, besides its properties.
CHOSEN_BY = "time_constant_exp"

#: Settings from which on the error of choosing them is small beside that of the lungs: measured,
#: 0.00007 against 0.006 at 4,096 lungs.
ENOUGH_SETTINGS = 64

UNDETERMINED = "Such lungs are undetermined at every setting."


def load_protocol(path: Path) -> Protocol:
    """Read and check a protocol file.

    Raises
    ------
    StudyError
        With every problem found: its place, the value, what is expected, the nearest known name.
    """
    return parse_protocol(read_text(path), str(path))


def parse_protocol(text: str, where: str = "protocol") -> Protocol:
    """Check the text of a protocol file; see `load_protocol`."""
    file = parse_file(read_toml(text, where), where, ProtocolFile, cross_checks)
    try:
        return build(file, text)
    except EbbmapError as error:
        raise StudyError(where, str(error).splitlines()) from None


def parse_file(
    raw: Mapping[str, Any],
    where: str,
    schema: type[AnyProtocol],
    checks: Callable[[AnyProtocol], list[str]],
) -> AnyProtocol:
    """Return the checked tables of a file, a protocol's or one that adds to it.

    Raises
    ------
    StudyError
        With every problem found.
    """
    shared = [*check_names({**raw, "populations": _named(raw)}), *check_limits(raw)]
    try:
        file = schema.model_validate(raw)
    except ValidationError as error:
        raise StudyError(where, _said(error, schema) + shared) from None
    if problems := [*shared, *checks(file)]:
        raise StudyError(where, problems)
    return file


def build(file: ProtocolFile, text: str) -> Protocol:
    """Return the protocol of checked tables."""
    total = sum(one.weight for one in file.groups)
    groups = tuple(
        Group(
            _population(file, one.population),
            one.weight / total,
            file.wanted if one.wanted is None else one.wanted,
        )
        for one in file.groups
    )
    draft = Draft(file.settings.spans(), file.settings.rules())
    (limits,) = file.limits.build().values()
    lung = lung_model(file.lung)
    lungs, settings_drawn = COSTLY_VERDICT if lung.costly else VERDICT
    stated = {name: size for name, size in file.sizes.model_dump().items() if size is not None}
    return Protocol(
        title=file.title,
        question=file.question,
        institution=file.institution,
        text=text,
        stated=file.model_dump(mode="json"),
        lung=lung,
        draft=draft,
        groups=groups,
        limits=limits,
        rules=tuple(file.limits.rules),
        fixed={name: float(value) for name, value in file.fixed.items()},
        eligible={name: ends.span() for name, ends in file.eligible.items()},
        wanted=file.wanted,
        lungs=file.lungs or lungs,
        settings_drawn=file.settings_drawn or settings_drawn,
        sizes={**(COSTLY if lung.costly else {}), **stated},
        own_breathing=tuple(file.own_breathing),
        seed=file.seed,
        knowledge=file.knowledge,
        notes=(
            *_few_settings(file.settings_drawn or settings_drawn, draft),
            *(f"{text} {UNDETERMINED}" for text, _ in leaving(file)),
        ),
    )


def _few_settings(drawn: int, draft: Draft) -> Iterator[str]:
    """Yield a note where intervals leave out what the choice of settings adds."""
    if drawn < ENOUGH_SETTINGS and draft.free:
        yield (
            f"settings_drawn: {drawn} settings leave an error that no interval here "
            f"holds. Draw {ENOUGH_SETTINGS} or more."
        )


def _population(file: ProtocolFile, name: str) -> Population:
    return file.population[name].build(name) if name in file.population else POPULATIONS[name]


def _said(error: ValidationError, schema: type[ProtocolFile]) -> list[str]:
    """Return the sentences of the findings, without the marks that tell a range from a rule."""
    said = sentences(error, schema, STUDY_FAMILIES)
    for family in FAMILIES:
        said = [one.replace(f".{family}:", ":").replace(f".{family}.", ".", 1) for one in said]
    return said


def _named(raw: Mapping[str, Any]) -> list[Any]:
    groups = raw.get("groups")
    tables = [one for one in groups if isinstance(one, dict)] if isinstance(groups, list) else []
    return [one["population"] for one in tables if isinstance(one.get("population"), str)]


def cross_checks(file: ProtocolFile) -> list[str]:
    """List what does not fit together."""
    return [
        *_check_settings(file),
        *_check_groups(file),
        *_check_fixed(file),
        *_check_eligible(file),
        *_check_sizes(file),
        *(text for text, chance in leaving(file) if chance > TOO_OFTEN),
    ]


def _check_settings(file: ProtocolFile) -> Iterator[str]:
    spans = file.settings.spans()
    for name, span in spans.items():
        place = f"settings.{name if name in SETTINGS else 't_low.multiple'}"
        if span.low > span.high:
            yield f"{place}: must have low <= high; got {span.say()}. Swap them."
        found = complaint(name, np.array([span.low, span.high]))
        if found:
            yield f"{place}: {found}"
    for name, rule in file.settings.rules().items():
        if rule.at_least > rule.at_most:
            yield (
                f"settings.{name}: must have at_least <= at_most; got {rule.at_least:g} and "
                f"{rule.at_most:g}. Swap them."
            )
        for key, end in (("at_least", rule.at_least), ("at_most", rule.at_most)):
            found = complaint(name, np.asarray(end)) if np.isfinite(end) else None
            if found:
                yield f"settings.{name}.{key}: {found}"
    if "p_high" in spans and spans["p_low"].high >= spans["p_high"].low:
        yield (
            f"settings.p_low: must stay below P high; got up to {spans['p_low'].high:g} with "
            f"P high from {spans['p_high'].low:g} cmH₂O. Part the ranges."
        )


def _check_groups(file: ProtocolFile) -> Iterator[str]:
    names = [one.population for one in file.groups]
    for name in sorted({one for one in names if names.count(one) > 1}):
        yield f"groups: {name!r} is named twice. Add the weights up."
    try:
        rules = file.limits.build().values()
    except EbbmapError:
        return  # reported with the limits
    lung = LUNGS[file.lung]
    draft = Draft(file.settings.spans(), file.settings.rules())
    outcomes = tuple(bound.outcome for rule in rules for bound in (*rule.hard, *rule.caution))
    own = set(plan(lung, outcomes).parameters)
    for name, group in _known_populations(file).items():
        have = {*group.properties, *file.fixed, *SETTINGS}
        for need in needed_properties(lung, draft, outcomes):
            if need in have or (need in own and need not in _common_properties()):
                continue
            yield f"groups: {name} has no {need}. Give it in the population, or [fixed]."


def _common_properties() -> frozenset[str]:
    """Return the lung properties that every bundled population has: none is taken by default."""
    everywhere = frozenset.intersection(*(frozenset(p.properties) for p in POPULATIONS.values()))
    return frozenset(name for name in everywhere if PARAMETERS[name].kind == "lung property")


def _check_fixed(file: ProtocolFile) -> Iterator[str]:
    known = set(plan(LUNGS[file.lung]).parameters) - set(SETTINGS)
    for name, value in file.fixed.items():
        found = complaint(name, np.asarray(float(value)))
        if found:
            yield f"fixed.{name}: {found}"
        if name not in known:
            yield f"fixed.{name}: {unknown_name('parameter to fix', name, known)}"
        for group in _known_populations(file).values():
            if name in group.properties:
                yield f"fixed.{name}: is drawn with {group.name}. Drop it."


def _check_eligible(file: ProtocolFile) -> Iterator[str]:
    drawn = [set(group.properties) for group in _known_populations(file).values()]
    common = {*(set.intersection(*drawn) if drawn else ()), CHOSEN_BY}
    for name, ends in file.eligible.items():
        if name not in common:
            yield f"eligible.{name}: {unknown_name('property', name, common)}"
        elif ends.low is None and ends.high is None:
            yield f"eligible.{name}: must have low or high; got neither. Add one."
        if ends.low is not None and ends.high is not None and ends.low >= ends.high:
            yield f"eligible.{name}: must have low < high; got {ends.low:g}, {ends.high:g}."


def _known_populations(file: ProtocolFile) -> dict[str, Population]:
    """Return the populations of the groups that can be built; the others are reported already."""
    found = {}
    for name in (one.population for one in file.groups):
        try:
            found[name] = _population(file, name)
        except (EbbmapError, KeyError):
            continue
    return found


def leaving(file: ProtocolFile) -> Iterator[tuple[str, float]]:
    """Find distributions that can leave the bounds of the registry: a sentence, and how likely."""
    for group in _known_populations(file).values():
        question = Question(file.lung, populations=(group,))
        for name, chance in chances_of_leaving(question, group, {}).items():
            place = f"population {group.name}, {name}"
            yield leaving_text(place, name, chance), chance


def _check_sizes(file: ProtocolFile) -> Iterator[str]:
    rows = file.sizes.model_dump()["driver_rows"]
    for name, number in (("settings_drawn", file.settings_drawn), ("sizes.driver_rows", rows)):
        if number is not None and number & (number - 1):
            yield f"{name}: must be a power of two; got {number}."
    if len(file.limits.rules) > 1:
        yield (
            f"limits.rules: a protocol is judged by one rule for T low, or by none ([]); got "
            f"{', '.join(file.limits.rules)}. Keep one."
        )
