"""Reading a protocol file: all problems at once, or the draft that a committee asks about."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterator, Mapping
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from pydantic import ValidationError

from ebbmap.analyses.findings import sentences
from ebbmap.cases.checks import complaint
from ebbmap.committee.draft import Draft
from ebbmap.committee.protocol import Group, Own, Protocol
from ebbmap.committee.sizes import COSTLY, COSTLY_VERDICT, VERDICT
from ebbmap.errors import EbbmapError, StudyError, unknown_name
from ebbmap.files.common.checks import (
    check_distributions,
    check_limits,
    check_names,
    double,
    doubt,
)
from ebbmap.files.common.forgiving import understood
from ebbmap.files.common.lines import Place, with_lines
from ebbmap.files.common.reading import read_text, read_toml
from ebbmap.files.common.tables import FAMILIES as STUDY_FAMILIES
from ebbmap.files.protocol.fits import cross_checks, leaving, of_group, population_of
from ebbmap.files.protocol.partly import partly_checked
from ebbmap.files.protocol.schema import GroupTable, ProtocolFile
from ebbmap.files.protocol.settings import FAMILIES
from ebbmap.lungs import lung_model
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import POPULATIONS

AnyProtocol = TypeVar("AnyProtocol", bound=ProtocolFile)

#: Settings from which on the error of choosing them is small beside that of the lungs: measured,
#: 0.00007 against 0.006 at 4,096 lungs.
ENOUGH_SETTINGS = 64

#: What people call the parts of a policy.
OF_POLICIES = (
    *("adjust", "adjustment", "titration", "titrate", "measure", "monitoring", "monitor"),
    *("stop", "wean", "weaning", "steps"),
)

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
    file = parse_file(text, where, ProtocolFile, cross_checks)
    try:
        return build(file, text)
    except EbbmapError as error:
        raise StudyError(where, with_lines(str(error).splitlines(), text)) from None


def parse_file(
    text: str,
    where: str,
    schema: type[AnyProtocol],
    checks: Callable[[AnyProtocol], list[str]],
    shared_checks: Callable[[AnyProtocol], list[str]] | None = None,
) -> AnyProtocol:
    """Return the checked tables of a file, a protocol's or one that adds to it.

    Parameters
    ----------
    text : str
        The file.
    where : str
        Its name, for messages.
    schema : type of ProtocolFile
        Its tables and keys.
    checks : callable
        What lists the problems of tables that are each right.
    shared_checks : callable, optional
        The same for a file of which a part is missing; `checks` if absent.

    Raises
    ------
    StudyError
        With every problem found, each with its line.
    """
    meant = understood(read_toml(text, where), schema)
    raw = meant.raw
    problems = [
        *meant.problems,
        *check_names({**raw, "populations": []}),
        *_check_populations(raw),
        *check_distributions(raw, meant.stated),
        *check_limits({"limits": {"rules": [], **_limits(raw)}}, meant.stated),
        *check_doubts(raw, meant.stated),
        *_check_groups_alone(raw, meant.stated),
    ]
    file = None
    try:
        file = schema.model_validate(raw)
        problems += checks(file)
    except ValidationError as error:
        problems = _said(error, schema) + problems
        problems += partly_checked(raw, error, schema, shared_checks or checks)
    if problems or file is None:
        raise StudyError(where, with_lines(_first_said(problems), text))
    return file


def _first_said(problems: list[str]) -> list[str]:
    """Return problems without those that follow from one that names the very number."""
    kept: dict[str, str] = {}
    for problem in problems:
        place, _, what = problem.partition(": ")
        drawn = re.fullmatch(r"population (.+), (\w+)", place)
        own = f"population.{drawn[1]}.properties.{drawn[2]}" if drawn else place
        if (drawn or what.startswith(f"{place.rpartition('.')[2]} must be between")) and any(
            one == own or one.startswith(f"{own}.") for one in kept
        ):
            continue
        kept[place if place not in kept else problem] = problem
    return list(kept.values())


def _check_groups_alone(raw: Mapping[str, Any], stated: Collection[Place]) -> Iterator[str]:
    """Yield what is wrong in the limits and the numbers of single groups."""
    groups = raw.get("groups")
    for number, one in enumerate(groups if isinstance(groups, list) else ()):
        if not isinstance(one, dict):
            continue
        own = {place[2:] for place in stated if place[:2] == ("groups", number)}
        limits = {"limits": {"rules": [], **_limits(one)}} if _limits(one) else {}
        found = [*(check_limits(limits, own) if limits else ()), *check_doubts(one, own)]
        yield from (f"groups.{number}.{problem}" for problem in found)


def _limits(raw: Mapping[str, Any]) -> Mapping[str, Any]:
    limits = raw.get("limits")
    return limits if isinstance(limits, dict) else {}


def check_doubts(raw: Mapping[str, Any], stated: Collection[Place]) -> Iterator[str]:
    """Yield the settings and fixed values that were probably meant in another unit."""
    for table in ("settings", "start", "fixed"):
        values = raw.get(table)
        for name, value in values.items() if isinstance(values, dict) else ():
            if name not in PARAMETERS:
                continue
            whole = {"": value} if not isinstance(value, dict) else value
            for key in ("", "low", "high", "at_least", "at_most"):
                number, path = whole.get(key), (table, name, *([key] if key else []))
                if not isinstance(number, (int, float)) or isinstance(number, bool):
                    continue
                if path in stated or (table, name) in stated:
                    continue
                if complaint(name, np.asarray(double(number))) is None and (
                    said := doubt(name, double(number))
                ):
                    yield f"{'.'.join(path)}: {said}"


def build(file: ProtocolFile, text: str) -> Protocol:
    """Return the protocol of checked tables."""
    total = sum(one.weight for one in file.groups)
    groups = tuple(
        Group(
            population_of(file, one.population),
            one.weight / total,
            file.wanted if one.wanted is None else one.wanted,
            _own(file, one),
        )
        for one in file.groups
    )
    draft = file.settings.draft()
    (limits,) = file.limits.build().values()
    lung = lung_model(file.lung)
    lungs, settings_drawn = COSTLY_VERDICT if lung.costly else VERDICT
    stated = {name: size for name, size in file.sizes.model_dump().items() if size is not None}
    return Protocol(
        title=file.title,
        question=file.question,
        institution=file.institution,
        owner=file.owner,
        version=file.version,
        valid_until=file.valid_until,
        text=text,
        stated=file.model_dump(mode="json"),
        lung=lung,
        engine=file.engine,
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


def _own(file: ProtocolFile, group: GroupTable) -> Own | None:
    """Return what holds for one group alone; None where all of it is the file's."""
    if not group.has_own:
        return None
    alone = of_group(file, group)
    (limits,) = alone.limits.build().values()
    return Own(
        alone.settings.draft(),
        limits,
        tuple(alone.limits.rules),
        {name: float(value) for name, value in alone.fixed.items()},
    )


