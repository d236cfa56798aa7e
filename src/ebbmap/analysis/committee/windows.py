"""Release windows of a protocol's groups: how wide, where they overlap, whom one T low serves."""

from __future__ import annotations

import numpy as np
import xarray as xr
from scipy.special import ndtri

from ebbmap.analysis.committee.lungs import WINDOWS, draw_lungs, fixed
from ebbmap.analysis.committee.verdict import ALL, LEVEL
from ebbmap.analysis.kernels.serving import best_place_interval, overlap_share, served_counts
from ebbmap.analysis.kernels.shares import wilson
from ebbmap.analysis.windows import SERVED_AT, find_windows
from ebbmap.draft import Draft, measure, settings_of
from ebbmap.labelling import describe
from ebbmap.protocol import Protocol

#: Lungs of each group: half choose the best T low, the other half tell what it serves.
LUNGS = 2048

#: Bootstrap samples for the interval of the best T low.
RESAMPLES = 1000

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
    names, lows, highs = [], [], []
    for group in protocol.groups:
        drawn = draw_lungs(protocol, group, LUNGS, WINDOWS)
        low = high = np.full(LUNGS, np.nan)
        if drawn.size >= 2:
            values = _other_settings(protocol, drawn)
            found = find_windows(protocol.file.lung, values, protocol.limits)
            low, high = low.copy(), high.copy()
            low[drawn.number], high[drawn.number] = found["lower"], found["upper"]
        names.append(group.name)
        lows.append(low)
        highs.append(high)
    return _labelled(protocol, names, np.array(lows), np.array(highs))


def _other_settings(protocol: Protocol, drawn) -> dict[str, np.ndarray]:
    spans = {name: span for name, span in protocol.draft.spans.items()
             if name not in ("t_low", "t_low_in_time_constants")}  # fmt: skip
    rules = {name: rule for name, rule in protocol.draft.rules.items() if name != "t_low"}
    draft = Draft(spans, rules)
    held = {name: np.broadcast_to(v, (drawn.size,)) for name, v in fixed(protocol).items()}
    lungs = {**drawn.values, **held}
    known = measure(protocol.lung, draft, lungs, drawn.scores)
    settings = settings_of(draft, known, draft.middle())
    return {**lungs, **{name: value.reshape(-1) for name, value in settings.items()}}


def _labelled(protocol: Protocol, names, lower, upper) -> xr.Dataset:
    n = lower.shape[1]
    exists = ~np.isnan(lower)
    rows = [*names, ALL]
    weights = np.array([group.weight for group in protocol.groups])
    served = np.array([served_counts(a, b, SERVED_AT) for a, b in zip(lower, upper, strict=True)])
    share = np.concatenate([served / n, weights @ served[None] / n])
    interval = np.stack(
        [np.array(wilson(s * n, n, LEVEL)) for s in share[:-1]]
        + [_weighted(served / n, weights, n)],
        axis=1,
    )
    half = n // 2
    best = [
        best_place_interval(a[:half], b[:half], SERVED_AT, resamples=RESAMPLES, level=LEVEL,
                            seed=protocol.file.seed)
        for a, b in zip(lower, upper, strict=True)
    ]  # fmt: skip
    best.append(_best_for_all(lower[:, :half], upper[:, :half], weights, protocol.file.seed))
    tried = [
        [(a[half:] <= at[0]) & (at[0] <= b[half:]) for a, b in zip(lower, upper, strict=True)]
        for at in best
    ]
    own = [np.mean(tried[i][i]) for i in range(len(names))]
    whole = float(weights @ np.array([one.mean() for one in tried[-1]]))
    effect = [np.array(wilson(p * (n - half), n - half, LEVEL)) for p in own]
    effect.append(_weighted(np.array([[one.mean()] for one in tried[-1]]), weights, n - half)[:, 0])
    data = xr.Dataset(
        coords={"group": rows, "other": names, "t_low": SERVED_AT, "quantile": list(WIDTHS),
                "ci_bound": ["lower", "upper"], "population": names},
    )  # fmt: skip
    data["lower"] = _s(("population", "sample"), lower, "shortest safe T low", "s")
    data["upper"] = _s(("population", "sample"), upper, "longest safe T low", "s")
    window = [float(e.mean()) for e in exists]
    data["window_share"] = _s(
        "group", [*window, float(weights @ np.array(window))], "share of lungs that have a window"
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
        "group", [*own, whole], "share of other lungs that the best T low serves"
    )
    data["best_served_share_interval"] = describe(
        xr.DataArray(np.array(effect), dims=("group", "ci_bound")), "interval of the share",
        ci_method="Wilson score; weighted groups: normal", ci_level=LEVEL,
    )  # fmt: skip
    overlap = [[overlap_share(lower[i], upper[i], lower[j], upper[j]) for j in range(len(names))]
               for i in range(len(names))]  # fmt: skip
    data["overlap"] = _s(
        ("population", "other"), overlap, "share of pairs of lungs whose windows overlap"
    )
    data["t_low"].attrs = {"units": "s", "long_name": "T low"}
    return data


def _weighted(share: np.ndarray, weights: np.ndarray, n: int) -> np.ndarray:
    """Interval of a weighted mean of independent shares, (groups, m) to (2, m)."""
    mean = weights @ share
    spread = ndtri(0.5 + LEVEL / 2.0) * np.sqrt(weights**2 @ (share * (1.0 - share)) / n)
    return np.clip([mean - spread, mean + spread], 0.0, 1.0)


def _best_for_all(lower, upper, weights, seed: int) -> tuple[float, float, float]:
    """Best T low for the weighted mixture: lungs of each group in proportion."""
    n = lower.shape[1]
    take = np.round(n * weights / weights.max()).astype(int)
    low = np.concatenate([row[:k] for row, k in zip(lower, take, strict=True)])
    high = np.concatenate([row[:k] for row, k in zip(upper, take, strict=True)])
    return best_place_interval(low, high, SERVED_AT, resamples=RESAMPLES, level=LEVEL, seed=seed)


def _s(dims, values, text: str, units: str = "1") -> xr.DataArray:
    return describe(xr.DataArray(np.asarray(values, float), dims=dims), text, units)
