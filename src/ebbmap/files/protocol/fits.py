"""What does not fit together in a protocol file whose tables are each right."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TypeVar

import numpy as np

from ebbmap.cases.checks import complaint
from ebbmap.cases.leaving import NO_CHANCE, TOO_OFTEN, chances_of_population, leaving_text
from ebbmap.committee.draft import SETTINGS, needed_properties, solving_order
from ebbmap.committee.rules import Rule
from ebbmap.errors import EbbmapError, unknown_name
from ebbmap.files.protocol.schema import GroupTable, ProtocolFile
from ebbmap.files.protocol.settings import PLACES
from ebbmap.lungs import LUNGS
from ebbmap.registries.outcomes import plan
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import POPULATIONS, Population

AnyProtocol = TypeVar("AnyProtocol", bound=ProtocolFile)

#: What a lung may be chosen by, besides its properties.
CHOSEN_BY = "time_constant_exp"


def cross_checks(file: ProtocolFile) -> list[str]:
    """List what does not fit together."""
    return [
        *_check_settings(file),
        *_check_groups(file),
        *_check_fixed(file),
        *_check_own(file),
        *_check_eligible(file),
        *_check_sizes(file),
        *(text for text, chance in leaving(file) if chance > TOO_OFTEN),
    ]


def _check_own(file: ProtocolFile) -> Iterator[str]:
    """Yield what does not fit together in what single groups have of their own."""
    shared = {*_check_settings(file), *_check_fixed(file), *_check_sizes(file)}
    for number, group in enumerate(file.groups):
        if not group.has_own:
            continue
        alone = of_group(file, group)
        for problem in (*_check_settings(alone), *_check_fixed(alone), *_check_sizes(alone)):
            if problem not in shared:
                yield f"groups.{number}.{problem}"


def _check_settings(file: ProtocolFile) -> Iterator[str]:
    draft = file.settings.draft()
    spans = draft.spans
    for name, span in spans.items():
        place = f"settings.{PLACES.get(name, name)}"
        if span.low > span.high:
            yield f"{place}: must have low <= high; got {span.say()}. Swap them."
        found = complaint(name, np.array([span.low, span.high]), "")
        if found:
            yield f"{place}: {found}"
    for name, rules in draft.rules.items():
        for rule in rules.each:
            yield from _check_rule(name, rule)
    for name, start in draft.starts.items():
        if found := complaint(name, np.asarray(start)):
            yield f"settings.{name}.start: {found}"
    if any(rule.kind == "peep_table" for rule in draft.rules.values()) and (
        "fio2" not in {*file.fixed, *spans}
    ):
        yield "settings.p_low: a table of FiO2 needs the FiO2 that is set. Give fio2 in [fixed]."
    if {"p_high", "p_low"} <= set(spans) and spans["p_low"].high >= spans["p_high"].low:
        swapped = spans["p_low"].low >= spans["p_high"].high
        yield (
            f"settings.p_low: must stay below P high; got {spans['p_low'].say()} with P high "
            f"{spans['p_high'].say()} cmH₂O. "
            f"{'They look swapped. Swap them.' if swapped else 'Part the ranges.'}"
        )
    try:
        solving_order(draft)
    except EbbmapError as error:
        yield str(error)


def _check_rule(name: str, rule: Rule) -> Iterator[str]:
    """Yield what is wrong in the numbers of one rule for a setting."""
    if rule.at_least > rule.at_most:
        yield (
            f"settings.{name}: must have at_least <= at_most; got {rule.at_least:g} and "
            f"{rule.at_most:g}. Swap them."
        )
    if rule.fails and np.isnan(rule.otherwise):
        yield (
            f"settings.{name}.otherwise: must be given where a measurement may fail. Write the "
            "setting that is used then."
        )
    stops = {"at_least": rule.at_least, "at_most": rule.at_most, "otherwise": rule.otherwise}
    stops |= {"peep": max(p for _, p in rule.rows)} if rule.rows else {}
    for key, end in stops.items():
        found = complaint(name, np.asarray(end)) if np.isfinite(end) else None
        if found:
            yield f"settings.{name}.{key}: {found}"


def _check_groups(file: ProtocolFile) -> Iterator[str]:
    names = [one.population for one in file.groups]
    for name in sorted({one for one in names if names.count(one) > 1}):
        yield f"groups: {name!r} is named twice. Add the weights up."
    try:
        rules = file.limits.build().values()
    except EbbmapError:
        return  # reported with the limits
    lung = LUNGS[file.lung]
    draft = file.settings.draft()
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
            found[name] = population_of(file, name)
        except (EbbmapError, KeyError):
            continue
    return found


def leaving(file: ProtocolFile) -> Iterator[tuple[str, float]]:
    """Find distributions that can leave the bounds of the registry: a sentence, and how likely."""
    for group in _known_populations(file).values():
        for name, chance in chances_of_population(file.lung, group, {}, {}).items():
            if chance >= NO_CHANCE:
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


def of_group(file: AnyProtocol, group: GroupTable) -> AnyProtocol:
    """Return a file as it stands for one group alone."""
    plain = group.model_copy(update={"settings": None, "fixed": {}, "limits": None})
    return file.model_copy(
        update={
            "groups": [plain],
            "settings": group.settings.over(file.settings) if group.settings else file.settings,
            "fixed": {**file.fixed, **group.fixed},
            "limits": group.limits or file.limits,
        }
    )


def population_of(file: ProtocolFile, name: str) -> Population:
    """Return a population by its name: the file's own, or a bundled one."""
    return file.population[name].build(name) if name in file.population else POPULATIONS[name]
