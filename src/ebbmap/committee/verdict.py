"""The verdict on a draft: for whom it is safe, which limit fails, and the worst corner."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import fields
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.cases.labelling import Variable, label_variables
from ebbmap.committee.base import Part
from ebbmap.committee.corner import Corner, worst_corners
from ebbmap.committee.counting import GroupCount, cases_of, count_pieces
from ebbmap.committee.protocol import Protocol
from ebbmap.kernels.judging import CAUTION, SAFE, UNDETERMINED, UNSAFE, VERDICTS
from ebbmap.kernels.shares import share_words, wilson
from ebbmap.kernels.tally import Tally, clustered_interval, typical_shortfall
from ebbmap.registries.bounds import asks_for_steady_state

LEVEL = 0.95

#: What the shares of a verdict divide by.
COMBINATIONS = "combinations of lung and setting"

#: Name of the row for everybody who gets the mode.
ALL = "all"

#: Grade of a group that nobody of gets the mode.
EXCLUDED = "excluded"

#: Safe share of a lung for which the whole range is safe.
WHOLE = 1.0


#: Quantiles of the share of the range that is safe for a lung.
QUANTILES = (0.1, 0.25, 0.5, 0.75, 0.9)

_INTERVAL = Variable(
    "interval of the share",
    attrs={
        "ci_level": LEVEL,
        "ci_method": "Wilson score at the effective number of lungs, Student's quantile",
    },
)

VARIABLES: Mapping[str, Variable] = {
    "group": Variable("group", None),
    "bound": Variable("bound", None),
    "verdict": Variable("verdict", None),
    "grade": Variable("grade of the draft", None),
    "wanted_share": Variable("share of combinations that must be safe"),
    "weight": Variable("share of all patients"),
    "safe_share": Variable(share_words("safe_share", COMBINATIONS)),
    "safe_share_interval": _INTERVAL,
    "verdict_share": Variable("share of combinations with a verdict"),
    "unsteady_share": Variable(share_words("unsteady_share", COMBINATIONS)),
    "whole_share": Variable(
        "share of lungs for which the whole range is safe, its corners included"
    ),
    "whole_share_interval": _INTERVAL,
    "none_share": Variable(
        "share of lungs with surely no safe setting in the range, its corners included"
    ),
    "none_share_interval": _INTERVAL,
    "lungs": Variable("lungs that get the mode"),
    "excluded_share": Variable("share of lungs that do not get the mode"),
    "broken_share": Variable(share_words("broken_share", COMBINATIONS)),
    "shortfall": Variable(
        "middle distance beyond the limit where it is broken most, in widths of the limit"
    ),
    "range_share": Variable("share of the range that is safe for a lung, by quantile of lungs"),
    "corner_share": Variable("share of lungs that are safe in the worst corner"),
    "corner_margin": Variable("least safety margin there"),
    "corner_settings": Variable("worst corner of the ranges", None),
    "corner_failing": Variable("what fails there most in the worst lung", None),
    "corner_line": Variable("command that solves the worst lung there", None),
}

LUNG_VARIABLES: Mapping[str, Variable] = {
    "range_safe_share": Variable("share of the range that is safe for this lung"),
    "harmless_somewhere": Variable(
        "whether this lung comes to no harm at some combination of the draft, corners included"
    ),
}


def grade(interval: tuple[float, float, float], strict: float, wanted: float) -> str:
    """Grade a share against what is wanted of it.

    Parameters
    ----------
    interval : tuple of float
        Share of cases that break no hard limit, and its interval.
    strict : float
        Lower bound of the share that breaks no caution limit either.
    wanted : float
        Share that must be safe.

    Returns
    -------
    str
        "safe" where even the strict share surely reaches what is wanted; "caution" where the
        share does so only if warnings are let pass; "unsafe" where it surely does not;
        "undetermined" where what is wanted lies inside the interval.

    Examples
    --------
    >>> grade((0.95, 0.94, 0.96), 0.50, 0.9), grade((0.9, 0.89, 0.91), 0.5, 0.9)
    ('caution', 'undetermined')
    """
    share, low, high = interval
    if np.isnan(share):
        return EXCLUDED
    if strict >= wanted:
        return VERDICTS[SAFE]
    if low >= wanted:
        return VERDICTS[CAUTION]
    return VERDICTS[UNSAFE] if high < wanted else VERDICTS[UNDETERMINED]


def holds(verdict: xr.Dataset) -> bool:
    """Return whether a draft holds: the whole and all groups that get the mode are safe enough."""
    grades = set(verdict["grade"].values.astype(str))
    return grades <= {VERDICTS[SAFE], VERDICTS[CAUTION], EXCLUDED} and grades != {EXCLUDED}


def find_verdict(protocol: Protocol, counted: list[GroupCount]) -> xr.Dataset:
    """Sum up what a draft does to every group and to the whole.

    Parameters
    ----------
    protocol : Protocol
        The protocol.
    counted : list of GroupCount
        As `count_groups` gives them.

    Returns
    -------
    xarray.Dataset
        Dims (group, bound, ...): `grade`, `safe_share` with its interval, the shares of the four
        verdicts, `unsteady_share` (NaN where no limit asks), lungs
        with none or all of the range safe, which bound is broken most and by
        how much, and the worst corner.
    """
    bounds = [bound.name for bound in protocol.limits.hard]
    rows = _rows(counted, len(bounds))
    asked = asks_for_steady_state(protocol.limits)
    wanted = [*(one.group.wanted for one in counted), protocol.wanted]
    grades = [grade(r["safe"], r["strict"][1], w) for r, w in zip(rows, wanted, strict=True)]
    for number, one in enumerate(counted):
        if one.drawn.size == 1:  # it gets the mode, but one lung tells nothing of others
            grades[number] = VERDICTS[UNDETERMINED]
    data: dict[str, Any] = {
        "grade": ("group", grades),
        "wanted_share": ("group", wanted),
        "weight": ("group", [*(one.group.weight for one in counted), 1.0]),
        **_share(rows, "safe"),
        "verdict_share": (("group", "verdict"), [r["shares"] for r in rows]),
        "unsteady_share": ("group", [r["unsteady"] if asked else np.nan for r in rows]),
        **_share(rows, "whole"),
        **_share(rows, "none"),
        **_who_gets_it(counted),
        "broken_share": (("group", "bound"), [r["broken"] for r in rows]),
        "shortfall": (("group", "bound"), [r["shortfall"] for r in rows]),
        "range_share": (("group", "quantile"), _range_quantiles(counted)),
    }
    worst = worst_corners(protocol, counted)
    for field in fields(Corner):
        data[f"corner_{field.name}"] = ("group", [getattr(corner, field.name) for corner in worst])
    coords = {
        "group": [*(one.group.name for one in counted), ALL],
        "verdict": list(VERDICTS),
        "ci_bound": ["lower", "upper"],
        "bound": bounds,
        "quantile": list(QUANTILES),
    }
    return label_variables(xr.Dataset(data, coords), VARIABLES)


def _share(rows: list[dict[str, Any]], name: str) -> dict[str, Any]:
    """Return a share of every row with its interval, as variables."""
    return {
        f"{name}_share": ("group", [row[name][0] for row in rows]),
        f"{name}_share_interval": (("group", "ci_bound"), [row[name][1:] for row in rows]),
    }


def _who_gets_it(counted: list[GroupCount]) -> dict[str, Any]:
    """Return how many lungs get the mode, and the share that does not, as variables."""
    sizes = [one.drawn.size for one in counted]
    kept = [one.drawn.size / one.drawn.asked for one in counted]
    weights = [one.group.weight for one in counted]
    of_all = sum(weight * share for weight, share in zip(weights, kept, strict=True))
    excluded = [*(1.0 - share for share in kept), 1.0 - of_all / sum(weights)]
    return {"lungs": ("group", [*sizes, sum(sizes)]), "excluded_share": ("group", excluded)}


def _range_quantiles(counted: list[GroupCount]) -> list[np.ndarray]:
    """Return quantiles over lungs of the safe share of the range; none for the whole."""
    unknown = np.full(len(QUANTILES), np.nan)
    own = [
        np.quantile(one.inside.safe_share, QUANTILES) if one.inside else unknown for one in counted
    ]
    return [*own, unknown]


def _rows(counted: list[GroupCount], bounds: int) -> list[dict[str, Any]]:
    """Return the shares of every group, and last those of the whole by the groups' weights."""
    weights = offered_weights(counted)
    some = [i for i, one in enumerate(counted) if one.inside is not None]
    own = [_row([one], np.ones(1), bounds) for one in counted]
    return [*own, _row([counted[i] for i in some], weights[some], bounds)]


