"""Release windows of a protocol's groups: how wide, where they overlap, whom one T low serves."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr
from scipy.special import ndtri

from ebbmap.analysis.committee.lungs import WINDOWS, draw_lungs, fixed
from ebbmap.analysis.committee.verdict import ALL, LEVEL
from ebbmap.analysis.kernels.serving import best_place_interval, overlap_share, served_counts
from ebbmap.analysis.kernels.shares import wilson
from ebbmap.analysis.windows import SERVED_AT, find_windows
from ebbmap.draft import Draft, measure, settings_of
from ebbmap.evaluate import DRAWN, within_bounds
from ebbmap.labelling import describe
from ebbmap.pieces import Pieces, Progress, listed
from ebbmap.protocol import Protocol

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
        Dims (group, sample), (group, t_low) and (group, other): `lower` and `upper` [s],
        `window_share`, `width` by quantile [s], `served_share` with its interval along T low,
        `best_t_low` with its interval and what it serves among other lungs, `overlap`.
    """
    return group_window_pieces(protocol).whole()


def group_window_pieces(protocol: Protocol) -> Pieces[xr.Dataset]:
    """Cut the windows into groups; see `find_group_windows`."""

    def solve(number: int, progress: Progress) -> xr.Dataset:
        drawn = draw_lungs(protocol, protocol.groups[number], LUNGS, WINDOWS)
        low = high = np.zeros(0)
        if drawn.size >= FEWEST:
            values = _other_settings(protocol, drawn)
            found = find_windows(protocol.file.lung, values, protocol.limits)
            low, high = found["lower"].values, found["upper"].values
        return xr.Dataset({"lower": ("sample", low), "upper": ("sample", high)})

    def join(found: list[xr.Dataset]) -> xr.Dataset:
        lows, highs = ([one[name].values for one in found] for name in ("lower", "upper"))
        offered = [g.weight * low.size for g, low in zip(protocol.groups, lows, strict=True)]
        weights = np.array(offered) / sum(offered) if sum(offered) else np.zeros(len(offered))
        names = [group.name for group in protocol.groups]
        return _labelled(protocol, names, weights, lows, highs)

    return listed(len(protocol.groups), solve, join)


def _other_settings(protocol: Protocol, drawn) -> dict[str, Any]:
    spans = {name: span for name, span in protocol.draft.spans.items()
             if name not in ("t_low", "t_low_in_time_constants")}  # fmt: skip
    rules = {name: rule for name, rule in protocol.draft.rules.items() if name != "t_low"}
    draft = Draft(spans, rules)
    held = {name: np.broadcast_to(v, (drawn.size,)) for name, v in fixed(protocol).items()}
    inside = {**within_bounds(drawn.values, drawn.values)[0], **held}
    known = measure(protocol.lung, draft, inside, drawn.scores)
    settings = settings_of(draft, known, draft.middle())
    lungs = {n: xr.DataArray(v, dims="sample", attrs={DRAWN: 1}) for n, v in drawn.values.items()}
    return {**lungs, **held, **{name: value.reshape(-1) for name, value in settings.items()}}


