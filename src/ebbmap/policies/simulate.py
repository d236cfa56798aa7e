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

from ebbmap.policies.bedside import Bedside
from ebbmap.policies.cohort import Cohort, draw_cohort
from ebbmap.policies.compiled import piece_size, run_compiled, worth_compiling
from ebbmap.policies.language import Policy
from ebbmap.policies.minutes import Minutes
from ebbmap.policies.ward import Ward, first_patients, first_ward
from ebbmap.registries.limits import Bound


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


#: Called in each minute, before anything is decided, with the minute, the true values and the
#: bedside; whoever keeps arrays of these copies them.
Watcher = Callable[[int, dict[str, np.ndarray], Bedside], None]


class Simulation:
    """A cohort under a policy, one minute after the other.

    Parameters
    ----------
    policy : Policy
        The policy.
    cohort : Cohort
        The patients.
    numbers : ndarray of int, shape (n,), optional
        Their numbers among those of the group who get the mode, on which the errors of their
        readings depend; in order from 0 if None.
    """

    def __init__(self, policy: Policy, cohort: Cohort, numbers: np.ndarray | None = None) -> None:
        self.policy, self.cohort = policy, cohort
        self.numbers = np.arange(cohort.size) if numbers is None else numbers
        self.ward: Ward | None = None

    def run(self, minutes: int, watch: Watcher | None = None) -> Course:
        """Follow the patients for some minutes, and return what became of them."""
        if watch is None and worth_compiling(self.policy, self.cohort.size, minutes):
            self.ward = run_compiled(self.policy, self.cohort, self.numbers, minutes)
        else:
            self.ward = self._run(minutes, watch)
        (_, hand, _, _, _, left, fired), tally = self.ward.bedside, self.ward.tally
        bounds = self.policy.protocol.limits.hard
        widths = np.array([bound.width for bound in bounds])[:, None]
        return Course(
            self.cohort.group.name,
            bounds,
            changes=hand.changes,
            reversals=hand.reversals,
            left=left,
            weaned=hand.weaned,
            fired=fired,
            **tally._replace(beyond=(0.0 - tally.beyond) * widths)._asdict(),
        )

    def _run(self, minutes: int, watch: Watcher | None) -> Ward:
        """Follow the patients minute by minute by NumPy, and return how they are at the end."""
        steps = Minutes(self.policy)
        patients = first_patients(self.policy, steps.bodies, self.cohort, self.numbers)
        ward = first_ward(self.policy, steps.bodies, self.cohort, minutes)
        for minute in range(minutes):
            ward, seen = steps.observe(minute, ward, patients)
            if watch is not None:
                watch(minute, seen.now, ward.bedside)
            ward = steps.act(minute, seen, ward, patients)
        return steps.observe(minutes, ward, patients)[0]


def left_alone(policy: Policy) -> Policy:
    """Return the policy's start without anything that follows, for the same patients."""
    return replace(policy, rules=(), criteria=(), readings=(), wean=None, weaned=None)


def pieces_of(policy: Policy) -> list[tuple[int, int]]:
    """List the pieces in which a policy's patients are simulated: group and piece of it."""
    most = -(-policy.protocol.lungs // piece_size(policy))
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
    size = piece_size(policy)
    cut = slice(piece * size, (piece + 1) * size)
    cohort = draw_cohort(policy, policy.protocol.groups[group], policy.protocol.lungs, cut)
    if not cohort.size:
        return None
    if setting is not None:
        cohort = cohort.at(setting)
    numbers = np.arange(cut.start, cut.start + cohort.size)
    return Simulation(policy, cohort, numbers).run(60 * policy.hours)


def courses(policy: Policy) -> Iterator[Course]:
    """Simulate every group of a policy piece by piece, and yield what became of each."""
    for group, piece in pieces_of(policy):
        course = simulate_piece(policy, group, piece)
        if course is not None:
            yield course
