"""What is wrong with rules by themselves, found exactly on their conditions' boxes.

No lung is looked at here: contradictions, gaps, rules that never act, caps that the start passes.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import combinations

import numpy as np

from ebbmap.policies.conditions import (
    Box,
    Condition,
    Interval,
    Partition,
    amount,
    possible,
    possible_part,
    spoken,
)
from ebbmap.policies.findings import Finding
from ebbmap.policies.language import MOVABLE, SET_RATE, Policy, Reading, Rule

#: Standard deviations of a reading that a dead band must be wide (our choice): with two, one
#: reading in forty lies on the wrong side of the far end by chance.
DEAD_BAND = 2.0


def opposed(one: Rule, other: Rule) -> tuple[str, ...]:
    """Return the settings that two rules move in opposite directions."""
    ways = other.directions
    return tuple(name for name, way in one.directions.items() if way * ways.get(name, 0.0) < 0)


def overlap(one: Rule, other: Rule) -> Condition:
    """Return the measured values at which both rules call, impossible ones left out."""
    return possible_part(one.going.meet(other.going))


def contradictions(policy: Policy) -> Iterator[Finding]:
    """Find rules that order opposite moves of one setting on the same measured values."""
    for first, second in combinations(policy.rules, 2):
        settings = opposed(first, second)
        if not settings:
            continue
        for box in overlap(first, second).boxes:
            yield Finding(
                "contradiction",
                second.line,
                f"{first.name} and {second.name} move {_spoken(settings)} in opposite directions "
                f"at {box.said()}; {first.name}, which comes first, wins.",
                (first.name, second.name),
                box,
            )
        yield from _without_dead_band(policy, first, second, settings)


def _without_dead_band(
    policy: Policy, first: Rule, second: Rule, settings: tuple[str, ...]
) -> Iterator[Finding]:
    """Find opposite rules that one error of reading can take for each other."""
    found = set()
    for one in possible_part(first.going).boxes:
        for other in possible_part(second.going).boxes:
            apart = [name for name, side in one.meet(other).ranges.items() if side.empty]
            if len(apart) != 1 or apart[0] not in policy.measured or apart[0] in found:
                continue
            (name,) = apart
            here, there = one.along(name), other.along(name)
            edge = here.low if here.low >= there.high else here.high
            band = here.distance(there)
            spread = policy.measured[name].spread(edge)
            if band == 0.0 or band < DEAD_BAND * spread:
                found.add(name)
                yield Finding(
                    "contradiction",
                    second.line,
                    f"{first.name} and {second.name} move {_spoken(settings)} in opposite "
                    f"directions either side of {amount(name, edge)}, with "
                    f"{_band(name, band)}; a reading there has a standard deviation of "
                    f"{amount(name, spread)}, so a steady patient is moved up and down by chance.",
                    (first.name, second.name),
                    Box({name: Interval(edge, edge, True, True)}),
                )


def _band(name: str, band: float) -> str:
    return f"a dead band of only {amount(name, band)}" if band else "no dead band"


def answered(policy: Policy, rule: Rule) -> tuple[str, ...]:
    """Return the quantities that a rule answers to, without those that only guard it."""
    return tuple(
        name
        for name in rule.when.quantities
        if not all(
            name in policy.goal.ranges and box.along(name).covers(policy.goal.along(name))
            for box in rule.when.boxes
        )
    )


def gaps(policy: Policy) -> Iterator[Finding]:
    """Find measured values away from the goal to which no rule answers.

    Notes
    -----
    A rule answers to a quantity that is too high (or too low) if its condition picks values on
    that side: a range of the quantity that reaches beyond the goal and does not hold throughout
    it. A range that only guards, such as "oxygen acceptable", holds at the goal and answers
    nothing. To leave the mode is an answer too.
    """
    answers = [(rule.name, rule.going) for rule in policy.rules]
    answers += [("leaving the mode", one.when) for one in policy.criteria]
    for name, wanted in policy.goal.ranges.items():
        for out in (wanted.below, wanted.above):
            side = out.meet(possible(name))
            if not side.empty:
                yield from _unanswered(policy, answers, name, side)


def _unanswered(
    policy: Policy, answers: list[tuple[str, Condition]], name: str, side: Interval
) -> Iterator[Finding]:
    wanted = policy.goal.along(name)
    serving = [
        box
        for _, condition in answers
        for box in condition.boxes
        if not box.along(name).meet(side).empty and not box.along(name).covers(wanted)
    ]
    outside = Box({name: side})
    names = tuple(dict.fromkeys([name, *(one for box in serving for one in box.ranges)]))
    cells = Partition([outside, *serving], names)
    left = cells.inside(Condition((outside,))) & ~cells.inside(Condition(tuple(serving)))
    for box in cells.boxes(left):
        others = list(dict.fromkeys(who for who, one in answers if _meets(one, box)))
        where = box.said()
        if others:
            sentence = (
                f"No rule answers to {spoken(name)} at {where}; {listed(others)} may act there, "
                "for something else."
            )
        else:
            sentence = f"No rule acts at {where}, which is not the goal."
        yield Finding("gap", policy.goal_line, sentence, tuple(others), box)


def _meets(condition: Condition, box: Box) -> bool:
    return bool(possible_part(condition.meet(Condition((box,)))).boxes)


def never_fire(policy: Policy) -> Iterator[Finding]:
    """Find rules that can never act."""
    for number, rule in enumerate(policy.rules):
        others = (*policy.rules[:number], *policy.rules[number + 1 :])
        why = _impossible(rule, reachable(policy, others)) or _shadowed(rule, policy.rules[:number])
        if why:
            yield Finding("never_fires", rule.line, f"{rule.name} never acts: {why}.", (rule.name,))


def acting(policy: Policy) -> list[Rule]:
    """Return the rules that can act at all."""
    never = {one.rules for one in never_fire(policy)}
    return [rule for rule in policy.rules if (rule.name,) not in never]


def _impossible(rule: Rule, reach: dict[str, Interval]) -> str:
    """Return why no measured value lets a rule act, or nothing."""
    condition = possible_part(rule.when)
    if not condition.boxes:
        return f"nothing can be {rule.when.said()}"
    kept = condition.meet(Condition((Box(reach),)))
    if not kept.boxes:
        return f"no rule takes the settings to {condition.said()}"
    stuck = [name for name in rule.directions if _past_cap(rule, name, reach[name])]
    if stuck and len(stuck) == len(rule.directions):
        return f"{_spoken(stuck)} is never within its cap"
    return ""


def _past_cap(rule: Rule, name: str, reach: Interval) -> bool:
    cap = rule.cap_ahead(name)
    return reach.low >= cap if rule.directions[name] > 0 else reach.high <= cap


def _shadowed(rule: Rule, earlier: tuple[Rule, ...]) -> str:
    """Return which rules before it always act in its place, or nothing.

    One that a cap may stop, or that waits longer for itself than for others, lets later ones act.
    """
    always = [one for one in earlier if not one.capped and one.again <= one.wait]
    boxes = [*rule.when.boxes, *(box for one in always for box in one.when.boxes)]
    names = tuple(dict.fromkeys(name for box in boxes for name in box.ranges))
    if not always or not names:
        return ""
    cells = Partition(boxes, names)
    own = cells.inside(rule.when)
    taken = np.zeros_like(own)
    shadow = []
    for one in always:
        theirs = cells.inside(one.when)
        if (theirs & own & ~taken).any():
            shadow.append(one.name)
        taken |= theirs
    if (own & ~taken).any():
        return ""
    return f"whenever {rule.when.said()}, {listed(shadow)} acts before it"


def start_span(policy: Policy, name: str) -> Interval:
    """Return where a setting may start: its range, or the ends of the rule that sets it."""
    draft, whole = policy.protocol.draft, possible(name)
    if name in draft.spans:
        span = draft.spans[name]
        return Interval(span.low, span.high, True, True)
    rule = draft.rules.get(name)
    if rule is None:
        return whole
    return whole.meet(Interval(rule.at_least, rule.at_most, True, True))


def start_rates(policy: Policy) -> Interval:
    """Return the releases per minute that the start may have."""
    high, low = start_span(policy, "t_high"), start_span(policy, "t_low")
    return Interval(60.0 / (high.high + low.high), 60.0 / (high.low + low.low), True, True)


def reachable(policy: Policy, rules: tuple[Rule, ...]) -> dict[str, Interval]:
    """Return where each setting may come to be: its start, and what some rules make of it."""
    found = {}
    for name in MOVABLE:
        low, high = (span := start_span(policy, name)).low, span.high
        for rule in rules:
            way = rule.directions.get(name, 0.0)
            ends = rule.rows.get(name, ()) or (rule.cap_ahead(name) if way else math.nan,)
            low = min([low, *(end for end in ends if way < 0)])
            high = max([high, *(end for end in ends if way > 0)])
        found[name] = Interval(low, high, True, True).meet(possible(name))
    return found


def start_past_caps(policy: Policy) -> Iterator[Finding]:
    """Find caps that the start has passed already: a rule stops there before it begins."""
    for rule in policy.rules:
        for name, cap in rule.caps.ranges.items():
            start = start_rates(policy) if name == SET_RATE else start_span(policy, name)
            set_by_rule = name in policy.protocol.draft.rules and not math.isfinite(
                policy.protocol.draft.rules[name].at_most
            )
            if cap.covers(start) or set_by_rule:
                continue
            beyond = start.high if start.high > cap.high else start.low
            yield Finding(
                "cap_before_goal",
                rule.line,
                f"{rule.name} stops at {cap.said(name)}, and the start may be at "
                f"{amount(name, beyond)} already: past it the rule does nothing.",
                (rule.name,),
                Box({name: cap}),
            )


def too_seldom(policy: Policy) -> Iterator[Finding]:
    """Find rules that may act again before what they answer to has been measured again."""
    for rule in policy.rules:
        pause = max(rule.wait, rule.again)
        seldom = [
            reading
            for reading in (policy.measured.get(name) for name in answered(policy, rule))
            if reading is not None
            and min(reading.every, reading.after_change) + reading.delay > pause
        ]
        if seldom:
            worst = max(seldom, key=lambda one: min(one.every, one.after_change) + one.delay)
            yield Finding(
                "too_rare",
                rule.line,
                f"{rule.name} may act again after {minutes_written(pause)}, but "
                f"{_when_known(worst)}.",
                (rule.name,),
            )


def _when_known(reading: Reading) -> str:
    after = f", {minutes_written(reading.after_change)} after a change"
    extra = after if math.isfinite(reading.after_change) else ""
    late = f", and known {minutes_written(reading.delay)} later" if reading.delay else ""
    return f"{spoken(reading.name)} is measured every {minutes_written(reading.every)}{extra}{late}"


def minutes_written(time: float) -> str:
    """Return a time as a reader says it."""
    return f"{time / 60.0:g} h" if time >= 60.0 else f"{time:g} min"


def _spoken(names: Sequence[str]) -> str:
    return listed([spoken(name) for name in names])


def listed(names: Sequence[str]) -> str:
    """Return names in one phrase."""
    *most, last = names
    return f"{', '.join(most)} and {last}" if most else last
