"""Other numbers in the same rules: the policy that is safe for most with fewest changes.

A search with a stated budget on patients of its own, the same for every candidate; what it finds
is tried on fresh ones. Sizes: n patients, e candidates.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import xarray as xr

from ebbmap.cases.labelling import Variable, label_variables
from ebbmap.cases.pieces import Found, Pieces, Progress
from ebbmap.committee.verdict import LEVEL
from ebbmap.errors import EbbmapError
from ebbmap.kernels.tally import paired_interval
from ebbmap.policies.cohort import on_other_patients
from ebbmap.policies.language import Policy
from ebbmap.policies.levers import changed, fit_together, named, single_changes
from ebbmap.policies.simulate import courses

#: Candidates of a round after the first, and those that are tried on fresh patients at most.
ROUND, CERTIFIED = 8, 6

#: Fresh patients, as many times those of the search.
FRESH = 4

#: A candidate: numbers of single changes, in order; none for the policy as it is.
Candidate = tuple[int, ...]

VARIABLES: Mapping[str, Variable] = {
    "candidate": Variable("candidate, in the order of the search", None),
    "words": Variable("what is changed", None),
    "changed": Variable("numbers that are changed", None),
    "share": Variable("share of all patients who are safe at the end, patients of the search"),
    "gain": Variable("change of that share beside the policy as it is, same patients"),
    "gain_interval": Variable(
        "interval of the gain: patients drawn",
        attrs={"ci_level": LEVEL, "ci_method": "paired, by group, variances weighted"},
    ),
    "changes": Variable("changes at the bedside per patient and day", None),
    "front": Variable("whether no other is safe for more with no more changes", None),
    "fresh_share": Variable("the share on fresh patients; NaN where it was not tried on them"),
    "fresh_gain": Variable("the gain on fresh patients"),
    "fresh_gain_interval": Variable(
        "interval of the gain on fresh patients",
        attrs={"ci_level": LEVEL, "ci_method": "paired, by group, variances weighted"},
    ),
    "fresh_changes": Variable("changes per patient and day on fresh patients", None),
}


@dataclass(frozen=True)
class Tried:
    """What became of the patients of a candidate.

    Parameters
    ----------
    safe : ndarray of bool, shape (n,)
        Who is safe at the end.
    changes : ndarray of int, shape (n,)
        At the bedside.
    weight : ndarray, shape (n,)
        Share of all patients that each stands for; they add up to 1.
    group : ndarray of int, shape (n,)
        Number of the group.
    """

    safe: np.ndarray
    changes: np.ndarray
    weight: np.ndarray
    group: np.ndarray

    @property
    def share(self) -> float:
        """Share of all patients who are safe at the end."""
        return float(self.weight @ self.safe)

    @property
    def work(self) -> float:
        """Changes per patient."""
        return float(self.weight @ self.changes)

    def gain(self, base: Tried) -> tuple[float, float, float]:
        """Return the change of the share beside another, paired, with its interval."""
        moved = self.safe.astype(float) - base.safe
        half = 0.0
        for number in np.unique(self.group):
            here = self.group == number
            _, low, high = paired_interval(moved[here], LEVEL)
            half += (self.weight[here].sum() * 0.5 * (high - low)) ** 2
        mean = float(self.weight @ moved)
        return mean, mean - half**0.5, mean + half**0.5


def try_candidate(policy: Policy, progress: Progress = None) -> xr.Dataset:
    """Simulate a candidate, and return what a ledger keeps of it."""
    done = list(courses(policy))
    weights = {group.name: group.weight for group in policy.protocol.groups}
    sizes: dict[str, int] = {}
    for one in done:
        sizes[one.group] = sizes.get(one.group, 0) + one.size
        if progress is not None:
            progress(one.size)
    names = list(sizes)
    total = sum(weights[name] for name in names)
    data = {
        "safe": np.concatenate([one.safe_at[-1] for one in done]),
        "changes": np.concatenate([one.changes for one in done]),
        "weight": np.concatenate(
            [np.full(one.size, weights[one.group] / total / sizes[one.group]) for one in done]
        ),
        "group": np.concatenate([np.full(one.size, names.index(one.group)) for one in done]),
    }
    return xr.Dataset({name: ("patient", values) for name, values in data.items()})


def tried_of(kept: xr.Dataset) -> Tried:
    """Return what a ledger kept of a candidate."""
    return Tried(**{name: kept[name].values for name in ("safe", "changes", "weight", "group")})


def mend_pieces(policy: Policy) -> Pieces[xr.Dataset]:
    """Cut the search into candidates, round by round, and the certificates of what it finds.

    First the policy as it is and every single change, then rounds of a few: the best so far, or
    the one with the fewest changes that is safe for as many, with one more of the best changes.
    """
    search = _Search(policy)

    def solve(name: str, found: Found, progress: Progress) -> xr.Dataset:
        what, _, number = name.partition(".")
        if what == "fresh":
            return search.certify(search.certified(found)[int(number)], progress)
        rounds = search.rounds(found)
        place, _, own = number.partition(".")
        return search.solve(rounds[int(place)][int(own)], progress)

    return Pieces(search.wanted, solve, search.join)


class _Search:
    """A search over a policy's own numbers.

    Parameters
    ----------
    policy : Policy
        With `mend`.
    """

    def __init__(self, policy: Policy) -> None:
        if policy.mend is None:
            raise EbbmapError("the policy does not say how to search. Add [mend] to its file.")
        self.asked = policy.mend
        self.changes = dict(enumerate(single_changes(policy)))
        lungs = self.asked.patients
        few = replace(policy.protocol, lungs=lungs, knowledge=0)
        more = replace(policy.protocol, lungs=FRESH * lungs, knowledge=0)
        self.policy = on_other_patients(replace(policy, protocol=few), "mending")
        self.fresh = on_other_patients(replace(policy, protocol=more), "certificate of mending")
        self.days = policy.hours / 24.0

    def solve(self, candidate: Candidate, progress: Progress) -> xr.Dataset:
        """Try a candidate on the patients of the search."""
        return try_candidate(self._changed(self.policy, candidate), progress)

    def certify(self, candidate: Candidate, progress: Progress) -> xr.Dataset:
        """Try a candidate on fresh patients."""
        return try_candidate(self._changed(self.fresh, candidate), progress)

    def _changed(self, policy: Policy, candidate: Candidate) -> Policy:
        return changed(policy, [self.changes[number] for number in candidate])

    def rounds(self, found: Found) -> list[list[Candidate]]:
        """Return the rounds that are known, given what was tried so far."""
        singles: list[Candidate] = [(), *((number,) for number in self.changes)]
        rounds = [singles[: self.asked.evaluations]]
        while all(name in found for name in _names(rounds)):
            left = self.asked.evaluations - sum(map(len, rounds))
            more = self._next(self._tried(rounds, found), len(rounds))[: min(left, ROUND)]
            if not more:
                break
            rounds.append(more)
        return rounds

    def _tried(self, rounds: Sequence[Sequence[Candidate]], found: Found) -> dict[Candidate, Tried]:
        names = _names(rounds)
        every = [candidate for one in rounds for candidate in one]
        return {
            candidate: tried_of(found[name]) for candidate, name in zip(every, names, strict=True)
        }

    def _next(self, tried: Mapping[Candidate, Tried], number: int) -> list[Candidate]:
        """Return candidates for one more round, the most hopeful first."""
        share = {candidate: one.share for candidate, one in tried.items()}
        work = {candidate: one.work for candidate, one in tried.items()}
        if number % 2:
            order = sorted(tried, key=lambda one: (-share[one], work[one], one))
            singles = sorted(self.changes, key=lambda one: (-share.get((one,), -1.0), one))
        else:
            enough = [one for one in tried if share[one] >= share[()]]
            order = sorted(enough, key=lambda one: (work[one], -share[one], one))
            singles = sorted(self.changes, key=lambda one: (work.get((one,), np.inf), one))
        children = (
            tuple(sorted((*parent, single)))
            for parent in order
            for single in singles
            if single not in parent
        )
        new: dict[Candidate, None] = {}
        for child in children:
            if child not in tried and fit_together(self.changes[n] for n in child):
                new[child] = None
            if len(new) == ROUND:
                break
        return list(new)

    def wanted(self, found: Found) -> list[str]:
        """Return every piece that is known to be needed."""
        names = _names(self.rounds(found))
        if all(name in found for name in names):
            names += [f"fresh.{n:03d}" for n in range(len(self.certified(found)))]
        return names

    def certified(self, found: Found) -> list[Candidate]:
        """Return the policy as it is, and the best of the front and of single changes."""
        tried = self._tried(self.rounds(found), found)
        front = _front(tried)
        places = np.unique(np.linspace(0, len(front) - 1, CERTIFIED - 1).round().astype(int))
        best = max(
            (one for one in tried if len(one) == 1),
            key=lambda one: (tried[one].share, -tried[one].work),
            default=(),
        )
        return list(dict.fromkeys([(), best, *(front[place] for place in places)]))

    def join(self, found: Found) -> xr.Dataset:
        """Put all candidates into one table."""
        tried = self._tried(self.rounds(found), found)
        certified = self.certified(found)
        fresh = {
            candidate: tried_of(found[f"fresh.{n:03d}"]) for n, candidate in enumerate(certified)
        }
        front = set(_front(tried))
        every = list(tried)
        gains = np.array([tried[one].gain(tried[()]) for one in every])
        nothing = (np.nan, np.nan, np.nan)
        fresh_gains = np.array(
            [fresh[one].gain(fresh[()]) if one in fresh else nothing for one in every]
        )
        at = "candidate"
        data = {
            "words": (at, [named(self.changes, one) for one in every]),
            "changed": (at, [len(one) for one in every]),
            "share": (at, [tried[one].share for one in every]),
            "changes": (at, [tried[one].work / self.days for one in every]),
            "gain": (at, gains[:, 0]),
            "gain_interval": ((at, "ci_bound"), gains[:, 1:]),
            "front": (at, [one in front for one in every]),
            "fresh_share": (at, [fresh[n].share if n in fresh else np.nan for n in every]),
            "fresh_changes": (
                at,
                [fresh[n].work / self.days if n in fresh else np.nan for n in every],
            ),
            "fresh_gain": (at, fresh_gains[:, 0]),
            "fresh_gain_interval": ((at, "ci_bound"), fresh_gains[:, 1:]),
        }
        coords = {at: np.arange(len(every)), "ci_bound": ["lower", "upper"]}
        return label_variables(xr.Dataset(data, coords), VARIABLES).assign_attrs(
            budget=self.asked.evaluations,
            singles=len(self.changes),
            patients=int(tried[()].safe.size),
            fresh_patients=int(fresh[()].safe.size),
        )


def _names(rounds: Sequence[Sequence[Candidate]]) -> list[str]:
    """Return the names of the pieces of some rounds."""
    return [
        f"round.{place:03d}.{number:04d}"
        for place, one in enumerate(rounds)
        for number in range(len(one))
    ]


def _front(tried: Mapping[Candidate, Tried]) -> list[Candidate]:
    """Return the candidates that no other betters, those with the fewest changes first."""
    order = sorted(tried, key=lambda one: (tried[one].work, -tried[one].share, len(one), one))
    front: list[Candidate] = []
    best = -1.0
    for candidate in order:
        if tried[candidate].share > best:
            best = tried[candidate].share
            front.append(candidate)
    return front
