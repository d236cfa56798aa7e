"""What a bedside decides in a minute, of all patients at once and by any engine.

Who leaves the mode, which rule acts for whom, and what it moves: masks over patients, each of whom
is decided for alone. Sizes: n patients, c criteria, r rules.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np

from ebbmap.array import clip, falses, minimum, ones_like, some, stack, where
from ebbmap.engines.masked import for_some
from ebbmap.policies.language import MOVABLE, SET_RATE, Policy, Rule, release_rate
from ebbmap.policies.readings import Chances, Measured, after_change, take, unmeasured
from ebbmap.registries.parameters import PARAMETERS

#: cmH2O: P high stays this much above P low, whatever the rules say.
LEAST_DROP = 1.0

#: Where a patient has not left the mode, and where no rule has acted.
STAYED = NO_RULE = -1

#: The ways in which a setting goes.
WAYS = (1, -1)


class Hand(NamedTuple):
    """What rules look at and change, shape (n,) each.

    Parameters
    ----------
    settings : dict of str to array
        All that can be moved.
    steps_down : array of int
        Steps of weaning that stand.
    latched : dict of int to array of bool
        Whether a rule that goes on until something is reached has begun, by its number.
    resting : dict of int to array
        Minute until which a rule does not act again.
    locked : array
        Minute until which no rule acts.
    moved : dict of int to dict of str to array
        Minute in which a setting last went up (1) or down (-1).
    changes, reversals : array of int
        Changes, and those that turn a setting back within the stated time.
    weaned : array of bool
        Whose weaning has ended.
    acted : array of int8
        Number of the rule that acted last, or `NO_RULE`.
    """

    settings: dict[str, Any]
    steps_down: Any
    latched: dict[int, Any]
    resting: dict[int, Any]
    locked: Any
    moved: dict[int, dict[str, Any]]
    changes: Any
    reversals: Any
    weaned: Any
    acted: Any


class Bedside(NamedTuple):
    """What the bedside knows and remembers.

    Parameters
    ----------
    measured : Measured
        Readings.
    hand : Hand
        What rules look at and change.
    active, unread : array of bool, shape (n,)
        Who is in the mode, and whose last readings no rule has looked at.
    holding : tuple of array, shape (n,), length c
        Minute since which each criterion holds; infinite: it does not.
    left : array of int, shape (n,)
        Number of the criterion by which a patient left the mode, or `STAYED`.
    fired : array of int, shape (r,)
        How often each rule acted.
    """

    measured: Measured
    hand: Hand
    active: Any
    unread: Any
    holding: tuple[Any, ...]
    left: Any
    fired: Any


def first_bedside(policy: Policy, settings: Mapping[str, np.ndarray]) -> Bedside:
    """Return the bedside of patients at their first settings, arrays of NumPy."""
    n = settings["p_high"].size
    hand = Hand(
        {name: np.array(settings[name]) for name in MOVABLE},
        np.zeros(n, int),
        {number: np.zeros(n, bool) for number, one in enumerate(policy.rules) if one.until},
        {number: np.zeros(n) for number, one in enumerate(policy.rules) if one.again},
        np.zeros(n),
        {way: {name: np.full(n, -math.inf) for name in MOVABLE} for way in WAYS},
        np.zeros(n, int),
        np.zeros(n, int),
        np.zeros(n, bool),
        np.full(n, NO_RULE, np.int8),
    )
    return Bedside(
        unmeasured(policy.readings, n),
        hand,
        np.ones(n, bool),
        np.zeros(n, bool),
        tuple(np.full(n, math.inf) for _ in policy.criteria),
        np.full(n, STAYED),
        np.zeros(len(policy.rules), int),
    )


def decide(
    policy: Policy, chances: Chances, minute: Any, now: Mapping[str, Any], bedside: Bedside
) -> tuple[Bedside, Any]:
    """Measure, let patients leave, and let rules act on those with new values.

    Parameters
    ----------
    policy : Policy
        The policy.
    chances : Chances
        Of the patients.
    minute : int
        Since the mode began.
    now : mapping of str to array, shape (n,)
        True values of all that is measured.
    bedside : Bedside
        So far; arrays of NumPy are written in place.

    Returns
    -------
    bedside : Bedside
    changed : array of bool, shape (n,)
        Whose settings moved.
    """
    measured, fresh = take(policy.readings, chances, minute, now, bedside.active, bedside.measured)
    bedside = bedside._replace(measured=measured, unread=bedside.unread | fresh)
    bedside = _leave(policy, minute, fresh, bedside)
    hand = bedside.hand
    asked = bedside.unread & bedside.active & ~hand.weaned & (hand.locked <= minute)
    hand = for_some(
        asked, lambda own, known: _act(policy, minute, own, known), hand, measured.known
    )
    changed = asked & (hand.acted > NO_RULE)
    bedside = bedside._replace(hand=hand, unread=bedside.unread & ~asked)
    if not policy.rules or not some(changed):
        return bedside, changed
    counts = [(changed & (hand.acted == rule)).sum() for rule in range(len(policy.rules))]
    measured = after_change(policy.readings, minute, changed, measured)
    return bedside._replace(measured=measured, fired=bedside.fired + stack(counts)), changed


def _leave(policy: Policy, minute: Any, fresh: Any, bedside: Bedside) -> Bedside:
    """Take patients out of the mode for whom a criterion has held long enough."""
    holding = []
    left, active = bedside.left, bedside.active
    given = bedside.measured.known, bedside.hand.settings
    for number, criterion in enumerate(policy.criteria):

        def held(since: Any, given: Any, criterion: Any = criterion) -> Any:
            return where(criterion.when.holds(_seen(*given)), minimum(since, minute), math.inf)

        since = for_some(fresh, held, bedside.holding[number], given)
        gone = active & (minute - since >= criterion.lasting)
        if some(gone):
            left, active = where(gone, number, left), active & ~gone
        holding.append(since)
    return bedside._replace(holding=tuple(holding), left=left, active=active)


def _seen(known: Mapping[str, Any], settings: Mapping[str, Any]) -> dict[str, Any]:
    """Return what conditions look at: readings, settings and the set rate."""
    return {**known, **settings, SET_RATE: release_rate(settings)}


def _act(policy: Policy, minute: Any, hand: Hand, known: Mapping[str, Any]) -> Hand:
    """Apply the first rule that calls and can move something, for each of those asked."""
    free = ~falses(hand.locked)
    latched = dict(hand.latched)
    hand = hand._replace(acted=ones_like(hand.acted) * NO_RULE)
    for number, rule in enumerate(policy.rules):
        if not some(free):
            break
        seen = _seen(known, hand.settings)
        called = rule.when.holds(seen)
        if rule.until is not None:
            called = called | latched[number] & rule.going.holds(seen)
            latched[number] = where(free, called, latched[number])
        called = called & free
        if number in hand.resting:
            called = called & (hand.resting[number] <= minute)
        if rule.takes_back:
            called = called & (hand.steps_down > 0)
        if some(called):
            hand, moved = _move(policy, minute, number, called, hand)
            free = free & ~moved
    if policy.weaned is not None:
        ended = policy.weaned.holds(_seen(known, hand.settings))
        hand = hand._replace(weaned=hand.weaned | (~free & ended))
    return hand._replace(latched=latched)


def _move(policy: Policy, minute: Any, number: int, called: Any, hand: Hand) -> tuple[Hand, Any]:
    """Move the settings of those called as a rule says; return also whose settings moved."""
    rule = policy.rules[number]
    new = _on_dial(policy, rule, hand.settings)
    kept = called & (new["p_high"] >= new["p_low"] + LEAST_DROP)
    moved, turns = falses(called), hand.reversals
    settings, last = dict(hand.settings), {way: dict(hand.moved[way]) for way in WAYS}
    for name in rule.directions:
        settings[name] = where(kept, new[name], hand.settings[name])
        change = settings[name] - hand.settings[name]
        moved = moved | (change != 0.0)
        for way in WAYS:
            going = change * way > 0.0
            turns = turns + (going & (minute - hand.moved[-way][name] <= policy.reversal))
            last[way][name] = where(going, minute, last[way][name])
    resting, steps = dict(hand.resting), hand.steps_down
    if number in resting:
        resting[number] = where(moved, minute + rule.again, resting[number])
    if rule is policy.wean:
        steps = steps + moved
    elif rule.takes_back:
        steps = steps - where(moved, 1, 0)
    hand = hand._replace(
        settings=settings,
        steps_down=steps,
        resting=resting,
        locked=where(moved, minute + rule.wait, hand.locked),
        moved=last,
        changes=hand.changes + moved,
        reversals=turns,
        acted=where(moved, number, hand.acted),
    )
    return hand, moved


def _on_dial(policy: Policy, rule: Rule, settings: Mapping[str, Any]) -> dict[str, Any]:
    """Return the settings that a rule asks for, as they can be set."""
    new = {**settings, **rule.moved(settings)}
    for name in rule.directions:
        entry = PARAMETERS[name]
        new[name] = clip(policy.on_dial(name, new[name]), entry.low, entry.high)
    return new
