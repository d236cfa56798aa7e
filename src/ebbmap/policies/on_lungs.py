"""What is wrong with rules on the lungs they are for, from settled states: nothing is simulated.

Sizes: n patients, m settings tried.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np

from ebbmap.digits import share_text
from ebbmap.kernels.judging import bound_margins
from ebbmap.policies.body import Bodies, State
from ebbmap.policies.cohort import Cohort, draw_cohort
from ebbmap.policies.conditions import Condition, amount, spoken
from ebbmap.policies.exact import (
    acting,
    answered,
    listed,
    minutes_written,
    opposed,
)
from ebbmap.policies.findings import Finding
from ebbmap.policies.language import SET_RATE, Policy, Rule, release_rate
from ebbmap.registries.parameters import PARAMETERS

#: Patients of each group that are looked at, and those whose windows are: a window takes as many
#: solutions as places.
LUNGS, WINDOW_LUNGS = 256, 96

#: A window must be this many steps wide in three of four lungs (our choice): with less, a step from
#: just outside it lands past its middle.
COARSE, NARROW = 2.0, 0.25

#: Shares of patients from which on something is said, and of an effect that a reading must see
#: (our choices).
SAID, SEEN = 0.1, 0.8

#: Settings tried along a range, and the range: usual practice, wider by these factors.
PLACES, WIDER = 48, (0.25, 2.0)

#: Steps of weaning that are followed.
WEANING_STEPS = 12


@dataclass(frozen=True)
class Settled:
    """A group's patients at some settings, settled.

    Parameters
    ----------
    cohort : Cohort
        The patients.
    settings : mapping of str to ndarray, shape (n,)
        Theirs.
    solved, now : mapping of str to ndarray, shape (n,)
        What follows from lung and settings alone, and every outcome and setting.
    state : State
        Of their bodies.
    """

    cohort: Cohort
    settings: Mapping[str, np.ndarray]
    solved: Mapping[str, np.ndarray]
    now: Mapping[str, np.ndarray]
    state: State

    @property
    def name(self) -> str:
        """Name of the group."""
        return self.cohort.group.name


def settle(bodies: Bodies, cohort: Cohort, settings: Mapping[str, np.ndarray]) -> Settled:
    """Return patients at settings that were left alone for long."""
    solved = bodies.solve(cohort.values, settings)
    state = bodies.steady(solved, cohort.breathing)
    now, _ = bodies.present(solved, state)
    return Settled(cohort, settings, solved, known(now, settings), state)


def known(
    now: Mapping[str, np.ndarray], settings: Mapping[str, np.ndarray]
) -> dict[str, np.ndarray]:
    """Return outcomes, settings and the release rate, as conditions look at them."""
    return {**now, **settings, SET_RATE: release_rate(settings)}


def groups_at_start(policy: Policy, bodies: Bodies, lungs: int = LUNGS) -> list[Settled]:
    """Return some patients of each group, settled at their start."""
    cohorts = (draw_cohort(policy, group, lungs) for group in policy.protocol.groups)
    return [settle(bodies, one, one.settings) for one in cohorts if one.size]


def with_shares(found: Finding, starts: list[Settled]) -> Finding:
    """Add to a finding how many patients of each group would settle in its region at the start."""
    region = found.region
    if region is None or not all(name in one.now for one in starts for name in region.ranges):
        return found
    shares = {one.name: float(Condition((region,)).holds(one.now).mean()) for one in starts}
    often = [f"{share_text(share)} of {name}" for name, share in shares.items() if share >= 0.005]
    if found.kind not in ("contradiction", "gap") or not often:
        return replace(found, shares=shares)
    sentence = f"{found.sentence} Left at the start, {', '.join(often)} patients settle there."
    return replace(found, sentence=sentence, shares=shares)


def coarse_steps(policy: Policy, bodies: Bodies, starts: list[Settled]) -> Iterator[Finding]:
    """Find steps that pass over the values of a setting that are wanted, once for each step."""
    steps: dict[tuple[str, float], list[Rule]] = {}
    for rule in acting(policy):
        for name, by in rule.moves.items():
            steps.setdefault((name, abs(by)), []).append(rule)
    moved = sorted({name for name, _ in steps})
    windows = {name: [window_widths(policy, bodies, one, name) for one in starts] for name in moved}
    for (name, step), rules in steps.items():
        found = [
            (float(np.quantile(width, NARROW)), what, one.name, width)
            for one, held in zip(starts, windows[name], strict=True)
            for what, width in held.items()
            if width.size and np.quantile(width, NARROW) < COARSE * step
        ]
        if found:
            _, what, group, width = min(found, key=lambda one: one[0])
            double = float(np.mean(width < COARSE * step))
            middle = PARAMETERS[name].amount(float(np.median(width)), 2)
            names = tuple(rule.name for rule in rules)
            yield Finding(
                "step_too_coarse",
                rules[0].line,
                f"{listed(names)} {'move' if names[1:] else 'moves'} {amount(name, step)} at a "
                f"time; the window of {what} is {middle} "
                f"wide in the middle {group} lung that has one, narrower than two steps in "
                f"{share_text(double)} of them and than one in "
                f"{share_text(float(np.mean(width < step)))}.",
                names,
                shares={group: double},
            )


def window_widths(
    policy: Policy, bodies: Bodies, start: Settled, name: str
) -> dict[str, np.ndarray]:
    """Return how wide a setting's windows are in the lungs that have one, by what is held."""
    cohort, entry = start.cohort.part(slice(WINDOW_LUNGS)), PARAMETERS[name]
    low, high = WIDER[0] * entry.usual_low, min(WIDER[1] * entry.usual_high, entry.high)
    if name == "fio2":
        low, high = entry.usual_low, entry.usual_high
    places = np.linspace(low, high, PLACES)
    if name in ("t_low", "t_high"):
        places = np.geomspace(max(low, entry.low), high, PLACES)
    # all places at once: a lung costs more by the call than by the case
    every = cohort.part(np.tile(np.arange(cohort.size), places.size))
    tried = settle(bodies, every, {**every.settings, name: np.repeat(places, cohort.size)})
    return {
        what: width[width > 0.0]
        for what, margin in _margins(policy, bodies, tried)
        for rows in [margin.reshape(places.size, cohort.size).T]
        for width in [np.array([_widest(places, one) for one in rows])]
    }


