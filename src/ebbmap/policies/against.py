"""A policy beside something else on the same patients: who gains, who loses, by how much.

Sizes: g groups and one row for everybody, h hours, n patients, o others.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.cases.labelling import Variable, label_variables
from ebbmap.committee.verdict import ALL, LEVEL
from ebbmap.errors import EbbmapError
from ebbmap.kernels.tally import paired_interval
from ebbmap.policies.language import Policy
from ebbmap.policies.simulate import Course
from ebbmap.policies.yields import VARIABLES as OWN
from ebbmap.policies.yields import Cohorts, safe_at

#: What a policy stands beside: its start, one setting for everybody, and the usual way.
ALONE, FIXED, CONVENTIONAL = "start left alone", "best fixed setting", "conventional"

_SHARES = {
    "other_share": "share of patients who are safe by the other",
    "gained_share": "share of patients who are safe by the policy only",
    "forgone_share": "share of patients who are safe by the other only",
}

VARIABLES: Mapping[str, Variable] = {
    "other": Variable("what the policy stands beside", None),
    **{name: Variable(words) for name, words in _SHARES.items()},
    **{f"{name}_interval": OWN["safe_share_interval"] for name in _SHARES},
    "difference": Variable("safe share by the policy less that by the other, same patients"),
    "difference_interval": Variable(
        "interval of the difference: patients drawn",
        attrs={
            "ci_level": LEVEL,
            "ci_method": "paired, Student's t by group, their variances weighted for everybody; "
            "none where fewer than ten patients differ",
        },
    ),
    "more_changes": Variable("changes per patient and day by the policy less by the other", None),
}


def find_against(
    policy: Policy, courses: Iterable[Course], others: Mapping[str, Iterable[Course]]
) -> xr.Dataset:
    """Compare a policy with others on the same patients.

    Parameters
    ----------
    policy : Policy
        Names the groups.
    courses : iterable of Course
        Of all of its pieces.
    others : mapping of str to iterable of Course
        The same pieces of each of the others, by its name.

    Returns
    -------
    xarray.Dataset
        Dims (other, group, hour), the last group being everybody, weighted.

    Raises
    ------
    EbbmapError
        If the patients are not the same.
    """
    own = Cohorts(policy, courses)
    rows = [_compared(own, Cohorts(policy, other), name, policy) for name, other in others.items()]
    data = {
        name: (("other", *dims), np.stack([row[name][1] for row in rows]))
        for name, (dims, _) in rows[0].items()
    }
    coords = {
        "other": list(others),
        "group": [*(group.name for group in own.groups), ALL],
        "hour": own.hours,
    }
    return label_variables(xr.Dataset(data, coords), VARIABLES)


def _compared(own: Cohorts, other: Cohorts, name: str, policy: Policy) -> dict[str, Any]:
    """Return the variables of one comparison, without the dim `other`."""
    if own.sizes.tolist() != other.sizes.tolist() or own.hours != other.hours:
        raise EbbmapError(
            f"{name} must treat the same patients for as long; it has {other.sizes.tolist()} of "
            f"them for {other.hours[-1]} h, the policy {own.sizes.tolist()} for {own.hours[-1]} h."
            " Use the same seed, lungs, hours and [eligible]."
        )
    yes = [safe_at(hour) for hour in own.hours]
    found = {
        **other.shares("other_share", yes, "hour"),
        **_only(own, other, policy).shares("gained_share", yes, "hour"),
        **_only(other, own, policy).shares("forgone_share", yes, "hour"),
    }
    moved = np.stack([_difference(own, other, hour) for hour in own.hours], axis=1)
    days = (own.pieces[0][0].safe.size - 1) / (60.0 * 24.0)
    changes = (own.means(_changes) - other.means(_changes)) / days
    return found | {
        "difference": (("group", "hour"), moved[..., 0]),
        "difference_interval": (("group", "hour", "ci_bound"), moved[..., 1:]),
        "more_changes": (("group",), changes),
    }


def _changes(course: Course) -> np.ndarray:
    return course.changes


def _only(first: Cohorts, second: Cohorts, policy: Policy) -> Cohorts:
    """Return the patients with those alone called safe who are so by the first only."""
    pairs = (
        pair
        for these, those in zip(first.pieces, second.pieces, strict=True)
        for pair in zip(these, those, strict=True)
    )
    only = (replace(one, safe_at=one.safe_at & ~other.safe_at) for one, other in pairs)
    return Cohorts(policy, only)


def _difference(own: Cohorts, other: Cohorts, hour: int) -> np.ndarray:
    """Return the difference of safe shares with its interval, shape (g + 1, 3)."""
    pairs = zip(own.of(safe_at(hour)), other.of(safe_at(hour)), strict=True)
    rows = np.array(
        [paired_interval(one.astype(float) - two.astype(float), LEVEL) for one, two in pairs]
    )
    mean = own.weights @ rows[:, 0]
    half = np.sqrt(own.weights**2 @ np.square(0.5 * (rows[:, 2] - rows[:, 1])))
    return np.vstack([rows, [mean, mean - half, mean + half]])
