"""What a draft does to persons: who is safe whatever is picked, who only if set well, who never.

Sizes: n lungs, k hard bounds.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.cases.labelling import Variable, label_variables
from ebbmap.committee.base import Part
from ebbmap.committee.counting import GroupCount
from ebbmap.committee.criterion import Worth, choose, judge_criterion, measured_values
from ebbmap.committee.protocol import Protocol
from ebbmap.committee.verdict import ALL, LEVEL, offered_weights
from ebbmap.kernels.judging import UNSAFE
from ebbmap.kernels.tally import clustered_interval

#: The worst share of the lungs whose fate is told.
WORST = 0.1

_INTERVAL = Variable(
    "interval of the share",
    attrs={
        "ci_level": LEVEL,
        "ci_method": "Wilson score at the effective number of lungs, Student's quantile",
    },
)
_WILSON = Variable(
    "interval of the share", attrs={"ci_level": LEVEL, "ci_method": "Wilson score, other half"}
)

#: Kinds of lungs: every lung is of exactly one.
KINDS = ("always", "set_well", "never", "open")

VARIABLES: Mapping[str, Variable] = {
    "always_share": Variable(
        "share of lungs that are safe whatever is picked inside the draft, corners included"
    ),
    "set_well_share": Variable(
        "share of lungs that are safe at some combination inside the draft, but not at all"
    ),
    "never_share": Variable(
        "share of lungs that are surely unsafe whatever is picked inside the draft"
    ),
    "open_share": Variable("share of lungs of which this could not be determined"),
    **{f"{kind}_share_interval": _INTERVAL for kind in KINDS},
    "excluded_share": Variable("share of lungs that do not get the mode"),
    "worst_tenth": Variable(
        "what the outcome of a limit reaches, or is beyond, in the worst tenth of lungs at the "
        "combination that is worst for it; minus or plus infinity without a steady state",
        attrs={"comment": "in the outcome's unit"},
    ),
    "criterion_property": Variable("measurement that tells the lungs that are never safe", None),
    "criterion_side": Variable("side of the threshold to which it points", None),
    "criterion_threshold": Variable("threshold", attrs={"comment": "in registry units"}),
    "sensitivity": Variable("share of the lungs never safe that the criterion points to"),
    "sensitivity_interval": _WILSON,
    "specificity": Variable("share of the other lungs that the criterion does not point to"),
    "specificity_interval": _WILSON,
    "pointed_share": Variable("share of lungs that the criterion points to"),
    "pointed_never_share": Variable("share of the lungs it points to that are never safe"),
    "pointed_never_share_interval": _WILSON,
}


def kinds_of(counted: GroupCount) -> dict[str, np.ndarray]:
    """Return of which kind each lung of a group is, shape (n,) of bool by kind.

    Settings drawn from the draft's ranges and all of their corners count.
    """
    inside, corner = counted.inside, counted.corner
    if inside is None or corner is None:
        return {kind: np.zeros(0, bool) for kind in KINDS}
    safe = inside.safe_share * inside.by_setting.shape[1]
    safe_corners = corner.safe_share * corner.by_setting.shape[1]
    whole = inside.by_setting.shape[1] + corner.by_setting.shape[1]
    unsafe = inside.by_lung[UNSAFE] + corner.by_lung[UNSAFE]
    some = np.round(safe + safe_corners)
    always, never = some == whole, unsafe == whole
    set_well = (some > 0) & ~always
    return {
        "always": always,
        "set_well": set_well,
        "never": never,
        "open": ~(always | set_well | never),
    }


def find_patients(protocol: Protocol, counted: list[GroupCount]) -> xr.Dataset:
    """Sum up what a draft does to persons.

    Parameters
    ----------
    protocol : Protocol
        The protocol.
    counted : list of GroupCount
        As `count_groups` gives them.

    Returns
    -------
    xarray.Dataset
        Dims (group, bound, ci_bound), the last group being everybody who gets the mode.
    """
    kinds = [kinds_of(one) for one in counted]
    weights = offered_weights(counted)
    some = [number for number, one in enumerate(counted) if one.inside is not None]
    data: dict[str, Any] = {}
    for kind in KINDS:
        yes = [one[kind].astype(float) for one in kinds]
        rows = [_share([yes[i]], [1.0] if i in some else []) for i in range(len(counted))]
        rows.append(_share([yes[i] for i in some], [weights[i] for i in some]))
        data[f"{kind}_share"] = ("group", [row[0] for row in rows])
        data[f"{kind}_share_interval"] = (("group", "ci_bound"), [row[1:] for row in rows])
    kept = np.array([one.drawn.size / one.drawn.asked for one in counted])
    of_all = np.array([one.group.weight for one in counted])
    data["excluded_share"] = ("group", [*(1.0 - kept), 1.0 - of_all @ kept / of_all.sum()])
    data["worst_tenth"] = (("group", "bound"), _worst(protocol, counted, weights))
    data |= _criteria(protocol, counted, kinds, weights)
    coords = {
        "group": [*(one.group.name for one in counted), ALL],
        "bound": [bound.name for bound in protocol.limits.hard],
        "ci_bound": ["lower", "upper"],
    }
    return label_variables(xr.Dataset(data, coords), VARIABLES)


def _share(shares: list[np.ndarray], weights: list[float]) -> tuple[float, float, float]:
    if not weights:
        return np.nan, np.nan, np.nan
    return clustered_interval(shares, weights, LEVEL)


def _worst(protocol: Protocol, counted: list[GroupCount], weights: np.ndarray) -> np.ndarray:
    """Return what each bound's outcome reaches in the worst tenth, shape (groups + 1, k)."""
    bounds = protocol.limits.hard
    found = np.full((len(counted) + 1, len(bounds)), np.nan)
    least = [one.inside.each.least if one.inside and one.inside.each else None for one in counted]
    for column, bound in enumerate(bounds):
        for row, of in enumerate([*((i,) for i in range(len(counted))), range(len(counted))]):
            parts = [(least[i], weights[i]) for i in of if least[i] is not None]
            margins = [(one[column], w) for one, w in parts if one is not None]
            margin = worst_of([m for m, _ in margins], [w for _, w in margins])
            away = margin if bound.side == "low" else -margin
            found[row, column] = bound.value + away * bound.width
    return found


