"""A policy on a cohort, minute by minute.

Settings stay until they are changed and the cycle is settled at each step; only the lungs whose
settings changed are solved again. CO2, own breathing, closed lung and oxygen move by exact
exponential steps of one minute. Sizes: n patients, k hard bounds, r rules, m minutes,
h hours.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np

from ebbmap.committee.lungs import streams
from ebbmap.kernels.judging import bound_margins
from ebbmap.policies.body import Bodies, State
from ebbmap.policies.cohort import READINGS, Cohort, draw_cohort, first_state
from ebbmap.policies.language import MOVABLE, SET_RATE, Policy, Rule, release_rate
from ebbmap.policies.readings import Readings
from ebbmap.registries.limits import Bound
from ebbmap.registries.parameters import PARAMETERS

#: Patients that are simulated together: a believable lung costs more by the call than by the
#: patient, so that half as many took a quarter longer (measured).
PIECE = 5000

#: cmH2O: P high stays this much above P low, whatever the rules say.
LEAST_DROP = 1.0

#: Minutes after which a disease that changes has lungs solved again.
DISEASE_STEP = 60

#: Where a patient has not left the mode.
STAYED = -1


@dataclass(frozen=True)
class Course:
    """What became of some patients of one group.

    Parameters
    ----------
    group : str
        Its name.
    bounds : tuple of Bound
        The k hard bounds.
    safe : ndarray of int, shape (m,)
        How many are safe in each minute: in the mode and within every hard bound.
    in_mode : ndarray of int, shape (m,)
        How many are in the mode.
    first_safe : ndarray, shape (n,)
        Minute of the first safe state; infinite: never.
    safe_at : ndarray of bool, shape (h, n)
        Who is safe after 0, 1, 2, ... hours.
    outside, beyond : ndarray, shape (k, n)
        Minutes outside each bound, and the distance beyond it times minutes.
    changes, reversals : ndarray of int, shape (n,)
        Changes at the bedside, and those that turn a setting back within the stated time.
    left : ndarray of int, shape (n,)
        Number of the criterion by which a patient left the mode, or `STAYED`.
    weaned : ndarray of bool, shape (n,)
        Whose weaning ended.
    lost : ndarray of bool, shape (n,)
        Whose lung could not be solved at some settings.
    fired : ndarray of int, shape (r,)
        How often each rule acted.
    """

    group: str
    bounds: tuple[Bound, ...]
    safe: np.ndarray
    in_mode: np.ndarray
    first_safe: np.ndarray
    safe_at: np.ndarray
    outside: np.ndarray
    beyond: np.ndarray
    changes: np.ndarray
    reversals: np.ndarray
    left: np.ndarray
    weaned: np.ndarray
    lost: np.ndarray
    fired: np.ndarray

    @property
    def size(self) -> int:
        """How many patients, n."""
        return int(self.changes.size)


#: Called in each minute with the minute, the true values, the settings and what is known.
Watcher = Callable[[int, dict[str, np.ndarray], dict[str, np.ndarray], dict[str, np.ndarray]], None]


class Simulation:
    """A cohort under a policy, one minute after the other.

    Parameters
    ----------
    policy : Policy
        The policy.
    cohort : Cohort
        The patients.
    piece : int
        Number of the cohort among the pieces of its group.
    places : ndarray of int, shape (n,), optional
        Places of the patients in their piece; in order from 0 if None.
    """

    def __init__(
        self, policy: Policy, cohort: Cohort, piece: int = 0, places: np.ndarray | None = None
    ) -> None:
        n = cohort.size
        self.policy, self.cohort = policy, cohort
        self.values = dict(cohort.values)
        self.bodies = Bodies(policy)
        self.settings = {name: np.array(value) for name, value in cohort.settings.items()}
        solved = self.bodies.solve(cohort.values, self.settings)
        self.solved = {name: np.array(value) for name, value in solved.items()}
        self.state: State = first_state(policy, self.bodies, cohort, self.solved)
        key = streams(policy.protocol, cohort.group.name, READINGS)[0]
        where = np.arange(n) if places is None else places
        self.readings = Readings(policy.readings, where, key.generate_state(2, np.uint64), piece)
        self.active = np.ones(n, bool)
        self.unread = np.zeros(n, bool)
        self.locked = np.zeros(n)
        self.resting = np.zeros((len(policy.rules), n))
        self.latched = np.zeros((len(policy.rules), n), bool)
        self.holding = np.full((len(policy.criteria), n), np.inf)
        self.last = {way: {name: np.full(n, -np.inf) for name in MOVABLE} for way in (1, -1)}
        self.changes, self.reversals = np.zeros(n, int), np.zeros(n, int)
        self.steps_down = np.zeros(n, int)
        self.left = np.full(n, STAYED)
        self.weaned, self.lost = np.zeros(n, bool), np.zeros(n, bool)
        self.fired = {rule.name: 0 for rule in policy.rules}

    def run(self, minutes: int, watch: Watcher | None = None) -> Course:
        """Follow the patients for some minutes, and return what became of them."""
        n, bounds = self.cohort.size, self.policy.protocol.limits.hard
        safe, in_mode = np.zeros(minutes + 1, int), np.zeros(minutes + 1, int)
        first = np.full(n, np.inf)
        outside, beyond = np.zeros((len(bounds), n)), np.zeros((len(bounds), n))
        widths = np.array([bound.width for bound in bounds])[:, None]
        hours = np.zeros((minutes // 60 + 1, n), bool)
        for minute in range(minutes + 1):
            if self.policy.disease and minute % DISEASE_STEP == 0 and minute:
                self._drift(minute)
            now, heading = self.bodies.present(self.solved, self.state)
            margins = bound_margins(bounds, now)
            well = self.active & np.all(margins >= 0.0, axis=0)
            safe[minute], in_mode[minute] = well.sum(), self.active.sum()
            first = np.where(well & np.isinf(first), minute, first)
            if minute % 60 == 0:
                hours[minute // 60] = well
            if minute == minutes:
                break
            broken = self.active & (margins < 0.0)
            outside += broken
            beyond += np.where(broken, -margins * widths, 0.0)
            if watch is not None:
                watch(minute, now, self.settings, self.readings.known)
            self._decide(minute, now)
            state = self.bodies.after(1.0, self.solved, self.state, self.cohort.breathing, heading)
            self.state = state
        return Course(
            self.cohort.group.name,
            bounds,
            safe,
            in_mode,
            first,
            hours,
            outside,
            beyond,
            self.changes,
            self.reversals,
            self.left,
            self.weaned,
            self.lost,
            np.array(list(self.fired.values()), int),
        )

    def _decide(self, minute: int, now: dict[str, np.ndarray]) -> None:
        """Measure, let patients leave, and let rules act on those with new values."""
        fresh = self.readings.take(minute, now, self.active)
        self.unread |= fresh
        if self.policy.criteria:
            self._leave(minute, fresh)
        asked = np.flatnonzero(self.unread & self.active & ~self.weaned & (self.locked <= minute))
        if asked.size:
            self.unread[asked] = False
            changed = self._act(minute, asked)
            if changed.size:
                self._settle(minute, changed)

    def _leave(self, minute: int, fresh: np.ndarray) -> None:
        """Let patients leave the mode for whom a criterion has held long enough."""
        seen = self._seen(np.flatnonzero(fresh))
        for number, criterion in enumerate(self.policy.criteria):
            since = self.holding[number]
            if fresh.any():
                held = criterion.when.holds(seen)
                since[fresh] = np.where(held, np.minimum(since[fresh], minute), np.inf)
            gone = self.active & (minute - since >= criterion.lasting)
            if gone.any():
                self.left[gone] = number
                self.active &= ~gone

    def _seen(self, who: np.ndarray) -> dict[str, np.ndarray]:
        """Return what the bedside knows of some patients, by their numbers."""
        settings = {name: value[who] for name, value in self.settings.items()}
        measured = {name: value[who] for name, value in self.readings.known.items()}
        return {**measured, **settings, SET_RATE: release_rate(settings)}

    def _act(self, minute: int, asked: np.ndarray) -> np.ndarray:
        """Let the first rule act that calls and can move something; return who was changed."""
        changed: list[np.ndarray] = []
        for number, rule in enumerate(self.policy.rules):
            seen = self._seen(asked)
            called = rule.when.holds(seen)
            if rule.until is not None:
                called |= self.latched[number, asked] & rule.going.holds(seen)
                self.latched[number, asked] = called
            called &= self.resting[number, asked] <= minute
            if rule.takes_back:
                called &= self.steps_down[asked] > 0
            moved = self._move(minute, rule, asked[called])
            self.locked[moved] = minute + rule.wait
            self.resting[number, moved] = minute + rule.again
            self.fired[rule.name] += moved.size
            changed.append(moved)
            asked = np.setdiff1d(asked, moved, assume_unique=True)
            if not asked.size:
                break
        return np.sort(np.concatenate(changed)) if changed else np.zeros(0, int)

    def _move(self, minute: int, rule: Rule, who: np.ndarray) -> np.ndarray:
        """Move the settings of some patients as a rule says; return those whose settings moved."""
        if not who.size:
            return who
        present = {name: value[who] for name, value in self.settings.items()}
        new = {**present, **rule.moved(present)}
        for name in rule.directions:
            entry = PARAMETERS[name]
            new[name] = np.clip(self.policy.on_dial(name, new[name]), entry.low, entry.high)
        kept = new["p_high"] >= new["p_low"] + LEAST_DROP
        moves = np.zeros(who.size, bool)
        for name in rule.directions:
            new[name] = np.where(kept, new[name], present[name])
            change = new[name] - present[name]
            moves |= change != 0.0
            self._note_turns(minute, name, who, change)
            self.settings[name][who] = new[name]
        moved = who[moves]
        self.changes[moved] += 1
        if rule is self.policy.wean:
            self.steps_down[moved] += 1
        elif rule.takes_back:
            self.steps_down[moved] -= 1
        return moved

    def _note_turns(self, minute: int, name: str, who: np.ndarray, change: np.ndarray) -> None:
        """Count settings that move back within the stated time."""
        for way in (1, -1):
            going = who[change * way > 0.0]
            back = minute - self.last[-way][name][going] <= self.policy.reversal
            self.reversals[going] += back
            self.last[way][name][going] = minute

    def _drift(self, minute: int) -> None:
        """Change the patients by their disease, and solve those again who are in the mode."""
        for drift in self.policy.disease:
            entry = PARAMETERS[drift.name]
            own = self.cohort.values.get(drift.name, np.full(self.cohort.size, entry.default))
            self.values[drift.name] = np.clip(own * drift.factor(minute), entry.low, entry.high)
        self._solve(np.flatnonzero(self.active))

    def _solve(self, who: np.ndarray) -> None:
        """Solve the lungs of some patients at their settings."""
        settings = {name: value[who] for name, value in self.settings.items()}
        values = {name: value[who] for name, value in self.values.items()}
        for name, value in self.bodies.solve(values, settings).items():
            self.solved[name][who] = value
        self.lost |= np.isnan(self.solved["release_volume"])

    def _settle(self, minute: int, changed: np.ndarray) -> None:
        """Solve the lungs again whose settings changed, and note whose weaning has ended."""
        self._solve(changed)
        self.readings.after_change(minute, changed)
        if self.policy.weaned is not None:
            self.weaned[changed] |= self.policy.weaned.holds(self._seen(changed))


def left_alone(policy: Policy) -> Policy:
    """Return the policy's start without anything that follows, for the same patients."""
    return replace(policy, rules=(), criteria=(), readings=(), wean=None, weaned=None)


