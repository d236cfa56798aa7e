"""What a policy yields: who comes to safety, when, at what price, and who leaves the mode.

Sizes: g groups and one row for everybody, h hours, k hard bounds, c criteria, r rules, m times.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any

import numpy as np
import xarray as xr
from scipy.special import ndtri

from ebbmap.cases.labelling import Variable, label_variables
from ebbmap.committee.verdict import ALL, LEVEL
from ebbmap.errors import EbbmapError
from ebbmap.kernels.shares import wilson
from ebbmap.policies.bedside import STAYED
from ebbmap.policies.language import Policy
from ebbmap.policies.simulate import Course

#: Hours at which shares are reported, besides the last one.
HOURS = (1, 6, 24, 48)

#: The worst one in twenty.
WORST = 0.95

#: Minutes between two points of the course over time.
COURSE_STEP = 10

_INTERVAL = Variable(
    "interval of the share: patients drawn",
    attrs={"ci_level": LEVEL, "ci_method": "Wilson score; all: at the effective number"},
)

_OF_MEAN = Variable(
    "interval of the mean: patients drawn",
    None,
    {
        "ci_level": LEVEL,
        "ci_method": "normal, variances of the groups weighted; none where all are alike",
    },
)

VARIABLES: Mapping[str, Variable] = {
    "group": Variable("group", None),
    "hour": Variable("hours since the mode began", None),
    "minute": Variable("minutes since the mode began", None),
    "bound": Variable("bound", None),
    "criterion": Variable("criterion to leave the mode", None),
    "patients": Variable("patients who get the mode"),
    "weight": Variable("share of all patients"),
    "wanted_share": Variable("share of patients who must be safe at the end"),
    "safe_share": Variable("share of patients who are in the mode and within every hard bound"),
    "safe_share_interval": _INTERVAL,
    "arrived_share": Variable("share of patients who are ever safe"),
    "arrived_share_interval": _INTERVAL,
    "first_safe": Variable("middle time to the first safe state, of those who arrive", "s"),
    "left_share": Variable("share of patients who left the mode by a criterion"),
    "left_mode_share": Variable("share of patients who left the mode"),
    "left_mode_share_interval": _INTERVAL,
    "weaned_share": Variable("share of patients whose weaning ended"),
    "oscillating_share": Variable("share of patients with a setting moved up and down again"),
    "oscillating_share_interval": _INTERVAL,
    "changes": Variable("changes at the bedside per patient and day", None),
    "changes_interval": _OF_MEAN,
    "acted": Variable("times that a rule acts per patient and day", None),
    "rule": Variable("rule", None),
    "lost_share": Variable("share of patients whose lung could not be solved at some settings"),
    "settled_share": Variable(
        "share of patients whose released volume is within 1 % of the settled one a minute after "
        "the start"
    ),
    "fixed_setting": Variable("the fixed setting that is safe for most patients", None),
    "setting": Variable("setting", None),
    "hours_outside": Variable("mean hours in the mode outside a bound", None),
    "hours_outside_interval": _OF_MEAN,
    "hours_outside_worst": Variable("the same, of the worst one in twenty", None),
    "harm": Variable("mean distance beyond a bound times hours, in widths of the bound", None),
    "harm_interval": _OF_MEAN,
    "harm_worst": Variable("the same, of the worst one in twenty", None),
    "safe_course": Variable("share of patients who are safe"),
    "mode_course": Variable("share of patients who are in the mode"),
}


def find_yields(policy: Policy, courses: Iterable[Course]) -> xr.Dataset:
    """Sum up what became of a policy's patients.

    Parameters
    ----------
    policy : Policy
        The policy.
    courses : iterable of Course
        Of all pieces.

    Returns
    -------
    xarray.Dataset
        Dims (group, hour, minute, bound, criterion, rule), the last group being everybody,
        weighted.
    """
    table = Cohorts(policy, courses)
    groups, weights = table.groups, table.weights
    first = table.pieces[0][0]
    days = (first.safe.size - 1) / (60.0 * 24.0)
    data: dict[str, Any] = {
        "patients": ("group", [*table.sizes, int(table.sizes.sum())]),
        "weight": ("group", [*weights, 1.0]),
        "wanted_share": ("group", [*(g.wanted for g in groups), policy.protocol.wanted]),
        **table.shares("safe_share", [safe_at(hour) for hour in table.hours], "hour"),
        **table.shares("arrived_share", [lambda c: np.isfinite(c.first_safe)]),
        **table.shares("left_mode_share", [lambda c: c.left != STAYED]),
        "first_safe": ("group", table.medians(lambda c: 60.0 * c.first_safe)),
        "weaned_share": ("group", table.means(lambda c: c.weaned)),
        **table.shares("oscillating_share", [lambda c: c.reversals > 0]),
        "lost_share": ("group", table.means(lambda c: c.lost)),
        **table.averages("changes", lambda c: c.changes / days),
        "safe_course": (("group", "minute"), table.courses(lambda c: c.safe)),
        "mode_course": (("group", "minute"), table.courses(lambda c: c.in_mode)),
        "left_share": (("group", "criterion"), _left_shares(table, len(policy.criteria))),
        "acted": (("group", "rule"), table.acted() / days),
        **_outside(table, first),
    }
    coords = {
        "group": [*(group.name for group in groups), ALL],
        "hour": table.hours,
        "minute": np.arange(0, first.safe.size, COURSE_STEP),
        "bound": [bound.name for bound in first.bounds],
        "criterion": [one.words for one in policy.criteria],
        "rule": [one.name for one in policy.rules],
    }
    return label_variables(xr.Dataset(data, coords), VARIABLES)


def hours_of(end: int) -> list[int]:
    """Return the hours at which shares are reported for patients followed so long [h].

    Examples
    --------
    >>> hours_of(12), hours_of(24)
    ([1, 6, 12], [1, 6, 24])
    """
    return [*(hour for hour in HOURS if hour < end), end]


def safe_at(hour: int) -> Callable[[Course], np.ndarray]:
    """Return what says who of some patients is safe after some hours."""
    return lambda course: course.safe_at[hour]


def _left_shares(table: Cohorts, criteria: int) -> np.ndarray:
    """Return the share that left by each criterion, shape (g + 1, c)."""
    shares = [table.means(_left_by(number)) for number in range(criteria)]
    return np.reshape(shares, (criteria, table.sizes.size + 1)).T


def _left_by(criterion: int) -> Callable[[Course], np.ndarray]:
    return lambda course: course.left == criterion


def _outside(table: Cohorts, first: Course) -> dict[str, Any]:
    """Return hours outside each bound and distance beyond it, mean and worst one in twenty."""
    widths = np.array([bound.width for bound in first.bounds])[:, None]
    measures: dict[str, Callable[[Course], np.ndarray]] = {
        "hours_outside": lambda course: course.outside / 60.0,
        "harm": lambda course: course.beyond / widths / 60.0,
    }
    found: dict[str, Any] = {}
    for name, of in measures.items():
        found |= table.averages(name, of, "bound")
        worst = table.rows(of, lambda x: np.quantile(x, WORST, axis=1))
        found[f"{name}_worst"] = (("group", "bound"), worst)
    return found


class Cohorts:
    """Numbers of patients by group, and for everybody.

    Parameters
    ----------
    policy : Policy
        Names the groups and their weights; those without patients are left out.
    courses : iterable of Course
        Of all pieces.
    """

    def __init__(self, policy: Policy, courses: Iterable[Course]) -> None:
        found: dict[str, list[Course]] = {}
        for one in courses:
            found.setdefault(one.group, []).append(one)
        if not found:
            raise EbbmapError("nobody gets the mode in any group. Widen [eligible].")
        self.groups = [group for group in policy.protocol.groups if group.name in found]
        self.pieces = [found[group.name] for group in self.groups]
        weights = np.array([group.weight for group in self.groups])
        self.weights = weights / weights.sum()
        self.sizes = np.array([sum(one.size for one in group) for group in self.pieces])
        self.hours = hours_of(len(self.pieces[0][0].safe_at) - 1)

    def of(self, what: Callable[[Course], np.ndarray]) -> list[np.ndarray]:
        """Return one number for each patient, by group, patients along the last axis."""
        return [np.concatenate([what(one) for one in group], axis=-1) for group in self.pieces]

    def means(self, what: Callable[[Course], np.ndarray]) -> np.ndarray:
        """Return the mean of each group and of everybody, shape (g + 1,)."""
        means = np.array([values.mean() for values in self.of(what)])
        return np.append(means, self.weights @ means)

    def averages(
        self, name: str, what: Callable[[Course], np.ndarray], dim: str = ""
    ) -> dict[str, Any]:
        """Return means with their intervals, along `dim` if there is one."""
        values = self.of(what)
        means = np.stack([one.mean(axis=-1) for one in values])
        errors = np.stack([one.std(axis=-1) / np.sqrt(max(one.shape[-1] - 1, 1)) for one in values])
        means = np.concatenate([means, [self.weights @ means]])
        errors = np.concatenate([errors, [np.sqrt(self.weights**2 @ errors**2)]])
        half = ndtri(0.5 + 0.5 * LEVEL) * np.where(errors > 0.0, errors, np.nan)
        ends = np.stack([np.maximum(means - half, 0.0), means + half], axis=-1)
        dims = ("group", dim) if dim else ("group",)
        return {name: (dims, means), f"{name}_interval": ((*dims, "ci_bound"), ends)}

    def acted(self) -> np.ndarray:
        """Return how often each rule acts per patient, shape (g + 1, r)."""
        counts = np.stack([np.sum([one.fired for one in group], axis=0) for group in self.pieces])
        per = counts / self.sizes[:, None]
        return np.vstack([per, self.weights @ per])

    def medians(self, what: Callable[[Course], np.ndarray]) -> np.ndarray:
        """Return the middle of what is finite, weighted for everybody, shape (g + 1,)."""
        values = [one[np.isfinite(one)] for one in self.of(what)]
        every = np.concatenate(values)
        weight = np.concatenate(
            [
                np.full(v.size, w / n)
                for v, w, n in zip(values, self.weights, self.sizes, strict=True)
            ]
        )
        order = np.argsort(every)
        total = np.cumsum(weight[order])
        middle = np.searchsorted(total, 0.5 * total[-1]) if every.size else 0
        whole = every[order][min(middle, every.size - 1)] if every.size else np.nan
        return np.array([*(np.median(v) if v.size else np.nan for v in values), whole])

    def rows(
        self,
        what: Callable[[Course], np.ndarray],
        reduce: Callable[[np.ndarray], np.ndarray],
    ) -> np.ndarray:
        """Return reduced rows of each group and, weighted, of everybody, shape (g + 1, k)."""
        rows = np.stack([reduce(values) for values in self.of(what)])
        return np.vstack([rows, self.weights @ rows])

    def courses(self, what: Callable[[Course], np.ndarray]) -> np.ndarray:
        """Return shares over time of each group and of everybody, shape (g + 1, m)."""
        counts = [np.sum([what(one) for one in group], axis=0) for group in self.pieces]
        shares = np.stack(counts)[:, ::COURSE_STEP] / self.sizes[:, None]
        return np.vstack([shares, self.weights @ shares])

    def shares(
        self, name: str, yes: list[Callable[[Course], np.ndarray]], dim: str = ""
    ) -> dict[str, Any]:
        """Return shares of patients with their intervals, along `dim` if there is one."""
        means = np.stack([self.means(one) for one in yes], axis=-1)
        trials = np.append(self.sizes, 0.0)[:, None] * np.ones(means.shape)
        trials[-1] = self._effective(means)
        low, high = wilson(means * trials, trials, LEVEL)
        ends = np.stack([low, high], axis=-1)
        if dim:
            return {
                name: (("group", dim), means),
                f"{name}_interval": (("group", dim, "ci_bound"), ends),
            }
        return {
            name: ("group", means[:, 0]),
            f"{name}_interval": (("group", "ci_bound"), ends[:, 0]),
        }

    def _effective(self, means: np.ndarray) -> np.ndarray:
        """Return the number of patients whose share would vary as that of everybody does."""
        *groups, whole = means
        spread = np.array(groups) * (1.0 - np.array(groups))
        variance = (self.weights**2 / self.sizes) @ spread
        plain = 1.0 / np.sum(self.weights**2 / self.sizes)
        known = (variance > 0.0) & (whole > 0.0) & (whole < 1.0)
        return np.asarray(
            np.where(known, whole * (1.0 - whole) / np.where(known, variance, 1.0), plain)
        )


def policy_holds(yields: xr.Dataset) -> bool:
    """Return whether each group and everybody is surely safe enough at the last hour."""
    low = yields["safe_share_interval"].isel(hour=-1, ci_bound=0)
    return bool((low >= yields["wanted_share"]).all())
