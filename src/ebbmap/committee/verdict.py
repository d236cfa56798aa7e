"""The verdict on a draft: for whom it is safe, which limit fails, and the worst corner."""

from __future__ import annotations

import shlex
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import xarray as xr

from ebbmap.cases.labelling import describe
from ebbmap.cases.pieces import Pieces, Progress, listed
from ebbmap.committee.draft import SETTINGS, measure, settings_of
from ebbmap.committee.lungs import (
    VERDICT,
    Drawn,
    corners,
    count,
    draw_lungs,
    fixed,
    solver,
    unit_settings,
)
from ebbmap.committee.protocol import Group, Protocol
from ebbmap.kernels.judging import CAUTION, SAFE, UNDETERMINED, UNSAFE, VERDICTS, judge
from ebbmap.kernels.shares import share_words, wilson
from ebbmap.kernels.tally import Tally, clustered_interval, typical_shortfall
from ebbmap.kernels.tally import join as join_tallies
from ebbmap.registries.parameters import PARAMETERS

LEVEL = 0.95

#: What the shares of a verdict divide by.
COMBINATIONS = "combinations of lung and setting"

#: Cases of a piece of the counting: some seconds of the linear lung.
PIECE = 2**23

#: Name of the row for everybody who gets the mode.
ALL = "all"

#: Grade of a group that nobody of gets the mode.
EXCLUDED = "excluded"

#: Safe share of a lung for which the whole range is safe.
WHOLE = 1.0


@dataclass(frozen=True)
class GroupCount:
    """One group's lungs and what the draft did to them.

    Parameters
    ----------
    group : Group
        The group.
    drawn : Drawn
        Its lungs that get the mode.
    inside, corner : Tally or None
        Counts over the settings drawn from the ranges, and over the corners of the ranges; None
        where fewer than two lungs get the mode.
    """

    group: Group
    drawn: Drawn
    inside: Tally | None
    corner: Tally | None


def count_groups(
    protocol: Protocol, progress: Callable[[int], None] | None = None
) -> list[GroupCount]:
    """Try the draft on every group.

    Parameters
    ----------
    protocol : Protocol
        The protocol.
    progress : callable, optional
        Called with the number of cases just finished.

    Returns
    -------
    list of GroupCount
        In the order of the file. All groups meet the same settings.
    """
    return count_pieces(protocol).whole(progress)