def offered_weights(counted: list[GroupCount]) -> np.ndarray:
    """Return each group's share of those who get the mode, shape (groups,); 0 where nobody does."""
    offered = np.array([one.group.weight * one.drawn.size / one.drawn.asked for one in counted])
    offered = np.where([one.inside is None for one in counted], 0.0, offered)
    return np.asarray(offered / offered.sum() if offered.sum() > 0 else offered)


def _row(counted: list[GroupCount], weights: np.ndarray, bounds: int) -> dict[str, Any]:
    """Return the shares of one group, or of several by their weights."""
    tallies = [one.inside for one in counted if one.inside is not None]
    if not tallies:
        unknown = dict.fromkeys(("safe", "strict", "whole", "none"), (np.nan, np.nan, np.nan))
        none = np.full(bounds, np.nan)
        shares = {"shares": np.full(4, np.nan), "unsteady": np.nan}
        return {**unknown, **shares, "broken": none, "shortfall": none}
    m = tallies[0].by_setting.shape[1]
    safe = [t.safe_share for t in tallies]
    broken = sum(
        w * t.shortfall.sum(axis=1) / (m * t.by_lung.shape[1])
        for w, t in zip(weights, tallies, strict=True)
    )
    return {
        "safe": clustered_interval(safe, weights, LEVEL),
        "strict": clustered_interval([t.by_lung[SAFE] / m for t in tallies], weights, LEVEL),
        "whole": clustered_interval(_everywhere(counted, _all_safe), weights, LEVEL),
        "none": clustered_interval(_everywhere(counted, _all_unsafe), weights, LEVEL),
        "shares": sum(w * t.shares for w, t in zip(weights, tallies, strict=True)),
        "unsteady": sum(w * t.unsteady.mean() / m for w, t in zip(weights, tallies, strict=True)),
        "broken": broken,
        "shortfall": typical_shortfall(np.sum([t.shortfall for t in tallies], axis=0)),
    }