def pieces_of(policy: Policy) -> list[tuple[int, int]]:
    """List the pieces in which a policy's patients are simulated: group and piece of it."""
    most = -(-policy.protocol.lungs // PIECE)
    return [(group, piece) for group in range(len(policy.protocol.groups)) for piece in range(most)]


def simulate_piece(
    policy: Policy, group: int, piece: int, setting: Mapping[str, float] | None = None
) -> Course | None:
    """Simulate one piece of a group's patients.

    Parameters
    ----------
    policy : Policy
        The policy.
    group, piece : int
        As `pieces_of` lists them.
    setting : mapping of str to float, optional
        What everybody starts with, in the place of the policy's start.

    Returns
    -------
    Course or None
        What became of them; None where fewer patients get the mode than would reach this piece.
    """
    cut = slice(piece * PIECE, (piece + 1) * PIECE)
    cohort = draw_cohort(policy, policy.protocol.groups[group], policy.protocol.lungs, cut)
    if not cohort.size:
        return None
    if setting is not None:
        cohort = cohort.at(setting)
    return Simulation(policy, cohort, piece).run(60 * policy.hours)


def courses(policy: Policy) -> Iterator[Course]:
    """Simulate every group of a policy piece by piece, and yield what became of each."""
    for group, piece in pieces_of(policy):
        course = simulate_piece(policy, group, piece)
        if course is not None:
            yield course