def worst_of(margins: list[np.ndarray], weights: list[float], share: float = WORST) -> float:
    """Return the margin that the worst share of weighted lungs does not exceed; NaN of none.

    Examples
    --------
    >>> worst_of([np.arange(10.0), np.arange(100.0, 110.0)], [0.5, 0.5])
    1.0
    """
    pairs = [(m[~np.isnan(m)], w) for m, w in zip(margins, weights, strict=True)]
    values = np.concatenate([m for m, _ in pairs]) if pairs else np.zeros(0)
    if not values.size:
        return np.nan
    each = np.concatenate([np.full(m.size, max(w, 1e-12) / max(m.size, 1)) for m, w in pairs])
    order = np.argsort(values, kind="stable")
    reached = np.cumsum(each[order]) >= share * each.sum() * (1.0 - 1e-12)
    return float(values[order][reached.argmax()])


def _criteria(
    protocol: Protocol,
    counted: list[GroupCount],
    kinds: list[dict[str, np.ndarray]],
    weights: np.ndarray,
) -> dict[str, Any]:
    """Choose a criterion for every group and for the whole, and judge it, as variables."""
    measured = [measured_values(protocol, one) for one in counted]
    never = [one["never"] for one in kinds]
    sizes = np.array([one.size for one in never])
    every = [_criterion([measured[i]], [never[i]], [sizes[i]]) for i in range(len(counted))]
    some = sizes > 0
    most = min(sizes[some] / np.maximum(weights[some], 1e-12)) if some.any() else 0.0
    taken = np.minimum(sizes, np.floor(most * weights).astype(int))
    every.append(_criterion(measured, never, taken.tolist()))
    worths = [worth for *_, worth in every]
    data: dict[str, Any] = {
        "criterion_property": ("group", [name for name, *_ in every]),
        "criterion_side": ("group", [side for _, side, *_ in every]),
        "criterion_threshold": ("group", [threshold for *_, threshold, _ in every]),
        "pointed_share": ("group", [np.nan if w is None else w.pointed for w in worths]),
    }
    for key, name in (
        ("sensitivity", "sensitivity"),
        ("specificity", "specificity"),
        ("meant", "pointed_never_share"),
    ):
        rows = [(np.nan,) * 3 if worth is None else getattr(worth, key) for worth in worths]
        data[name] = ("group", [row[0] for row in rows])
        data[f"{name}_interval"] = (("group", "ci_bound"), [row[1:] for row in rows])
    return data


def _criterion(
    measured: list[dict[str, np.ndarray]], never: list[np.ndarray], taken: list[int]
) -> tuple[str, str, float, Worth | None]:
    """Choose on the lungs of even place and judge on those of odd place."""
    groups = [i for i, n in enumerate(taken) if n]
    names = [
        n for n in (measured[groups[0]] if groups else ()) if all(n in measured[i] for i in groups)
    ]
    meant = [
        np.concatenate([never[i][: taken[i]][half::2] for i in groups] or [np.zeros(0, bool)])
        for half in (0, 1)
    ]
    values = [
        {n: np.concatenate([measured[i][n][: taken[i]][half::2] for i in groups]) for n in names}
        for half in (0, 1)
    ]
    chosen = choose(values[0], meant[0]) if names else None
    if chosen is None or not meant[1].any():
        return "", "", np.nan, None
    worth = judge_criterion(chosen, values[1], meant[1], LEVEL)
    return chosen.name, chosen.side, chosen.threshold, worth


PART = Part(name="patients", needs="verdict", result=find_patients, variables=VARIABLES)