def _margins(policy: Policy, bodies: Bodies, tried: Settled) -> Iterator[tuple[str, np.ndarray]]:
    """Yield how far patients are within each goal that the lung alone decides, and the limits."""
    moving = {name for name, _, _ in bodies.moving}
    for name, wanted in policy.goal.ranges.items():
        if name not in moving and name in tried.solved and math.isfinite(wanted.low + wanted.high):
            values = tried.now[name]
            yield wanted.said(name), np.minimum(values - wanted.low, wanted.high - values)
    with np.errstate(invalid="ignore"):
        yield "all hard limits", bound_margins(policy.protocol.limits.hard, tried.now).min(axis=0)


def _widest(places: np.ndarray, margin: np.ndarray) -> float:
    """Return the width of the widest stretch on which a margin is positive; 0 if there is none."""
    widest, begun = 0.0, places[0] if margin[0] > 0.0 else None
    for left, right, one, other in zip(places, places[1:], margin, margin[1:], strict=False):
        turned = left + (right - left) * one / (one - other) if one * other < 0.0 else right
        if one <= 0.0 < other:
            begun = turned
        elif not other > 0.0 and begun is not None:
            widest, begun = max(widest, turned - begun), None
    return max(widest, places[-1] - begun) if begun is not None else widest


def caps_before_goals(policy: Policy, bodies: Bodies, starts: list[Settled]) -> Iterator[Finding]:
    """Find rules that a cap stops while what they answer to is still wrong."""
    for rule in policy.rules:
        ends = {name: end for name in rule.directions if math.isfinite(end := rule.cap_ahead(name))}
        if not ends or rule is policy.wean:
            continue
        worst: tuple[float, str] = (0.0, "")
        for one in starts:
            called = rule.when.holds(one.now)
            at_cap = {
                name: np.where(
                    rule.directions[name] > 0.0,
                    np.maximum(one.settings[name], end),
                    np.minimum(one.settings[name], end),
                )
                for name, end in ends.items()
            }
            there = settle(bodies, one.cohort, {**one.settings, **at_cap})
            if called.mean() >= SAID / 2.0:
                still = float(rule.when.holds(there.now)[called].mean())
                worst = max(worst, (still, one.name))
        if worst[0] >= SAID:
            stops = " and ".join(amount(name, end) for name, end in ends.items())
            yield Finding(
                "cap_before_goal",
                rule.line,
                f"{rule.name} stops at {stops}; of the {worst[1]} patients for whom it is called "
                f"at the start, {share_text(worst[0])} still have {rule.when.said()} there.",
                (rule.name,),
                shares={worst[1]: worst[0]},
            )


def unseen_answers(policy: Policy, bodies: Bodies, starts: list[Settled]) -> Iterator[Finding]:
    """Find readings that are too rough, or come too early, to show what a step has done."""
    for rule in acting(policy):
        if not rule.moves:
            continue
        effects = [(one, _effects(bodies, one, rule)) for one in starts]
        for name in answered(policy, rule):
            if name in policy.measured:
                yield from _too_rough(policy, rule, name, effects)
                yield from _too_early(policy, bodies, rule, name, effects)