def _labelled(protocol: Protocol, names, weights, lower, upper) -> xr.Dataset:
    rows = [*names, ALL]
    exists = [~np.isnan(a) for a in lower]
    sizes = np.array([a.size for a in lower])
    share = _with_whole(
        [served_counts(a, b, SERVED_AT) / a.size if a.size else np.full(SERVED_AT.size, np.nan)
         for a, b in zip(lower, upper, strict=True)],
        weights,
    )  # fmt: skip
    interval = _intervals(share, weights, sizes)
    # the first half of the lungs chooses the best T low, the second half tells what it serves
    half = sizes // 2
    first = [(a[:h], b[:h]) for a, b, h in zip(lower, upper, half, strict=True)]
    second = [(a[h:], b[h:]) for a, b, h in zip(lower, upper, half, strict=True)]
    best = [_best(*one, protocol.file.seed) for one in first]
    best.append(_best_for_all(first, weights, protocol.file.seed))
    own = [_share_at(one, at[0]) for one, at in zip(second, best, strict=False)]
    for_all = [_share_at(one, best[-1][0]) for one in second]
    best_share = np.array([*own, _mean(for_all, weights)])
    effect = np.array([
        _intervals(_with_whole([np.array([x]) for x in served], weights), weights, sizes - half)
        for served in (own, for_all)
    ])[..., 0]  # fmt: skip
    effect = np.concatenate([effect[0, :, :-1], effect[1, :, -1:]], axis=1).T
    window = [float(e.mean()) if e.size else np.nan for e in exists]
    longest = max([*sizes, 1])
    padded = [
        np.array([np.pad(one, (0, longest - one.size), constant_values=np.nan) for one in edges])
        for edges in (lower, upper)
    ]
    data = xr.Dataset(
        coords={"group": rows, "other": names, "t_low": SERVED_AT, "quantile": list(WIDTHS),
                "ci_bound": ["lower", "upper"], "population": names},
    )  # fmt: skip
    data["lower"] = _s(("population", "sample"), padded[0], "shortest safe T low", "s")
    data["upper"] = _s(("population", "sample"), padded[1], "longest safe T low", "s")
    data["window_share"] = _s(
        "group", [*window, _mean(window, weights)], "share of lungs that have a window"
    )
    widths = [
        np.quantile((b - a)[e], WIDTHS) if e.any() else np.full(len(WIDTHS), np.nan)
        for a, b, e in zip(lower, upper, exists, strict=True)
    ]
    data["width"] = _s(("population", "quantile"), widths, "width of the window", "s")
    data["served_share"] = _s(
        ("group", "t_low"), share, "share of lungs in whose window this T low lies"
    )
    data["served_share_interval"] = describe(
        xr.DataArray(interval, dims=("ci_bound", "group", "t_low")), "interval of the share",
        ci_method="Wilson score; weighted groups: normal", ci_level=LEVEL,
    )  # fmt: skip
    data["best_t_low"] = _s("group", [b[0] for b in best], "T low that serves most lungs", "s")
    data["best_t_low_interval"] = describe(
        xr.DataArray(np.array([b[1:] for b in best]), dims=("group", "ci_bound")),
        "interval of the best T low", "s", ci_method="bootstrap over lungs, percentiles",
        ci_level=LEVEL,
    )  # fmt: skip
    data["best_served_share"] = _s(
        "group", best_share, "share of other lungs that the best T low serves"
    )
    data["best_served_share_interval"] = describe(
        xr.DataArray(effect, dims=("group", "ci_bound")), "interval of the share",
        ci_method="Wilson score; weighted groups: normal", ci_level=LEVEL,
    )  # fmt: skip
    overlap = [
        [overlap_share(a, b, c, d) if a.size and c.size else np.nan
         for c, d in zip(lower, upper, strict=True)]
        for a, b in zip(lower, upper, strict=True)
    ]  # fmt: skip
    data["overlap"] = _s(
        ("population", "other"), overlap, "share of pairs of lungs whose windows overlap"
    )
    data["t_low"].attrs = {"units": "s", "long_name": "T low"}
    return data


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
    return float(np.mean((low <= place) & (place <= high))) if low.size else np.nan


def _best(low: np.ndarray, high: np.ndarray, seed: int) -> tuple[float, float, float]:
    if not low.size:
        return np.nan, np.nan, np.nan
    return best_place_interval(low, high, SERVED_AT, resamples=RESAMPLES, level=LEVEL, seed=seed)


def _best_for_all(halves, weights: np.ndarray, seed: int) -> tuple[float, float, float]:
    """Best T low for the weighted mixture: lungs of each group in proportion."""
    sizes = np.array([low.size for low, _ in halves])
    some = weights > 0
    if not some.any():
        return np.nan, np.nan, np.nan
    take = np.round(weights * np.min(sizes[some] / weights[some])).astype(int)
    low = np.concatenate([low[:k] for (low, _), k in zip(halves, take, strict=True)])
    high = np.concatenate([high[:k] for (_, high), k in zip(halves, take, strict=True)])
    return _best(low, high, seed)


def _s(dims, values, text: str, units: str = "1") -> xr.DataArray:
    return describe(xr.DataArray(np.asarray(values, float), dims=dims), text, units)