def _all_safe(tally: Tally) -> np.ndarray:
    """Return which lungs are safe at every setting, shape (n,)."""
    return np.asarray(tally.safe_share >= WHOLE)


def _all_unsafe(tally: Tally) -> np.ndarray:
    """Return which lungs are surely unsafe at every setting, shape (n,)."""
    return np.asarray(tally.by_lung[UNSAFE] == tally.by_setting.shape[1])


def _everywhere(
    counted: list[GroupCount], of_all: Callable[[Tally], np.ndarray]
) -> list[np.ndarray]:
    """Return which lungs this holds for, at the settings drawn and in the corners, by group."""
    return [
        (of_all(one.inside) & of_all(one.corner)).astype(float)
        for one in counted
        if one.inside is not None and one.corner is not None
    ]


def lung_shares(counted: list[GroupCount]) -> xr.Dataset:
    """Return the safe share of the range for each lung that gets the mode; NaN for the others."""
    asked = max(one.drawn.asked for one in counted)
    safe, harmless = (np.full((len(counted), asked), np.nan) for _ in range(2))
    for row, one in enumerate(counted):
        if one.inside is not None and one.corner is not None:
            safe[row, one.drawn.number] = one.inside.safe_share
            tallies = (one.inside.each, one.corner.each)
            cases = [each.harmless for each in tallies if each is not None]
            harmless[row, one.drawn.number] = np.any(np.array(cases) > 0, axis=0)
    dims = ("group", "sample")
    data = {"range_safe_share": (dims, safe), "harmless_somewhere": (dims, harmless)}
    shares = xr.Dataset(data, {"group": [one.group.name for one in counted]})
    return label_variables(shares, LUNG_VARIABLES)


def share_with_interval(yes: np.ndarray, level: float = LEVEL) -> tuple[float, float, float]:
    """Return the share of lungs and its Wilson interval, shape (n,) to three numbers.

    Examples
    --------
    >>> [round(x, 3) for x in share_with_interval(np.array([True, True, False]))]
    [0.667, 0.208, 0.939]
    """
    if yes.size == 0:
        return np.nan, np.nan, np.nan
    low, high = wilson(yes.sum(), yes.size, level)
    return float(yes.mean()), float(low), float(high)


PART = Part(
    name="verdict",
    pieces=count_pieces,
    result=find_verdict,
    variables=VARIABLES,
    cases=cases_of,
)

PER_LUNG = Part(
    name="lungs",
    needs="verdict",
    result=lambda protocol, counted: lung_shares(counted),
    variables=LUNG_VARIABLES,
)
