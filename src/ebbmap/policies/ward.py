"""Patients under a policy at some minute, as trees of arrays of any engine.

Sizes: n patients, k hard bounds, m minutes, h hours.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np

from ebbmap.committee.lungs import streams
from ebbmap.policies.bedside import Bedside, first_bedside
from ebbmap.policies.body import Bodies, State
from ebbmap.policies.cohort import READINGS, Cohort, first_state
from ebbmap.policies.language import Policy
from ebbmap.policies.readings import Chances
from ebbmap.registries.limits import Bound

#: Minutes in an hour.
HOUR = 60

#: What a tally has for each minute; all else it has for each patient.
BY_MINUTE = ("safe", "in_mode")


class Patients(NamedTuple):
    """What stays of some patients, shape (n,) each.

    Parameters
    ----------
    values : dict of str to array
        All that lung and outcomes take but the settings; shape () where it is one for all.
    breathing : dict of str to array
        Own `slope`, `threshold` and `at_most`.
    chances : Chances
        Of their readings.
    """

    values: dict[str, Any]
    breathing: dict[str, Any]
    chances: Chances


class Tally(NamedTuple):
    """What is counted; see `Course`.

    Parameters
    ----------
    safe, in_mode : array of int, shape (m + 1,)
        By minute.
    first_safe : array, shape (n,)
        Infinite: never.
    safe_at : array of bool, shape (h + 1, n)
        By hour.
    outside, beyond : array, shape (k, n)
        Minutes outside each bound, and negative margins added up over them.
    lost : array of bool, shape (n,)
        Whose lung could not be solved.
    """

    safe: Any
    in_mode: Any
    first_safe: Any
    safe_at: Any
    outside: Any
    beyond: Any
    lost: Any


class Ward(NamedTuple):
    """Patients under a policy at some minute.

    Parameters
    ----------
    solved : dict of str to array, shape (n,)
        What follows from lung and settings alone.
    left : array of bool, shape (n,)
        Whose lung still has to be solved by who runs the minutes.
    state : State
        Of their bodies, as the minute began.
    heading : array, shape (n,)
        Where arterial oxygen was heading then [mmHg].
    bedside : Bedside
        What it knows and remembers.
    tally : Tally
        What is counted.
    """

    solved: dict[str, Any]
    left: Any
    state: State
    heading: Any
    bedside: Bedside
    tally: Tally


def first_patients(policy: Policy, bodies: Bodies, cohort: Cohort, numbers: np.ndarray) -> Patients:
    """Return what stays of a cohort, arrays of NumPy; `numbers` as `Simulation` takes them."""
    values = cohort.values
    if not policy.disease:  # else what follows from a property may move with it
        values = {
            name: value
            for name, value in bodies.resolved(values, cohort.settings).items()
            if name not in cohort.settings
        }
    stream = streams(policy.protocol, cohort.group.name, READINGS)[0]
    chances = Chances(stream.generate_state(2, np.uint32), numbers.astype(np.uint32))
    return Patients(dict(values), dict(cohort.breathing), chances)


def first_ward(policy: Policy, bodies: Bodies, cohort: Cohort, minutes: int) -> Ward:
    """Return a cohort as the mode begins, to be followed for some minutes; arrays of NumPy."""
    solved = bodies.solve(cohort.values, cohort.settings)
    state = first_state(policy, bodies, cohort, solved)
    return Ward(
        {name: np.array(value) for name, value in solved.items()},
        np.zeros(cohort.size, bool),
        state,
        bodies.present(solved, state)[1],
        first_bedside(policy, cohort.settings),
        _first_tally(policy.protocol.limits.hard, minutes, solved),
    )


def _first_tally(
    bounds: tuple[Bound, ...], minutes: int, solved: Mapping[str, np.ndarray]
) -> Tally:
    """Return what is counted before the first minute, arrays of NumPy."""
    n = solved["release_volume"].size
    return Tally(
        np.zeros(minutes + 1, int),
        np.zeros(minutes + 1, int),
        np.full(n, math.inf),
        np.zeros((minutes // HOUR + 1, n), bool),
        np.zeros((len(bounds), n)),
        np.zeros((len(bounds), n)),
        np.isnan(solved["release_volume"]),
    )
