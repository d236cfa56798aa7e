"""A minute of patients under a policy, as one step that any engine takes.

Bodies move, what is safe is counted, the bedside decides, and lungs whose settings changed are
solved again. Sizes: n patients, k hard bounds, m minutes, h hours.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial
from typing import Any, NamedTuple

import numpy as np

from ebbmap.array import clip, isnan, minimum, of_engine, where
from ebbmap.engines.masked import added, chosen, for_some, put
from ebbmap.kernels.judging import bound_margins
from ebbmap.policies.bedside import decide
from ebbmap.policies.body import Bodies
from ebbmap.policies.language import Policy
from ebbmap.policies.physiology import Drift
from ebbmap.policies.ward import HOUR, Patients, Ward
from ebbmap.registries.parameters import PARAMETERS

#: Minutes after which a disease that changes has lungs solved again.
DISEASE_STEP = 60

#: Lungs that an engine which compiles solves at a time: of one that costs much, by its ways, the
#: last of which few need; and of others.
COSTLY_LUNGS, LUNGS = (2**14, 2**14, 2**11), 2**18

#: ``way(values, settings) -> (solved, left)``: see `Bodies.solved_by`.
Way = Callable[[Mapping[str, Any], Mapping[str, Any]], tuple[dict[str, Any], Any]]


class Seen(NamedTuple):
    """What is true in a minute.

    Parameters
    ----------
    now : dict of str to array, shape (n,)
        Outcomes.
    margins : array, shape (k, n)
        Of the hard bounds.
    """

    now: dict[str, Any]
    margins: Any


class Minutes:
    """The steps of a policy.

    Parameters
    ----------
    policy : Policy
        The policy.
    compiled : bool
        Whether lungs are solved within the step, by the ways that an engine can compile; else by
        the engine in use.
    """

    def __init__(self, policy: Policy, *, compiled: bool = False) -> None:
        self.policy, self.bodies = policy, Bodies(policy)
        self.bounds = policy.protocol.limits.hard
        self._factors = [_factors(drift) for drift in policy.disease]
        lung = self.bodies.lung
        self._ways: list[Way] = [self._solved]
        if compiled:
            self._ways = [
                partial(self.bodies.solved_by, replace(lung, solve=way)) for way in lung.compiled
            ]
        widths = COSTLY_LUNGS if lung.costly else (LUNGS,)
        self._widths = [widths[min(way, len(widths) - 1)] for way in range(len(self._ways))]

    def step(self, minute: Any, ward: Ward, patients: Patients) -> Ward:
        """Return the ward at the end of a minute; arrays of NumPy are written in place."""
        ward, seen = self.observe(minute, ward, patients)
        return self.act(minute, seen, ward, patients)

    def observe(self, minute: Any, ward: Ward, patients: Patients) -> tuple[Ward, Seen]:
        """Move bodies to a minute and count who is safe; return also what is true then."""
        later = self.bodies.after(1.0, ward.solved, ward.state, patients.breathing, ward.heading)
        state = chosen(minute > 0, later, ward.state)
        now, heading = self.bodies.present(ward.solved, state)
        tally, active = ward.tally, ward.bedside.active
        margins = bound_margins(self.bounds, now)
        safe = active & (margins >= 0.0).all(axis=0)
        hour = minute // HOUR
        tally = tally._replace(
            safe=put(tally.safe, minute, safe.sum()),
            in_mode=put(tally.in_mode, minute, active.sum()),
            first_safe=for_some(
                safe & (tally.first_safe == math.inf), lambda _, __: minute, tally.first_safe
            ),
            safe_at=put(tally.safe_at, hour, chosen(minute % HOUR == 0, safe, tally.safe_at[hour])),
        )
        return ward._replace(state=state, heading=heading, tally=tally), Seen(now, margins)

    def act(self, minute: Any, seen: Seen, ward: Ward, patients: Patients) -> Ward:
        """Count what lies beyond bounds, decide, and solve the lungs whose settings changed."""
        broken = ward.bedside.active & (seen.margins < 0.0)
        tally = ward.tally._replace(
            outside=added(ward.tally.outside, broken),
            beyond=added(ward.tally.beyond, where(broken, seen.margins, 0.0)),
        )
        chances = patients.chances
        bedside, stale = decide(self.policy, chances, minute, seen.now, ward.bedside)
        if self.policy.disease:
            stale = stale | (bedside.active & ((minute + 1) % DISEASE_STEP == 0))
        ward = ward._replace(bedside=bedside, tally=tally)
        return self._settle(minute + 1, stale, ward, patients)

    def _settle(self, minute: Any, stale: Any, ward: Ward, patients: Patients) -> Ward:
        """Solve the lungs of some patients as they are from a minute on."""
        solved, left = ward.solved, stale | False
        given = patients.values, ward.bedside.hand.settings
        for way, width in zip(self._ways, self._widths, strict=True):

            def solve(_: Any, given: Any, way: Way = way) -> Any:
                return way(self.values_at(minute, given[0]), given[1])

            solved, left = for_some(left, solve, (solved, left), given, width)
        lost = for_some(
            stale & ~left,
            lambda part, volume: part | isnan(volume),
            ward.tally.lost,
            solved["release_volume"],
        )
        return ward._replace(solved=solved, left=left, tally=ward.tally._replace(lost=lost))

    def _solved(self, values: Mapping[str, Any], settings: Mapping[str, Any]) -> Any:
        """Solve lungs by the engine in use, which leaves none."""
        return self.bodies.solve(values, settings), False

    def values_at(self, minute: Any, values: Mapping[str, Any]) -> Mapping[str, Any]:
        """Return the values of patients as their disease has made them by a minute."""
        found = dict(values)
        for drift, factors in zip(self.policy.disease, self._factors, strict=True):
            entry = PARAMETERS[drift.name]
            own = values.get(drift.name, entry.default)
            step = minimum(minute // DISEASE_STEP, factors.size - 1)
            factor = of_engine(factors, minute)[step]
            found[drift.name] = clip(own * factor, entry.low, entry.high)
        return found


def _factors(drift: Drift) -> np.ndarray:
    """Return the factors of a disease by step, as many as it takes to come to the last one."""
    steps = math.ceil(drift.hours[-1] * HOUR / DISEASE_STEP)
    return np.array([drift.factor(DISEASE_STEP * step) for step in range(steps + 1)])
