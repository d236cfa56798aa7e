"""The numbers of a policy that can be changed one by one: thresholds, steps, times and order."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from ebbmap.policies.conditions import (
    Box,
    Condition,
    Interval,
    amount,
    amount_alone,
    possible,
    spoken,
)
from ebbmap.policies.exact import minutes_written
from ebbmap.policies.language import SET_RATE, Policy, Reading, Rule

#: How far a threshold is moved: this share of the goal's width, or else of its value.
OF_GOAL, OF_VALUE = 0.25, 0.1

#: By how much steps and times are multiplied.
FACTORS = (0.5, 2.0)

#: Times are no shorter [min].
SHORTEST = 1.0

#: What of a rule or a reading is changed, and where in it.
Key = tuple[str, ...]


@dataclass(frozen=True)
class Change:
    """One number of a policy changed, or a rule moved before the one in front of it.

    Parameters
    ----------
    key : tuple of str
        What it changes; two changes of one key exclude each other.
    value : float
        What it becomes.
    sentence : str
        The change in words.
    """

    key: Key
    value: float
    sentence: str


def single_changes(policy: Policy) -> list[Change]:
    """List every single change of a policy's own numbers that is looked at.

    Thresholds of conditions and caps move both ways, steps and times are halved and doubled, and
    each rule goes before the one in front of it. Tables of settings, the goal, the limits, the
    start, and when to leave the mode stay as they are.
    """
    rules = [rule for rule in policy.rules if not rule.takes_back]
    return [
        *(one for rule in rules for one in _of_rule(policy, rule)),
        *(one for reading in policy.readings for one in _of_reading(reading)),
        *_of_order(policy),
    ]


def changed(policy: Policy, changes: Iterable[Change]) -> Policy:
    """Return a policy with some changes made."""
    for change in changes:
        kind, name, *place = change.key
        if kind == "order":
            policy = replace(policy, rules=_moved_up(policy.rules, name))
        elif kind == "reading":
            readings = tuple(
                replace(one, every=change.value) if one.name == name else one
                for one in policy.readings
            )
            policy = replace(policy, readings=readings)
        else:
            policy = _with_rule(policy, name, kind, place, change.value)
    return policy


def _with_rule(policy: Policy, name: str, kind: str, place: list[str], value: float) -> Policy:
    """Return a policy with one number of one rule changed."""
    rules = []
    wean = policy.wean
    for rule in policy.rules:
        new = _set(rule, kind, place, value) if rule.name == name else rule
        wean = new if rule is policy.wean else wean
        rules.append(new)
    return replace(policy, rules=tuple(rules), wean=wean)


def _set(rule: Rule, kind: str, place: list[str], value: float) -> Rule:
    if kind == "step":
        return replace(rule, moves={**rule.moves, place[0]: value})
    if kind in ("wait", "again"):
        return replace(rule, wait=value) if kind == "wait" else replace(rule, again=value)
    if kind == "cap":
        return replace(rule, caps=_end_set(rule.caps, place[0], place[1], value))
    if kind == "until" and rule.until is not None:
        return replace(rule, until=_end_set(rule.until, place[0], place[1], value))
    number = int(place[2])
    boxes = tuple(
        _end_set(box, place[0], place[1], value) if n == number else box
        for n, box in enumerate(rule.when.boxes)
    )
    return replace(rule, when=Condition(boxes))


def _end_set(box: Box, name: str, side: str, value: float) -> Box:
    return Box({**box.ranges, name: _with_end(box.ranges[name], side, value)})


def _with_end(range_: Interval, side: str, value: float) -> Interval:
    return replace(range_, low=value) if side == "low" else replace(range_, high=value)


def _of_rule(policy: Policy, rule: Rule) -> Iterator[Change]:
    for number, box in enumerate(rule.when.boxes):
        yield from _of_ends(policy, rule, "when", box, (str(number),))
    if rule.until is not None:
        yield from _of_ends(policy, rule, "until", rule.until, ())
    yield from _of_ends(policy, rule, "cap", rule.caps, ())
    if rule is not policy.wean:
        for name, by in rule.moves.items():
            for factor in FACTORS:
                value = _step(policy, name, by * factor)
                if value not in (0.0, by):
                    old = amount_alone(name, by)
                    said = f"{rule.name}: {amount(name, value)} at a time, not {old}"
                    yield Change(("step", rule.name, name), value, said)
    for kind in ("wait", "again"):
        yield from _of_time(kind, rule.name, getattr(rule, kind), rule.name)


_TIMES = {"wait": "waits", "again": "acts again after", "reading": "is measured every"}


def _step(policy: Policy, name: str, by: float) -> float:
    """Return a step as the dial allows it; 0 where it is finer."""
    dial = policy.dial.get(name)
    return by if dial is None else round(round(by / dial) * dial, 9)


def _of_ends(policy: Policy, rule: Rule, kind: str, box: Box, more: Key) -> Iterator[Change]:
    for name, side in box.ranges.items():
        for end in ("low", "high"):
            value = getattr(side, end)
            by = _shift(policy, rule, name, value) if math.isfinite(value) else 0.0
            for new in (value - by, value + by) if by else ():
                if _kept(side, end, new, name):
                    what = {"when": "acts", "until": "acts until", "cap": "stops"}[kind]
                    old = amount_alone(name, value)
                    said = f"{rule.name}: {what} at {amount(name, new)}, not {old}"
                    yield Change((kind, rule.name, name, end, *more), new, said)


def _shift(policy: Policy, rule: Rule, name: str, value: float) -> float:
    """Return how far a threshold is moved either way."""
    if name in rule.moves and name != SET_RATE:
        return abs(rule.moves[name])
    wanted = policy.goal.along(name)
    if math.isfinite(wanted.low + wanted.high):
        return OF_GOAL * (wanted.high - wanted.low)
    bounds = [one for one in policy.protocol.limits.hard if one.outcome == name]
    return 0.5 * bounds[0].width if bounds else OF_VALUE * abs(value)


def _kept(side: Interval, end: str, value: float, name: str) -> bool:
    """Return whether a range with another end still holds values that are possible."""
    new = _with_end(side, end, value)
    return not new.meet(possible(name)).empty and possible(name).meet(new) != possible(name)


def _of_reading(reading: Reading) -> Iterator[Change]:
    yield from _of_time("reading", reading.name, reading.every, spoken(reading.name))


def _of_time(kind: str, name: str, time: float, who: str) -> Iterator[Change]:
    for factor in FACTORS:
        new = max(SHORTEST, round(time * factor))
        if time > 0.0 and new != time:
            said = f"{who}: {_TIMES[kind]} {minutes_written(new)}, not {minutes_written(time)}"
            yield Change((kind, name), new, said)


def _of_order(policy: Policy) -> Iterator[Change]:
    for before, rule in zip(policy.rules, policy.rules[1:], strict=False):
        if not before.takes_back and rule is not policy.wean:
            said = f"{rule.name}: before {before.name}"
            yield Change(("order", rule.name), 0.0, said)


def _moved_up(rules: tuple[Rule, ...], name: str) -> tuple[Rule, ...]:
    """Return rules with one of them before the one in front of it."""
    number = next(n for n, rule in enumerate(rules) if rule.name == name)
    ahead = max(number - 1, 0)
    found = list(rules)
    found[ahead], found[number] = found[number], found[ahead]
    return tuple(found)


def fit_together(changes: Iterable[Change]) -> bool:
    """Return whether no two changes are of the same number."""
    keys = [one.key for one in changes]
    return len(set(keys)) == len(keys)


def named(changes: Mapping[int, Change], numbers: Iterable[int]) -> str:
    """Return some changes in words."""
    return "; ".join(changes[number].sentence for number in numbers) or "as it is"
