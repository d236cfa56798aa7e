"""Release windows of a protocol's groups: how wide, where they overlap, whom one T low serves."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import xarray as xr
from scipy.special import ndtri

from ebbmap.analyses.common.windows import UNCLEAR, WINDOW, resolution_words, search_windows
from ebbmap.analyses.window import SERVED_AT, window_cases
from ebbmap.cases.drawn_bounds import DRAWN, within_bounds
from ebbmap.cases.labelling import Variable, label_variables
from ebbmap.cases.pieces import Pieces, Progress, listed
from ebbmap.committee.base import Part
from ebbmap.committee.draft import T_LOW, beside_t_low
from ebbmap.committee.lungs import WINDOWS, Drawn, draw_lungs, fixed
from ebbmap.committee.protocol import Protocol
from ebbmap.committee.verdict import ALL, LEVEL
from ebbmap.kernels.serving import (
    best_place_interval,
    overlap_share,
    served_counts,
    serves,
)
from ebbmap.kernels.shares import share_words, wilson
from ebbmap.kernels.windows import RESOLUTION

#: Lungs of each group: half choose the best T low, the other half tell what it serves.
LUNGS = 2048

#: Relative step of T low between two looks in a costly lung.
COSTLY_RESOLUTION = 0.05

#: Bootstrap samples for the interval of the best T low.
RESAMPLES = 1000

#: Lungs that a group must have, so that each half has some.
FEWEST = 4

WIDTHS = (0.25, 0.5, 0.75)

_WEIGHTED = {"ci_method": "Wilson score; weighted groups: normal", "ci_level": LEVEL}

VARIABLES: Mapping[str, Variable] = {
    "lower": Variable("shortest T low of the piece", "s"),
    "upper": Variable("longest T low of the piece", "s"),
    "window_share": Variable(share_words("window_share")),
    "window_undetermined_share": Variable(share_words("window_undetermined_share")),
    "width": Variable("width of the widest piece", "s"),
    "served_share": Variable(share_words("served_share")),
    "served_undetermined_share": Variable(share_words("served_undetermined_share")),
    "served_share_interval": Variable("interval of the share", attrs=_WEIGHTED),
    "best_t_low": Variable("T low that serves most lungs", "s"),
    "best_t_low_interval": Variable(
        "interval of the best T low",
        "s",
        {"ci_method": "bootstrap over lungs, percentiles", "ci_level": LEVEL},
    ),
    "best_served_share": Variable("share of other lungs that the best T low serves"),
    "best_served_share_interval": Variable("interval of the share", attrs=_WEIGHTED),
    "overlap": Variable("share of pairs of lungs whose windows overlap"),
}


def find_group_windows(protocol: Protocol) -> xr.Dataset:
    """Find the windows of every group with the other settings half-way through the draft.

    Parameters
    ----------
    protocol : Protocol
        The protocol; its own T low is not used.

    Returns
    -------
    xarray.Dataset
        Dims (group, sample, piece), (group, t_low) and (group, other): `lower` and `upper` of
        every piece [s], `window_share`, `width` by quantile [s], `served_share` with its interval
        along T low, `best_t_low` with its interval and what it serves among other lungs,
        `overlap`. Shares are of all lungs; beside them stands the share that is undetermined.
    """
    return group_window_pieces(protocol).whole()


def group_window_pieces(protocol: Protocol) -> Pieces[xr.Dataset]:
    """Cut the windows into groups; see `find_group_windows`."""

    def solve(number: int, progress: Progress) -> xr.Dataset:
        drawn = draw_lungs(
            protocol, protocol.groups[number], protocol.size("window_lungs", LUNGS), WINDOWS
        )
        if drawn.size < FEWEST:
            none = xr.Dataset({name: (dims, np.zeros((0, 1))) for name, dims in _EDGES.items()})
            return none.assign(state=("sample", np.zeros(0)))
        values = _other_settings(protocol, drawn)
        found = search_windows(
            protocol.lung.name, values, protocol.limits, resolution=resolution_of(protocol)
        )
        return found[[*_EDGES, "state"]].drop_vars(list(values), errors="ignore")

    def join(found: list[xr.Dataset]) -> xr.Dataset:
        sizes = [one.sizes["sample"] for one in found]
        offered = [g.weight * n for g, n in zip(protocol.groups, sizes, strict=True)]
        weights = np.array(offered) / sum(offered) if sum(offered) else np.zeros(len(offered))
        names = [group.name for group in protocol.groups]
        return _joined(protocol, names, weights, found)

    return listed(len(protocol.groups), solve, join)


#: What is kept of every lung's window.
_EDGES = {
    "lower": ("sample", "piece"),
    "upper": ("sample", "piece"),
    "unknown_lower": ("sample", "unknown_piece"),
    "unknown_upper": ("sample", "unknown_piece"),
}


def _other_settings(protocol: Protocol, drawn: Drawn) -> dict[str, Any]:
    held = {name: np.broadcast_to(v, (drawn.size,)) for name, v in fixed(protocol).items()}
    inside = {**within_bounds(drawn.values, drawn.values)[0], **held}
    middle = np.full((drawn.size, len(protocol.draft.without_t_low().free)), 0.5)
    own = beside_t_low(protocol.lung, protocol.draft, inside, drawn.scores, middle)
    lungs = {n: xr.DataArray(v, dims="sample", attrs={DRAWN: 1}) for n, v in drawn.values.items()}
    return {**lungs, **held, **own}


def _joined(
    protocol: Protocol, names: list[str], weights: np.ndarray, found: list[xr.Dataset]
) -> xr.Dataset:
    """Put the windows of every group together, and say what they come to."""
    lower, upper, *unknown = ([one[name].values for one in found] for name in _EDGES)
    states = [one["state"].values for one in found]
    sizes = np.array([state.size for state in states])
    share, unclear = (
        _with_whole([_served(a, b) for a, b in zip(*edges, strict=True)], weights)
        for edges in ((lower, upper), unknown)
    )
    window, lost = (
        [float((state == kind).mean()) if state.size else np.nan for state in states]
        for kind in (WINDOW, UNCLEAR)
    )
    edges = ("population", "sample", "piece")
    along = ("group", "t_low")
    data = {
        "lower": (edges, _padded(lower)),
        "upper": (edges, _padded(upper)),
        "window_share": ("group", [*window, _mean(window, weights)]),
        "window_undetermined_share": ("group", [*lost, _mean(lost, weights)]),
        "width": (
            ("population", "quantile"),
            [_width_quantiles(a, b) for a, b in zip(lower, upper, strict=True)],
        ),
        "served_share": (along, share),
        "served_undetermined_share": (along, unclear),
        "served_share_interval": (("ci_bound", *along), _intervals(share, weights, sizes)),
        **_best_t_low(protocol.seed, lower, upper, weights),
        "overlap": (("population", "other"), _overlaps(lower, upper)),
    }
    coords = {
        "group": [*names, ALL],
        "other": names,
        "t_low": SERVED_AT,
        "quantile": list(WIDTHS),
        "ci_bound": ["lower", "upper"],
        "population": names,
    }
    result = label_variables(xr.Dataset(data, coords), VARIABLES, axes=["t_low"])
    resolution = resolution_of(protocol)
    result.attrs |= {"resolution": resolution, "comment": resolution_words(resolution)}
    return result


def _best_t_low(
    seed: int, lower: list[np.ndarray], upper: list[np.ndarray], weights: np.ndarray
) -> dict[str, Any]:
    """Choose the best T low on the first half of the lungs, and see what it serves of the others.

    Returns
    -------
    dict of str to (dims, values)
        As variables, for every group and for the whole.
    """
    sizes = np.array([len(table) for table in lower])
    half = sizes // 2
    first = [(a[:h], b[:h]) for a, b, h in zip(lower, upper, half, strict=True)]
    second = [(a[h:], b[h:]) for a, b, h in zip(lower, upper, half, strict=True)]
    best = [_best(*edges, seed) for edges in first]
    best.append(_best_for_all(first, weights, seed))
    own = [_share_at(edges, chosen[0]) for edges, chosen in zip(second, best, strict=False)]
    for_all = [_share_at(edges, best[-1][0]) for edges in second]
    of_own, of_all = (
        _intervals(_with_whole([np.array([x]) for x in served], weights), weights, sizes - half)
        for served in (own, for_all)
    )
    interval = np.concatenate([of_own[:, :-1, 0], of_all[:, -1:, 0]], axis=1).T
    return {
        "best_t_low": ("group", [chosen[0] for chosen in best]),
        "best_t_low_interval": (("group", "ci_bound"), [chosen[1:] for chosen in best]),
        "best_served_share": ("group", [*own, _mean(for_all, weights)]),
        "best_served_share_interval": (("group", "ci_bound"), interval),
    }


def _overlaps(lower: list[np.ndarray], upper: list[np.ndarray]) -> list[list[float]]:
    """Return the share of pairs of lungs, one of each of two groups, whose windows overlap."""
    edges = list(zip(lower, upper, strict=True))
    return [
        [overlap_share(*one, *two) if len(one[0]) and len(two[0]) else np.nan for two in edges]
        for one in edges
    ]


def _served(lower: np.ndarray, upper: np.ndarray) -> np.ndarray:
    """Return the share of lungs with each place in one of these pieces; NaN without lungs."""
    if not len(lower):
        return np.full(SERVED_AT.size, np.nan)
    return np.asarray(served_counts(lower, upper, SERVED_AT) / len(lower))


def _width_quantiles(lower: np.ndarray, upper: np.ndarray) -> np.ndarray:
    """Return quantiles of the widest piece over the lungs that have one [s]."""
    some = ~np.isnan(lower).all(axis=1)
    if not some.any():
        return np.full(len(WIDTHS), np.nan)
    return np.asarray(np.quantile(np.nanmax((upper - lower)[some], axis=1), WIDTHS))


def _padded(tables: list[np.ndarray]) -> np.ndarray:
    """Fill tables of lungs by pieces with NaN to the longest and widest, shape (groups, n, p)."""
    n, p = (max([*sizes, 1]) for sizes in zip(*(table.shape for table in tables), strict=True))
    return np.array(
        [
            np.pad(table, ((0, n - len(table)), (0, p - table.shape[1])), constant_values=np.nan)
            for table in tables
        ]
    )


def _mean(shares: Sequence[float] | np.ndarray, weights: np.ndarray) -> float:
    """Return the weighted mean of the groups that get the mode; NaN where nobody does."""
    some = weights > 0
    if not some.any():
        return np.nan
    # weights add up to one but for rounding
    return float(np.clip(weights[some] @ np.array(shares)[some], 0.0, 1.0))


def _with_whole(shares: list[np.ndarray], weights: np.ndarray) -> np.ndarray:
    """Return the groups' shares, and last their weighted mean, shape (groups + 1, m)."""
    whole = [_mean(column, weights) for column in np.array(shares).T]
    return np.array([*shares, whole])