Effects = list[tuple[Settled, Settled]]


def _effects(bodies: Bodies, start: Settled, rule: Rule) -> Settled:
    """Return the patients settled after one step of a rule."""
    return settle(bodies, start.cohort, {**start.settings, **rule.moved(start.settings)})


def _too_rough(policy: Policy, rule: Rule, name: str, effects: Effects) -> Iterator[Finding]:
    found = []
    for before, after in effects:
        with np.errstate(invalid="ignore"):
            change = np.abs(after.now[name] - before.now[name])
        change = change[np.isfinite(change) & (change > 0.0)]
        if change.size:
            spread = policy.measured[name].spread(float(np.nanmedian(before.now[name])))
            found.append((float(np.median(change)), spread, before.name))
    rough = [one for one in found if one[0] < one[1]]
    if rough and len(rough) == len(found):
        change, spread, group = max(rough)
        yield Finding(
            "too_rare",
            rule.line,
            f"One step of {rule.name} changes {amount(name, change)} in the middle {group} "
            f"patient; a reading has a standard deviation of {amount(name, spread)}, so one "
            "reading does not show what the step has done.",
            (rule.name,),
        )


def _too_early(
    policy: Policy, bodies: Bodies, rule: Rule, name: str, effects: Effects
) -> Iterator[Finding]:
    reading = policy.measured[name]
    at = min(reading.every, reading.after_change)
    found = []
    for before, after in effects:
        state = before.state
        for _ in range(round(at)):
            state = bodies.after(1.0, after.solved, state, before.cohort.breathing)
        now, _ = bodies.present(after.solved, state)
        with np.errstate(invalid="ignore", divide="ignore"):
            seen = (now[name] - before.now[name]) / (after.now[name] - before.now[name])
        seen = seen[np.isfinite(seen)]
        if seen.size:
            found.append((float(np.median(seen)), before.name))
    if found and min(found)[0] < SEEN:
        share, group = min(found)
        share = max(share, 0.0)
        yield Finding(
            "too_rare",
            rule.line,
            f"{rule.name} looks at {spoken(name)} {minutes_written(at)} after a change, when the "
            f"middle {group} patient shows {share_text(share)} of what a step does to it in the "
            "end: the rule acts on an unfinished answer.",
            (rule.name,),
            shares={group: share},
        )


def weaning_calls(policy: Policy, bodies: Bodies, starts: list[Settled]) -> Iterator[Finding]:
    """Find rules that weaning calls by itself and that move a setting back."""
    wean = policy.wean
    if wean is None:
        return
    paths = [_weaning_path(bodies, one, wean) for one in starts]
    for rule in policy.rules:
        settings = opposed(wean, rule) if rule is not wean else ()
        if not settings:
            continue
        called = [np.array([rule.when.holds(one.now).mean() for one in path]) for path in paths]
        gained = [float(shares[-1] - shares[0]) for shares in called]
        most = int(np.argmax(gained))
        rising = int(np.sum(np.diff(called[most]) > 0.0))
        steps = called[most].size - 1
        if gained[most] >= SAID:
            yield Finding(
                "contradiction",
                wean.line,
                f"{wean.name} calls {rule.name}, which moves "
                f"{listed([*map(spoken, settings)])} back: {rule.when.said()} in "
                f"{share_text(called[most][0])} of {starts[most].name} patients before and "
                f"{share_text(called[most][-1])} after {steps} steps, more of them after "
                f"{rising} of the {steps}.",
                (wean.name, rule.name),
                shares={starts[most].name: gained[most]},
            )


def _weaning_path(bodies: Bodies, start: Settled, wean: Rule) -> list[Settled]:
    """Return patients settled after each step of weaning, from the first row of its table."""
    first = {name: np.full(start.cohort.size, column[0]) for name, column in wean.rows.items()}
    path = [settle(bodies, start.cohort, {**start.settings, **first})]
    for _ in range(WEANING_STEPS):
        new = {**path[-1].settings, **wean.moved(path[-1].settings)}
        if all(np.array_equal(new[name], path[-1].settings[name]) for name in new):
            break
        if (new["p_high"] <= new["p_low"]).any():
            break
        path.append(settle(bodies, start.cohort, new))
    return path


#: What looks at lungs, in the order of the report.
LOOKS: tuple[Callable[[Policy, Bodies, list[Settled]], Iterator[Finding]], ...] = (
    weaning_calls,
    coarse_steps,
    caps_before_goals,
    unseen_answers,
)
