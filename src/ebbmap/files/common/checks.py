"""What must fit together in the tables that files of several kinds share."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from typing import Any

import numpy as np
from pydantic import ValidationError

from ebbmap.analyses.asked import RawStudy, listed, repeated, words
from ebbmap.cases.checks import complaint
from ebbmap.errors import EbbmapError, unknown_name
from ebbmap.files.common.lines import Place
from ebbmap.files.common.tables import Limits, OwnLimit, OwnPopulation
from ebbmap.registries.limits import RULES
from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import POPULATIONS
from ebbmap.units import display


def check_names(raw: Mapping[str, Any]) -> list[str]:
    """Check that populations exist and own ones can be built."""
    study = RawStudy(raw)
    own = study.table("population")
    problems = repeated("populations", study.populations)
    for name in study.populations:
        if name not in POPULATIONS and name not in own:
            problems.append(
                f"populations: {unknown_name('population', name, {**POPULATIONS, **own})} One of "
                "your own may be defined in [population.NAME]."
            )
    for name, table in own.items():
        try:
            OwnPopulation.model_validate(table).build(name)
        except ValidationError:
            continue
        except EbbmapError as error:
            problems.append(f"population.{name}: {error}")
    return problems


def check_distributions(raw: Mapping[str, Any], stated: Collection[Place] = ()) -> Iterator[str]:
    """Check the numbers of samples and of own properties against the registry.

    Parameters
    ----------
    raw : mapping
        The whole file.
    stated : collection of tuple
        Places whose unit is written beside the number: these are not doubted.
    """
    study = RawStudy(raw)
    drawn: dict[tuple[str, ...], Mapping[str, Any]] = {("samples",): study.table("samples")}
    for own in study.table("population"):
        drawn["population", own, "properties"] = study.table("population", own, "properties")
    for place, tables in drawn.items():
        for name in tables:
            numbers = _numbers(RawStudy(tables).table(name))
            if name not in PARAMETERS or not numbers:
                continue
            path = ".".join((*place, name))
            if found := complaint(name, np.array(list(numbers.values())), ""):
                yield f"{path}: {found}"
                continue
            if place == ("samples",):
                continue
            ends = tables[name].get("family") in ("uniform", "beta", "triangular")
            for key, value in numbers.items():
                # where a bell curve is cut off says nothing of its unit
                if key in ("low", "high") and not ends:
                    continue
                if (*place, name, key) not in stated and (said := doubt(name, value)):
                    yield f"{path}.{key}: {said}"


def doubt(name: str, value: float) -> str | None:
    """Return that the value of a parameter was probably meant in another unit, or None.

    Examples
    --------
    >>> print(doubt("p_high", 2.5).partition(" If not")[0])
    P high is usually 15 to 35 cmH₂O; got 2.5. Did you mean 25.49 cmH₂O, which is 2.5 kPa?
    """
    entry = PARAMETERS[name]
    slip = entry.slip(value)
    if slip is None:
        return None
    unit = display(entry.units)
    usual = f"{entry.usual_low:g} to {entry.usual_high:g} {unit}".rstrip()
    return (
        f"{entry.long_name} is usually {usual}; got {value:g}. Did you mean {slip.said}? If not, "
        f"write '{f'{value:g} {unit}'.rstrip()}' with its unit."
    )


def _numbers(distribution: Mapping[str, Any]) -> dict[str, float]:
    """Return where a distribution lies: its ends and its middle, as far as they are numbers."""
    found = {}
    for key in ("low", "high", "mean", "median", "mode"):
        number = distribution.get(key)
        if isinstance(number, (int, float)) and not isinstance(number, bool):
            found[key] = double(number)
    return found


def double(number: int | float) -> float:
    """Return the number as a double; an integer beyond all doubles is infinite."""
    try:
        return float(number)
    except OverflowError:
        return np.inf if number > 0 else -np.inf


def check_limits(raw: Mapping[str, Any], stated: Collection[Place] = ()) -> list[str]:
    """Check that own limits can be meant, rules exist, and nothing is set twice."""
    study = RawStudy(raw)
    limits = study.table("limits")
    problems, own_rules = _own_limits(limits, stated)
    rules = words(limits.get("rules", list(RULES)))
    problems += repeated("limits.rules", rules)
    known = {*RULES, *own_rules}
    for name in rules:
        if name not in known:
            problems.append(f"limits.rules: {unknown_name('rule', name, known)}")
    for name in sorted(own_rules - set(rules)):
        problems.append(f"limits.own: the rule {name!r} is not in limits.rules. Add it there.")
    return problems or _unbuilt(limits)


def _own_limits(limits: Mapping[str, Any], stated: Collection[Place]) -> tuple[list[str], set[str]]:
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
        for key in ("low", "high"):
            at = getattr(own, key)
            place = ("limits", "own", number, key)
            if at is not None and (
                said := OUTCOMES[own.outcome].complaint(at, unit_stated=place in stated)
            ):
                problems.append(f"limits.own.{number}.{key}: {said}")
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
