"""Release windows of a protocol's groups: how wide, where they overlap, whom one T low serves."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr
from scipy.special import ndtri

from ebbmap.analyses.common.windows import UNCLEAR, WINDOW, resolution_words, search_windows
from ebbmap.analyses.window import SERVED_AT
from ebbmap.cases.evaluate import DRAWN, within_bounds
from ebbmap.cases.labelling import describe
from ebbmap.cases.pieces import Pieces, Progress, listed
from ebbmap.committee.draft import Draft, measure, settings_of
from ebbmap.committee.lungs import WINDOWS, draw_lungs, fixed
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

#: Bootstrap samples for the interval of the best T low.
RESAMPLES = 1000

#: Lungs that a group must have, so that each half has some.
FEWEST = 4

WIDTHS = (0.25, 0.5, 0.75)


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
        drawn = draw_lungs(protocol, protocol.groups[number], LUNGS, WINDOWS)
        if drawn.size < FEWEST:
            none = xr.Dataset({name: (dims, np.zeros((0, 1))) for name, dims in _EDGES.items()})
            return none.assign(state=("sample", np.zeros(0)))
        values = _other_settings(protocol, drawn)
        found = search_windows(protocol.lung.name, values, protocol.limits)
        return found[[*_EDGES, "state"]].drop_vars(list(values), errors="ignore")

    def join(found: list[xr.Dataset]) -> xr.Dataset:
        sizes = [one.sizes["sample"] for one in found]
        offered = [g.weight * n for g, n in zip(protocol.groups, sizes, strict=True)]
        weights = np.array(offered) / sum(offered) if sum(offered) else np.zeros(len(offered))
        names = [group.name for group in protocol.groups]
        return _labelled(protocol, names, weights, found)

    return listed(len(protocol.groups), solve, join)


#: What is kept of every lung's window.
_EDGES = {
    "lower": ("sample", "piece"),
    "upper": ("sample", "piece"),
    "unknown_lower": ("sample", "unknown_piece"),
    "unknown_upper": ("sample", "unknown_piece"),
}


def _other_settings(protocol: Protocol, drawn) -> dict[str, Any]:
    spans = {
        name: span
        for name, span in protocol.draft.spans.items()
        if name not in ("t_low", "t_low_in_time_constants")
    }
    rules = {name: rule for name, rule in protocol.draft.rules.items() if name != "t_low"}
    draft = Draft(spans, rules)
    held = {name: np.broadcast_to(v, (drawn.size,)) for name, v in fixed(protocol).items()}
    inside = {**within_bounds(drawn.values, drawn.values)[0], **held}
    known = measure(protocol.lung, draft, inside, drawn.scores)
    settings = settings_of(draft, known, draft.middle())
    lungs = {n: xr.DataArray(v, dims="sample", attrs={DRAWN: 1}) for n, v in drawn.values.items()}
    own = {n: np.broadcast_to(v.reshape(-1), (drawn.size,)) for n, v in settings.items()}
    return {**lungs, **held, **own}


def _labelled(protocol: Protocol, names, weights, found: list[xr.Dataset]) -> xr.Dataset:
    rows = [*names, ALL]
    lower, upper, *unknown = ([one[name].values for one in found] for name in _EDGES)
    states = [one["state"].values for one in found]
    sizes = np.array([state.size for state in states])
    share, unclear = (
        _with_whole([_served(a, b) for a, b in zip(*edges, strict=True)], weights)
        for edges in ((lower, upper), unknown)
    )
    interval = _intervals(share, weights, sizes)
    # the first half of the lungs chooses the best T low, the second half tells what it serves
    half = sizes // 2
    first = [(a[:h], b[:h]) for a, b, h in zip(lower, upper, half, strict=True)]
    second = [(a[h:], b[h:]) for a, b, h in zip(lower, upper, half, strict=True)]
    best = [_best(*one, protocol.seed) for one in first]
    best.append(_best_for_all(first, weights, protocol.seed))
    own = [_share_at(one, at[0]) for one, at in zip(second, best, strict=False)]
    for_all = [_share_at(one, best[-1][0]) for one in second]
    best_share = np.array([*own, _mean(for_all, weights)])
    effect = np.array(
        [
            _intervals(_with_whole([np.array([x]) for x in served], weights), weights, sizes - half)
            for served in (own, for_all)
        ]
    )[..., 0]
    effect = np.concatenate([effect[0, :, :-1], effect[1, :, -1:]], axis=1).T
    window, lost = (
        [float((state == kind).mean()) if state.size else np.nan for state in states]
        for kind in (WINDOW, UNCLEAR)
    )
    padded = [_padded(edges) for edges in (lower, upper)]
    data = xr.Dataset(
        coords={
            "group": rows,
            "other": names,
            "t_low": SERVED_AT,
            "quantile": list(WIDTHS),
            "ci_bound": ["lower", "upper"],
            "population": names,
        },
    )
    dims = ("population", "sample", "piece")
    data["lower"] = _s(dims, padded[0], "shortest T low of the piece", "s")
    data["upper"] = _s(dims, padded[1], "longest T low of the piece", "s")
    for name, own in (("window_share", window), ("window_undetermined_share", lost)):
        data[name] = _s("group", [*own, _mean(own, weights)], share_words(name))
    widths = [_width_quantiles(a, b) for a, b in zip(lower, upper, strict=True)]
    data["width"] = _s(("population", "quantile"), widths, "width of the widest piece", "s")
    for name, along in (("served_share", share), ("served_undetermined_share", unclear)):
        data[name] = _s(("group", "t_low"), along, share_words(name))
    data["served_share_interval"] = describe(
        xr.DataArray(interval, dims=("ci_bound", "group", "t_low")),
        "interval of the share",
        ci_method="Wilson score; weighted groups: normal",
        ci_level=LEVEL,
    )
    data["best_t_low"] = _s("group", [b[0] for b in best], "T low that serves most lungs", "s")
    data["best_t_low_interval"] = describe(
        xr.DataArray(np.array([b[1:] for b in best]), dims=("group", "ci_bound")),
        "interval of the best T low",
        "s",
        ci_method="bootstrap over lungs, percentiles",
        ci_level=LEVEL,
    )
    data["best_served_share"] = _s(
        "group", best_share, "share of other lungs that the best T low serves"
    )
    data["best_served_share_interval"] = describe(
        xr.DataArray(effect, dims=("group", "ci_bound")),
        "interval of the share",
        ci_method="Wilson score; weighted groups: normal",
        ci_level=LEVEL,
    )
    overlap = [
        [
            overlap_share(a, b, c, d) if len(a) and len(c) else np.nan
            for c, d in zip(lower, upper, strict=True)
        ]
        for a, b in zip(lower, upper, strict=True)
    ]
    data["overlap"] = _s(
        ("population", "other"), overlap, "share of pairs of lungs whose windows overlap"
    )
    data["t_low"].attrs = {"units": "s", "long_name": "T low"}
    data.attrs |= {"resolution": RESOLUTION, "comment": resolution_words(RESOLUTION)}
    return data


def _served(lower: np.ndarray, upper: np.ndarray) -> np.ndarray:
    """Share of the lungs with each place in one of these pieces; NaN where there is no lung."""
    if not len(lower):
        return np.full(SERVED_AT.size, np.nan)
    return served_counts(lower, upper, SERVED_AT) / len(lower)


def _width_quantiles(lower: np.ndarray, upper: np.ndarray) -> np.ndarray:
    """Quantiles of the widest piece over the lungs that have one [s]."""
    some = ~np.isnan(lower).all(axis=1)
    if not some.any():
        return np.full(len(WIDTHS), np.nan)
    return np.quantile(np.nanmax((upper - lower)[some], axis=1), WIDTHS)


def _padded(tables: list[np.ndarray]) -> np.ndarray:
    """Tables of lungs by pieces with NaN to the longest and widest, shape (groups, n, p)."""
    n, p = (max([*sizes, 1]) for sizes in zip(*(table.shape for table in tables), strict=True))
    return np.array(
        [
            np.pad(table, ((0, n - len(table)), (0, p - table.shape[1])), constant_values=np.nan)
            for table in tables
        ]
    )


def _mean(shares, weights: np.ndarray) -> float:
    """Weighted mean of the groups that get the mode; NaN where nobody does."""
    some = weights > 0
    return float(weights[some] @ np.array(shares)[some]) if some.any() else np.nan


def _with_whole(shares: list[np.ndarray], weights: np.ndarray) -> np.ndarray:
    """Shares of every group, and their weighted mean as the last row, shape (groups + 1, m)."""
    whole = [_mean(column, weights) for column in np.array(shares).T]
    return np.array([*shares, whole])


def _intervals(shares: np.ndarray, weights: np.ndarray, sizes: np.ndarray) -> np.ndarray:
    """Wilson's interval of every group's share, normal for the whole, shape (2, groups + 1, m)."""
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
    """Share of lungs in whose window a T low lies."""
    low, high = edges
    return float(serves(low, high, np.array([place])).mean()) if len(low) else np.nan


def _best(low: np.ndarray, high: np.ndarray, seed: int) -> tuple[float, float, float]:
    if not len(low):
        return np.nan, np.nan, np.nan
    return best_place_interval(low, high, SERVED_AT, resamples=RESAMPLES, level=LEVEL, seed=seed)


def _best_for_all(halves, weights: np.ndarray, seed: int) -> tuple[float, float, float]:
    """Best T low for the weighted mixture: lungs of each group in proportion."""
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


def _s(dims, values, text: str, units: str = "1") -> xr.DataArray:
    return describe(xr.DataArray(np.asarray(values, float), dims=dims), text, units)