def _few_settings(drawn: int, draft: Draft) -> Iterator[str]:
    """Yield a note where intervals leave out what the choice of settings adds."""
    if drawn < ENOUGH_SETTINGS and draft.free:
        yield (
            f"settings_drawn: {drawn} settings leave an error that no interval here "
            f"holds. Draw {ENOUGH_SETTINGS} or more."
        )


def _said(error: ValidationError, schema: type[ProtocolFile]) -> list[str]:
    """Return the sentences of the findings, without the marks that tell a range from a rule."""
    said = [_with_hint(one) for one in sentences(error, schema, STUDY_FAMILIES)]
    for family in FAMILIES:
        said = [one.replace(f".{family}:", ":").replace(f".{family}.", ".", 1) for one in said]
    return said


def _with_hint(problem: str) -> str:
    """Return a problem, with where such a table belongs if a protocol has none."""
    place, _, what = problem.partition(": ")
    if place in OF_POLICIES and what.startswith("unknown key"):
        return (
            f"{place}: a protocol states settings and does not change them. What is measured and "
            "changed at the bedside is a policy: `ebbmap studies` lists "
            "examples."
        )
    return problem


def _check_populations(raw: Mapping[str, Any]) -> Iterator[str]:
    """Yield the groups whose population is neither bundled nor the file's own."""
    groups, own = raw.get("groups"), raw.get("population")
    known = {**POPULATIONS, **(own if isinstance(own, dict) else {})}
    for number, one in enumerate(groups if isinstance(groups, list) else ()):
        name = one.get("population") if isinstance(one, dict) else None
        if isinstance(name, str) and name not in known:
            yield (
                f"groups.{number}.population: {unknown_name('population', name, known)} Or define "
                "one of your own in [population.NAME]."
            )
