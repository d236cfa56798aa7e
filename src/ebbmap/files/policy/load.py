"""Reading a policy file: all problems at once, or the policy that a committee asks about."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from ebbmap.cases.checks import complaint
from ebbmap.errors import EbbmapError, StudyError
from ebbmap.files.common.lines import line_of, lines_of, with_lines
from ebbmap.files.common.reading import read_text
from ebbmap.files.policy.schema import Adjust, Measure, Patients, PolicyFile, Wean
from ebbmap.files.policy.words import amount_of, box_of, condition_of, minutes_of, step_of
from ebbmap.files.protocol.fits import cross_checks
from ebbmap.files.protocol.load import build, parse_file
from ebbmap.lungs import lung_model
from ebbmap.policies.language import (
    KNOWN_SETTINGS,
    SET_RATE,
    Criterion,
    Mend,
    Policy,
    Reading,
    Rule,
)
from ebbmap.policies.physiology import Body, Breathing, Drift
from ebbmap.registries.outcomes import plan

#: Names of the rules that the table `wean` makes.
WEAN, SET_BACK = "weaning", "weaning set back"

#: What [patients] may say that the registry knows.
STORES = ("co2_store_fast", "co2_store_slow", "co2_store_exchange")

#: Smallest error, rounding and step of a dial, in the registry's units.
FINEST = 1e-6

#: Steps of time: nothing is done more often than once a minute.
SHORTEST = 1.0


def is_policy(raw: Mapping[str, Any]) -> bool:
    """Return whether the tables of a file are those of a policy: it says how to start."""
    return "start" in raw


def load_policy(path: Path) -> Policy:
    """Read and check a policy file.

    Raises
    ------
    StudyError
        With every problem found: its place, the value, what is expected, the nearest known name.
    """
    return parse_policy(read_text(path), str(path))


def parse_policy(text: str, where: str = "policy") -> Policy:
    """Check the text of a policy file; see `load_policy`."""
    file = parse_file(text, where, PolicyFile, _checks, _shared_checks)
    try:
        return _policy(file, text, where)
    except EbbmapError as error:
        raise StudyError(where, with_lines(str(error).splitlines(), text)) from None


def _policy(file: PolicyFile, text: str, where: str) -> Policy:
    lines = lines_of(text)
    rules = [
        (one.priority, _rule(one, line_of(lines, "adjust", i))) for i, one in enumerate(file.adjust)
    ]
    ordered = [rule for _, rule in sorted(rules, key=lambda pair: pair[0])]
    weaning = _weaning(file.wean, line_of(lines, "wean")) if file.wean else []
    wean = weaning[-1] if weaning else None
    stop = file.stop.criteria if file.stop else []
    table = "stop.criteria" if "stop.criteria" in lines else "stop"
    return Policy(
        file=where,
        protocol=build(file, text),
        goal=box_of([file.goal]),
        readings=tuple(
            _reading(one, line_of(lines, "measure", i)) for i, one in enumerate(file.measure)
        ),
        rules=(*weaning[:-1], *ordered, *weaning[-1:]),
        criteria=tuple(
            Criterion(
                condition_of(one.when), minutes_of(one.lasting), one.words, line_of(lines, table, i)
            )
            for i, one in enumerate(stop)
        ),
        wean=wean,
        weaned=condition_of(file.wean.end) if file.wean and file.wean.end else None,
        body=_body(file.patients),
        disease=tuple(
            Drift(one.parameter, tuple(one.hours), tuple(one.factors)) for one in file.disease
        ),
        mend=Mend(**file.mend.model_dump()) if file.mend else None,
        dial={name: amount_of(name, step) for name, step in file.dial.items()},
        hours=file.hours,
        reversal=minutes_of(file.reversal),
        source=file.source,
        goal_line=line_of(lines, "goal"),
        start_line=line_of(lines, "start"),
        leaves_out=tuple(file.leaves_out),
        own=(*file.own, *_own_words(file)),
    )


def _own_words(file: PolicyFile) -> Iterator[str]:
    """Yield what rules say of themselves that no source gives."""
    yield from (f"{one.name}: {one.own}" for one in file.adjust if one.own)
    if file.wean and file.wean.own:
        yield f"{WEAN}: {file.wean.own}"
    if file.stop and file.stop.own:
        yield f"leaving the mode: {file.stop.own}"


def _reading(given: Measure, line: int) -> Reading:
    after = math.inf if given.after_change is None else minutes_of(given.after_change)
    return Reading(
        given.name,
        minutes_of(given.every),
        minutes_of(given.delay),
        after,
        amount_of(given.name, given.error) if given.error else 0.0,
        given.error_share,
        amount_of(given.name, given.round_to) if given.round_to else 0.0,
        line,
    )


def _rule(given: Adjust, line: int) -> Rule:
    return Rule(
        given.name,
        condition_of(given.when),
        dict(map(step_of, given.move)),
        _rows(given),
        until=box_of([given.until]) if given.until else None,
        caps=box_of(given.cap),
        wait=minutes_of(given.wait),
        again=minutes_of(given.again) if given.again else 0.0,
        line=line,
        source=given.source,
        own=given.own,
    )


def _rows(given: Adjust | Wean) -> dict[str, tuple[float, ...]]:
    return {name: tuple(column) for name, column in given.rows.items()}


def _weaning(given: Wean, line: int) -> list[Rule]:
    """Return the rule that weans, and before it the one that takes a step back."""
    moves = dict(map(step_of, given.move))
    rows = _rows(given)
    shared: dict[str, Any] = {"wait": minutes_of(given.wait), "line": line, "source": given.source}
    again = minutes_of(given.again) if given.again else 0.0
    caps = box_of(given.cap)
    wean = Rule(
        WEAN,
        condition_of(given.when),
        moves,
        rows,
        None,
        caps,
        again=again,
        own=given.own,
        **shared,
    )
    if given.halt is None:
        return [wean]
    back = {name: -by for name, by in moves.items()}
    turned = {name: column[::-1] for name, column in rows.items()}
    halt = condition_of(given.halt)
    return [Rule(SET_BACK, halt, back, turned, takes_back=True, **shared), wean]


def _body(given: Patients) -> Body:
    breathing = Breathing(**given.own_breathing.model_dump())
    numbers = given.model_dump(exclude={"own_breathing", "closing", "opening"})
    times = {"closing": minutes_of(given.closing), "opening": minutes_of(given.opening)}
    return Body(breathing, **numbers, **times)


def _checks(file: PolicyFile) -> list[str]:
    """List what does not fit together."""
    return [
        *_shared_checks(file),
        *(
            f"groups.{number}: a policy starts and judges all groups alike. Drop what is its own."
            for number, one in enumerate(file.groups)
            if one.has_own
        ),
        *_check_measured(file),
        *_check_rules(file),
        *_check_wean(file),
        *_check_amounts(file),
        *_check_disease(file),
    ]


def _shared_checks(file: PolicyFile) -> list[str]:
    """List what does not fit together in the tables that protocols have too."""
    return [one.replace("settings.", "start.", 1) for one in cross_checks(file)]


def _check_measured(file: PolicyFile) -> Iterator[str]:
    """Yield what is measured twice or cannot be, and what is looked at without a measurement."""
    names = [one.name for one in file.measure]
    yield from (f"measure: {name!r} is there twice. Keep one." for name in _twice(names))
    lung = lung_model(file.lung)
    for number, name in enumerate(names):
        try:
            plan(lung, (name,))
        except EbbmapError as error:
            yield f"measure.{number}.name: {error}"
    known = {*names, *KNOWN_SETTINGS}
    for place, text in _conditions(file):
        for name in condition_of(text).quantities:
            if name not in known:
                yield f"{place}: looks at {name}, which no [[measure]] measures. Add one."
    if len(condition_of(file.goal).boxes) != 1 or file.goal == "always":
        yield f"goal: must be ranges joined by 'and'; got {file.goal!r}. Drop 'or'."


def _conditions(file: PolicyFile) -> Iterator[tuple[str, str]]:
    """Yield the place and the text of every condition on measured values."""
    yield "goal", file.goal
    for number, one in enumerate(file.adjust):
        for key in ("when", "until"):
            if text := getattr(one, key):
                yield f"adjust.{number}.{key}", text
    for key in ("when", "end", "halt"):
        if file.wean and (text := getattr(file.wean, key)):
            yield f"wean.{key}", text
    for number, criterion in enumerate(file.stop.criteria if file.stop else ()):
        yield f"stop.criteria.{number}.when", criterion.when


def _check_rules(file: PolicyFile) -> Iterator[str]:
    yield from (
        f"adjust: {name!r} is there twice. Rename one."
        for name in _twice(x.name for x in file.adjust)
    )
    for number, one in enumerate(file.adjust):
        place = f"adjust.{number}"
        if one.name in (WEAN, SET_BACK):
            yield f"{place}.name: {one.name!r} is the name of the rule of [wean]. Choose another."
        yield from _check_moves(file, place, one)
        if one.until:
            yield from _check_until(place, one)


def _check_until(place: str, rule: Adjust) -> Iterator[str]:
    target = condition_of(rule.until or "")
    ends = [end for box in target.boxes for one in box.ranges.values() for end in _ends(one)]
    if len(target.boxes) != 1 or len(target.quantities) != 1 or len(ends) != 1:
        yield f"{place}.until: must be one comparison; got {rule.until!r}."
    elif not set(target.quantities) <= set(condition_of(rule.when).quantities):
        yield f"{place}.until: must look at what `when` looks at; got {rule.until!r}."


def _ends(interval: Any) -> list[float]:
    return [end for end in (interval.low, interval.high) if math.isfinite(end)]


def _check_moves(file: PolicyFile, place: str, rule: Adjust | Wean) -> Iterator[str]:
    if bool(rule.move) == bool(rule.rows):
        yield f"{place}: must have either move or rows. Keep one."
    moved = [*(step_of(text)[0] for text in rule.move), *rule.rows]
    yield from (f"{place}.move: {name} moves twice. Keep one step." for name in _twice(moved))
    for text in rule.cap:
        condition = condition_of(text)
        if len(condition.boxes) != 1 or not set(condition.quantities) <= {*moved, SET_RATE}:
            yield (
                f"{place}.cap: must limit {' or '.join([*moved, SET_RATE])} by one comparison; got "
                f"{text!r}."
            )
    if "fio2" in moved and file.settings.fio2 is None:
        yield f"{place}.move: moves fio2, which has no start. Add fio2 to [start]."
    lengths = {len(column) for column in rule.rows.values()}
    if len(lengths) > 1 or min(lengths, default=2) < 2:
        yield f"{place}.rows: every setting must have as many rows, at least two. Add rows."
    for name, column in rule.rows.items():
        if said := complaint(name, np.asarray(column), ""):
            yield f"{place}.rows.{name}: {said}"
    for leading, column in list(rule.rows.items())[:1]:
        steps = np.diff(column)
        if not (np.all(steps <= 0.0) or np.all(steps >= 0.0)):
            yield f"{place}.rows.{leading}: must not turn; got {column}. Sort the rows."


def _check_wean(file: PolicyFile) -> Iterator[str]:
    if file.wean is not None:
        yield from _check_moves(file, "wean", file.wean)


def _check_disease(file: PolicyFile) -> Iterator[str]:
    """Yield courses that cannot be followed."""
    names = [one.parameter for one in file.disease]
    yield from (f"disease: {name!r} is there twice. Keep one." for name in _twice(names))
    limits = [one for values in file.limits.build().values() for one in values.outcomes]
    measured = [one.name for one in file.measure]
    for number, one in enumerate(file.disease):
        place = f"disease.{number}"
        if one.parameter in KNOWN_SETTINGS:
            yield f"{place}.parameter: {one.parameter} is a setting. Name a property of patients."
        elif one.parameter not in plan(lung_model(file.lung), (*limits, *measured)).parameters:
            yield (
                f"{place}.parameter: {one.parameter} bears on nothing that is measured or judged "
                f"with the lung {file.lung!r}. Name another property."
            )
        if len(one.hours) != len(one.factors):
            yield f"{place}.factors: must have one number for each hour; got {one.factors}."
        if one.hours[0] != 0.0 or np.any(np.diff(one.hours) <= 0.0):
            yield f"{place}.hours: must rise from 0; got {one.hours}. Sort them."
        if one.factors[0] != 1.0:
            yield f"{place}.factors: must begin with 1; got {one.factors}. Patients start as drawn."


def _check_amounts(file: PolicyFile) -> Iterator[str]:
    """Yield errors, roundings and dials that are no amounts, and times that are too short."""
    for number, one in enumerate(file.measure):
        for key in ("error", "round_to"):
            if text := getattr(one, key):
                yield from _complaint(f"measure.{number}.{key}", one.name, text)
        if minutes_of(one.every) < SHORTEST:
            yield f"measure.{number}.every: must be at least 1 min; got {one.every!r}."
    for name, text in file.dial.items():
        yield from _complaint(f"dial.{name}", name, text)
    for name in STORES:
        if said := complaint(name, np.asarray(getattr(file.patients, name))):
            yield f"patients.{name}: {said}"
    for place in ("closing", "opening"):
        if minutes_of(getattr(file.patients, place)) <= 0.0:
            yield f"patients.{place}: must be above 0 min. Write '1 min' or more."


def _complaint(place: str, name: str, text: str) -> Iterator[str]:
    try:
        if amount_of(name, text) < FINEST:
            yield f"{place}: must be above {FINEST:g}; got {text!r}. Leave it out instead."
    except ValueError as error:
        yield f"{place}: {error}"


def _twice(names: Any) -> list[str]:
    listed = list(names)
    return sorted({name for name in listed if listed.count(name) > 1})