def _intervals(shares: np.ndarray, weights: np.ndarray, sizes: np.ndarray) -> np.ndarray:
    """Return Wilson's intervals of the groups, a normal one of the whole: (2, groups + 1, m)."""
    rows = [
        np.array(wilson(share * n, n, LEVEL)) if n else np.full((2, share.size), np.nan)
        for share, n in zip(shares[:-1], sizes, strict=True)
    ]
    some = sizes > 0
    own = shares[:-1][some]
    variance = (weights[some] ** 2 / sizes[some]) @ (own * (1.0 - own))
    spread = ndtri(0.5 + LEVEL / 2.0) * np.sqrt(variance)
    rows.append(np.clip([shares[-1] - spread, shares[-1] + spread], 0.0, 1.0))
    return np.stack(rows, axis=1)


def _share_at(edges: tuple[np.ndarray, np.ndarray], place: float) -> float:
    """Return the share of lungs in whose window a T low lies."""
    low, high = edges
    return float(serves(low, high, np.array([place])).mean()) if len(low) else np.nan


def _best(low: np.ndarray, high: np.ndarray, seed: int) -> tuple[float, float, float]:
    if not len(low):
        return np.nan, np.nan, np.nan
    best, lower, upper = best_place_interval(
        low, high, SERVED_AT, resamples=RESAMPLES, level=LEVEL, seed=seed
    )
    return best, lower, upper


def _best_for_all(
    halves: Sequence[tuple[np.ndarray, np.ndarray]], weights: np.ndarray, seed: int
) -> tuple[float, float, float]:
    """Return the best T low for the weighted mixture: lungs of each group in proportion."""
    sizes = np.array([len(low) for low, _ in halves])
    some = weights > 0
    if not some.any():
        return np.nan, np.nan, np.nan
    take = np.round(weights * np.min(sizes[some] / weights[some])).astype(int)
    edges = [_padded([one[side] for one in halves]) for side in (0, 1)]
    low, high = (
        np.concatenate([lungs[:k] for lungs, k in zip(side, take, strict=True)]) for side in edges
    )
    return _best(low, high, seed)


def resolution_of(protocol: Protocol) -> float:
    """Return the relative step of T low between two looks."""
    return COSTLY_RESOLUTION if protocol.lung.costly else RESOLUTION


def _cases(protocol: Protocol) -> int:
    lungs = len(protocol.groups) * protocol.size("window_lungs", LUNGS)
    return lungs * window_cases(resolution_of(protocol))


PART = Part(
    name="windows",
    pieces=group_window_pieces,
    variables=VARIABLES,
    cases=_cases,
    lays_out=lambda draft: T_LOW,
    at_middle=True,
)