def count_pieces(protocol: Protocol, piece: int = PIECE) -> Pieces[list[GroupCount]]:
    """Cut the counting into some lungs of one group.

    Parameters
    ----------
    protocol : Protocol
        The protocol.
    piece : int
        Cases of a piece, at least one lung at all settings. It changes no number.
    """
    draft, lungs = protocol.draft, protocol.lungs
    settings = protocol.settings_drawn if draft.free else 1
    height = max(1, piece // settings)
    starts = range(0, lungs, height)

    @lru_cache(maxsize=1)
    def drawn_of(number: int) -> Drawn:
        return draw_lungs(protocol, protocol.groups[number], lungs, VERDICT)

    @lru_cache(maxsize=1)
    def places() -> tuple[np.ndarray, np.ndarray]:
        return unit_settings(protocol, draft, protocol.settings_drawn, "", VERDICT), corners(draft)

    def solve(number: int, progress: Progress) -> xr.Dataset:
        drawn = drawn_of(number // len(starts))
        start = starts[number % len(starts)]
        part = drawn.part(slice(start, start + height))
        # fewer lungs get the mode than were drawn, so the last pieces may have none
        if drawn.size < 2 or not part.size:
            return xr.Dataset()
        inside, edges = (
            count(protocol, draft, part, unit, told)
            for unit, told in zip(places(), (progress, None), strict=True)
        )
        return _as_dataset(inside, "inside").merge(_as_dataset(edges, "corner"))

    def join(found: list[xr.Dataset]) -> list[GroupCount]:
        counted = []
        for number, group in enumerate(protocol.groups):
            own = found[number * len(starts) : (number + 1) * len(starts)]
            parts = [one for one in own if one.data_vars]
            sides = [
                join_tallies([_as_tally(one, side) for one in parts]) if parts else None
                for side in ("inside", "corner")
            ]
            counted.append(GroupCount(group, drawn_of(number), *sides))
        return counted

    return listed(len(protocol.groups) * len(starts), solve, join)


#: Dimensions of what is kept of a piece.
_TALLY_DIMS = {
    "by_lung": ("verdict", "lung"),
    "by_setting": ("verdict", "{}_setting"),
    "shortfall": ("bound", "shortfall_bin"),
    "worst": ("lung",),
    "worst_setting": ("lung",),
}


def _as_dataset(counted: Tally, side: str) -> xr.Dataset:
    return xr.Dataset(
        {
            f"{side}_{name}": ([dim.format(side) for dim in dims], getattr(counted, name))
            for name, dims in _TALLY_DIMS.items()
        }
    )


def _as_tally(piece: xr.Dataset, side: str) -> Tally:
    return Tally(*(piece[f"{side}_{name}"].values for name in _TALLY_DIMS))


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
        verdicts, lungs with none or all of the range safe, which bound is broken most and by
        how much, and the worst corner.
    """
    names = [*(one.group.name for one in counted), ALL]
    offered = np.array([one.group.weight * one.drawn.size / one.drawn.asked for one in counted])
    offered = np.where([one.inside is None for one in counted], 0.0, offered)
    weights = offered / offered.sum() if offered.sum() > 0 else offered
    wanted = [*(one.group.wanted for one in counted), protocol.wanted]
    bounds = len(protocol.limits.hard)
    rows: list[dict] = []
    for one in counted:
        rows.append(_row([one], np.ones(1), bounds))
    some = [i for i, one in enumerate(counted) if one.inside is not None]
    rows.append(_row([counted[i] for i in some], weights[some], bounds))
    grades = [grade(r["safe"], r["strict"][1], w) for r, w in zip(rows, wanted, strict=True)]
    out = xr.Dataset(
        coords={
            "group": names,
            "verdict": list(VERDICTS),
            "ci_bound": ["lower", "upper"],
            "bound": [b.name for b in protocol.limits.hard],
        }
    )
    out["grade"] = ("group", grades, {"long_name": "grade of the draft"})
    out["wanted_share"] = _say("group", wanted, "share of combinations that must be safe")
    out["weight"] = _say(
        "group", [*(o.group.weight for o in counted), 1.0], "share of all patients"
    )
    out["safe_share"] = _say(
        "group", [r["safe"][0] for r in rows], share_words("safe_share", COMBINATIONS)
    )
    out["safe_share_interval"] = _interval([r["safe"] for r in rows])
    out["verdict_share"] = _say(
        ("group", "verdict"), [r["shares"] for r in rows], "share of combinations with a verdict"
    )
    for key, text in (
        ("whole", "share of lungs for which the whole range is safe, its corners included"),
        ("none", "share of lungs with surely no safe setting in the range, its corners included"),
    ):
        out[f"{key}_share"] = _say("group", [r[key][0] for r in rows], text)
        out[f"{key}_share_interval"] = _interval([r[key] for r in rows])
    out["lungs"] = _say(
        "group",
        [sum(o.drawn.size for o in counted[i : i + 1]) for i in range(len(counted))]
        + [sum(o.drawn.size for o in counted)],
        "lungs that get the mode",
    )
    drawn = sum(w.group.weight for w in counted)
    out["excluded_share"] = _say(
        "group",
        [
            *(1.0 - o.drawn.size / o.drawn.asked for o in counted),
            1.0 - sum(o.group.weight * o.drawn.size / o.drawn.asked for o in counted) / drawn,
        ],
        "share of lungs that do not get the mode",
    )
    out["broken_share"] = _say(
        ("group", "bound"),
        [r["broken"] for r in rows],
        share_words("broken_share", COMBINATIONS),
    )
    out["shortfall"] = _say(
        ("group", "bound"),
        [r["shortfall"] for r in rows],
        "middle distance beyond the limit where it is broken most, in widths of the limit",
    )
    out["range_share"] = _quantiles(counted)
    _add_corner(out, protocol, counted)
    for name in ("group", "bound", "verdict"):
        out[name].attrs = {"long_name": name}
    return out


#: Quantiles of the share of the range that is safe for a lung.
QUANTILES = (0.1, 0.25, 0.5, 0.75, 0.9)


def _quantiles(counted: list[GroupCount]) -> xr.DataArray:
    rows = [
        np.quantile(one.inside.safe_share, QUANTILES)
        if one.inside
        else np.full(len(QUANTILES), np.nan)
        for one in counted
    ]
    rows.append(np.full(len(QUANTILES), np.nan))
    return describe(
        xr.DataArray(np.array(rows), {"quantile": list(QUANTILES)}, ("group", "quantile")),
        "share of the range that is safe for a lung, by quantile of lungs",
    )


def _row(counted: list[GroupCount], weights: np.ndarray, bounds: int) -> dict:
    """Shares of one group, or of several by their weights."""
    tallies = [one.inside for one in counted if one.inside is not None]
    if not tallies:
        unknown = dict.fromkeys(("safe", "strict", "whole", "none"), (np.nan, np.nan, np.nan))
        none = np.full(bounds, np.nan)
        return {**unknown, "shares": np.full(4, np.nan), "broken": none, "shortfall": none}
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
        "broken": broken,
        "shortfall": typical_shortfall(np.sum([t.shortfall for t in tallies], axis=0)),
    }


def _all_safe(tally: Tally) -> np.ndarray:
    """Return which lungs are safe at every setting, shape (n,)."""
    return tally.safe_share >= WHOLE


def _all_unsafe(tally: Tally) -> np.ndarray:
    """Return which lungs are surely unsafe at every setting, shape (n,)."""
    return tally.by_lung[UNSAFE] == tally.by_setting.shape[1]


def _everywhere(
    counted: list[GroupCount], holds: Callable[[Tally], np.ndarray]
) -> list[np.ndarray]:
    """Lungs of which this holds at the settings drawn and in the corners, for each group."""
    return [
        (holds(one.inside) & holds(one.corner)).astype(float)
        for one in counted
        if one.inside is not None and one.corner is not None
    ]


def _add_corner(out: xr.Dataset, protocol: Protocol, counted: list[GroupCount]) -> None:
    """Add the corner of the ranges that is safe for the fewest lungs, and its worst lung."""
    edges = corners(protocol.draft)
    rows = [_corner(protocol, one, edges) for one in counted]
    rows.append(min((r for r in rows if r["line"]), key=lambda r: r["share"], default=rows[0]))
    texts = {
        "share": "share of lungs that are safe in the worst corner",
        "margin": "least safety margin there",
    }
    for key, text in texts.items():
        out[f"corner_{key}"] = _say("group", [r[key] for r in rows], text)
    out["corner_settings"] = (
        "group",
        [r["settings"] for r in rows],
        {"long_name": "worst corner of the ranges"},
    )
    out["corner_failing"] = (
        "group",
        [r["failing"] for r in rows],
        {"long_name": "what fails there most in the worst lung"},
    )
    out["corner_line"] = (
        "group",
        [r["line"] for r in rows],
        {"long_name": "command that solves the worst lung there"},
    )


def _corner(protocol: Protocol, one: GroupCount, edges: np.ndarray) -> dict:
    empty = {"share": np.nan, "margin": np.nan, "settings": "", "failing": "", "line": ""}
    if one.corner is None:
        return empty
    safe = one.corner.by_setting[SAFE] + one.corner.by_setting[CAUTION]
    at = int(safe.argmin())
    places = protocol.draft.places(edges[at : at + 1])
    solve, _ = solver(protocol, protocol.draft, one.drawn, places)
    outcomes = solve(slice(0, one.drawn.size))
    judged = judge(protocol.limits, outcomes)
    margin = np.broadcast_to(judged.margin, (one.drawn.size, 1))[:, 0]
    if np.isnan(margin).all():
        return empty
    lung = int(np.nanargmin(margin))
    bound = protocol.limits.hard[int(np.broadcast_to(judged.binding, (one.drawn.size, 1))[lung, 0])]
    values = case_values(protocol, one.drawn, lung, places)
    reached = np.broadcast_to(outcomes[bound.outcome], (one.drawn.size, 1))[lung, 0]
    return {
        "share": safe[at] / one.drawn.size,
        "margin": margin[lung],
        "settings": ", ".join(PARAMETERS[name].say(values[name]) for name in SETTINGS),
        "failing": f"{bound.sentence}: {reached:.4g}" if margin[lung] < 0 else "nothing fails",
        "line": cycle_line(protocol, values),
    }


def case_values(protocol: Protocol, drawn: Drawn, lung: int, places) -> dict[str, float]:
    """Every parameter of one lung at one setting of the draft."""
    own = {name: value[lung : lung + 1] for name, value in drawn.values.items()}
    held = fixed(protocol)
    full = {**own, **{name: np.reshape(value, (1,)) for name, value in held.items()}}
    known = measure(protocol.lung, protocol.draft, full, drawn.scores[lung : lung + 1])
    settings = settings_of(protocol.draft, known, places)
    return {name: float(np.reshape(value, -1)[0]) for name, value in {**settings, **full}.items()}


def cycle_line(protocol: Protocol, values: dict[str, float]) -> str:
    """Return the command that solves one case, every digit kept."""
    sets = " ".join(f"--set {name}={value!r}" for name, value in values.items())
    return f"ebbmap cycle --lung {shlex.quote(protocol.lung.name)} {sets}"


def lung_shares(counted: list[GroupCount]) -> xr.Dataset:
    """Share of the range that is safe, for each lung that gets the mode; NaN for the others."""
    asked = max(one.drawn.asked for one in counted)
    table = np.full((len(counted), asked), np.nan)
    for row, one in zip(table, counted, strict=True):
        if one.inside is not None:
            row[one.drawn.number] = one.inside.safe_share
    array = xr.DataArray(table, {"group": [one.group.name for one in counted]}, ("group", "sample"))
    return xr.Dataset(
        {"range_safe_share": describe(array, "share of the range that is safe for this lung")}
    )


def share_with_interval(yes: np.ndarray, level: float = LEVEL) -> tuple[float, float, float]:
    """Share of lungs and its Wilson interval, shape (n,) to three numbers.

    Examples
    --------
    >>> [round(x, 3) for x in share_with_interval(np.array([True, True, False]))]
    [0.667, 0.208, 0.939]
    """
    if yes.size == 0:
        return np.nan, np.nan, np.nan
    low, high = wilson(yes.sum(), yes.size, level)
    return float(yes.mean()), float(low), float(high)


def _say(dims, values, text: str) -> xr.DataArray:
    return describe(xr.DataArray(np.asarray(values), dims=dims), text)


def _interval(rows) -> xr.DataArray:
    array = xr.DataArray(np.array([row[1:] for row in rows]), dims=("group", "ci_bound"))
    return describe(
        array,
        "interval of the share",
        ci_level=LEVEL,
        ci_method="Wilson score at the effective number of lungs",
    )
