"""Which limits a draft breaks: at all, worst, alone, and by how much; harm apart from rules.

Sizes: n lungs, m settings, k hard bounds.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import xarray as xr

from ebbmap.cases.labelling import Variable, label_variables
from ebbmap.committee.base import Part
from ebbmap.committee.counting import GroupCount
from ebbmap.committee.protocol import Protocol
from ebbmap.committee.verdict import ALL, COMBINATIONS, LEVEL, offered_weights
from ebbmap.kernels.each_bound import excess_quantile
from ebbmap.kernels.tally import clustered_interval
from ebbmap.registries.limits import is_rule

_INTERVAL = Variable(
    "interval of the share",
    attrs={
        "ci_level": LEVEL,
        "ci_method": "Wilson score at the effective number of lungs, Student's quantile",
    },
)
_IN_UNITS = {"comment": "in the outcome's unit; infinite without a steady state"}

VARIABLES: Mapping[str, Variable] = {
    "any_share": Variable(f"share of all {COMBINATIONS} that break this limit at all"),
    "any_share_interval": _INTERVAL,
    "worst_share": Variable(f"share of all {COMBINATIONS} that break this limit most"),
    "alone_share": Variable(f"share of all {COMBINATIONS} that break this limit alone"),
    "excess_middle": Variable(
        "how far the middle one of these is beyond the limit", attrs=_IN_UNITS
    ),
    "excess_tenth": Variable(
        "how far the worst tenth of these is beyond the limit, at least", attrs=_IN_UNITS
    ),
    "of_a_rule": Variable("whether the limit is a rule for T low", None),
    "harmless_share": Variable(
        f"share of all {COMBINATIONS} that break no limit on harm, whatever the rule for T low"
    ),
    "harmless_share_interval": _INTERVAL,
}


def find_broken(protocol: Protocol, counted: list[GroupCount]) -> xr.Dataset:
    """Sum up which limits are broken, by group and for everybody who gets the mode.

    Parameters
    ----------
    protocol : Protocol
        The protocol.
    counted : list of GroupCount
        As `count_groups` gives them.

    Returns
    -------
    xarray.Dataset
        Dims (group, bound, ci_bound); NaN where fewer than two lungs get the mode.
    """
    bounds = protocol.limits.hard
    width = np.array([bound.width for bound in bounds])
    weights = offered_weights(counted)
    numbers = range(len(counted))
    rows = [_row([counted[i]], np.ones(1), width) for i in numbers]
    some = [i for i in numbers if counted[i].inside is not None]
    rows.append(_row([counted[i] for i in some], weights[some], width))
    dims = {"any_share_interval": ("group", "bound", "ci_bound"), "harmless_share": ("group",)}
    dims["harmless_share_interval"] = ("group", "ci_bound")
    data = {
        name: (dims.get(name, ("group", "bound")), np.stack([row[name] for row in rows]))
        for name in rows[0]
    }
    data["of_a_rule"] = (("bound",), np.array([is_rule(bound) for bound in bounds]).astype(np.int8))
    coords = {
        "group": [*(one.group.name for one in counted), ALL],
        "bound": [bound.name for bound in bounds],
        "ci_bound": ["lower", "upper"],
    }
    return label_variables(xr.Dataset(data, coords), VARIABLES)


def _row(
    counted: list[GroupCount], weights: np.ndarray, width: np.ndarray
) -> dict[str, np.ndarray]:
    """Return the variables of one group, or of several by their weights."""
    parts = [(t, t.each) for one in counted if (t := one.inside) is not None and t.each is not None]
    k = width.size
    if not parts:
        unknown = {name: np.full(k, np.nan) for name in VARIABLES if name.startswith("excess")}
        shares = {f"{name}_share": np.full(k, np.nan) for name in ("any", "worst", "alone")}
        of_any = {"any_share_interval": np.full((k, 2), np.nan)}
        harm = {"harmless_share": np.array(np.nan), "harmless_share_interval": np.full(2, np.nan)}
        return {**shares, **of_any, **unknown, **harm}
    m = parts[0][0].by_setting.shape[1]
    cases = [m * t.by_lung.shape[1] for t, _ in parts]
    scale = np.asarray(weights) / np.array(cases)
    beyond = sum(s * each.beyond for s, (_, each) in zip(scale, parts, strict=True))
    broken = np.array(
        [clustered_interval([e.broken[b] / m for _, e in parts], weights, LEVEL) for b in range(k)]
    )
    harmless = np.array(
        clustered_interval([each.harmless / m for _, each in parts], weights, LEVEL)
    )
    return {
        "any_share": broken[:, 0],
        "any_share_interval": broken[:, 1:],
        "worst_share": sum(
            s * t.shortfall.sum(axis=1) for s, (t, _) in zip(scale, parts, strict=True)
        ),
        "alone_share": sum(s * each.alone for s, (_, each) in zip(scale, parts, strict=True)),
        "excess_middle": excess_quantile(np.asarray(beyond), 0.5) * width,
        "excess_tenth": excess_quantile(np.asarray(beyond), 0.9) * width,
        "harmless_share": harmless[0],
        "harmless_share_interval": harmless[1:],
    }


PART = Part(name="broken", needs="verdict", result=find_broken, variables=VARIABLES)
