"""Counting verdicts over lungs by settings while they stream past, and intervals of the shares.

Sizes: n lungs, m settings, k hard bounds. A block is some lungs at all settings; everything that
is kept is a count or a least margin, so the answer does not depend on how the lungs are cut.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from ebbmap.kernels.each_bound import EachBound, count_each, join_each
from ebbmap.kernels.judging import CAUTION, SAFE, UNDETERMINED, UNSAFE, VERDICTS, judge
from ebbmap.kernels.shares import wilson
from ebbmap.registries.limits import LimitSet
from ebbmap.registry import active, keep_active

#: Cases in one block: measured best for the linear lung judged by nine bounds.
BLOCK = 32_768

#: Bins of the shortfall (how far beyond a bound, in widths): step, and number; the last is open.
BIN_WIDTH = 0.01
BINS = 400

#: Lungs in one block at most, so that a byte holds their count.
MOST_ROWS = 255

#: Lungs handed to a thread at a time.
CHUNK = 512

#: Paired differences that are not zero, below which their mean has no interval.
LEAST_MOVED = 10

Arrays = Mapping[str, np.ndarray]


@dataclass(frozen=True)
class Tally:
    """What n lungs at m settings came to.

    Parameters
    ----------
    by_lung : ndarray of int64, shape (4, n)
        Cases of each lung with each verdict, in the order of `VERDICTS`.
    by_setting : ndarray of int64, shape (4, m)
        Lungs at each setting with each verdict.
    shortfall : ndarray of int64, shape (k, BINS)
        Unsafe cases in which a bound is broken most, by how far it is broken.
    worst : ndarray, shape (n,)
        Least margin of each lung; NaN where every case is undetermined.
    worst_setting : ndarray of int64, shape (n,)
        Where it is; the first of several.
    unsteady : ndarray of int64, shape (n,)
        Cases of each lung without a steady state, as far as the limits ask for one.
    each : EachBound, optional
        What happens at each bound by itself, where it was asked for.
    """

    by_lung: np.ndarray
    by_setting: np.ndarray
    shortfall: np.ndarray
    worst: np.ndarray
    worst_setting: np.ndarray
    unsteady: np.ndarray
    each: EachBound | None = None

    @property
    def safe_share(self) -> np.ndarray:
        """Share of all settings that surely break no hard bound, for each lung, shape (n,)."""
        share: np.ndarray = (self.by_lung[SAFE] + self.by_lung[CAUTION]) / self.by_setting.shape[1]
        return share

    @property
    def shares(self) -> np.ndarray:
        """Share of all cases with each verdict, shape (4,)."""
        shares: np.ndarray = self.by_lung.sum(axis=1) / (
            self.by_lung.shape[1] * self.by_setting.shape[1]
        )
        return shares


def tally(
    solve: Callable[[slice], Arrays],
    limits: LimitSet,
    lungs: int,
    settings: int,
    *,
    block: int = BLOCK,
    workers: int = 1,
    progress: Callable[[int], None] | None = None,
    each: bool = False,
) -> Tally:
    """Judge every lung at every setting and keep the counts.

    Parameters
    ----------
    solve : callable
        ``solve(lungs) -> {outcome: ndarray}``: what the limits need, for a slice of the lungs at
        all settings, shapes that broadcast to (lungs of the slice, m).
    limits : LimitSet
        At least one hard bound.
    lungs, settings : int
        n and m.
    block : int
        Cases at a time.
    workers : int
        Threads; NumPy lets go of the interpreter while it works on a block.
    progress : callable, optional
        Called with the number of cases just finished.
    each : bool
        Whether to count at each bound by itself too.

    Returns
    -------
    Tally

    Examples
    --------
    >>> from ebbmap.registries.limits import Limit
    >>> rule = LimitSet("rule", "rule", (Limit("flow_ratio", "invented", 0.5, 0.75),))
    >>> values = np.array([[0.6, 0.9], [0.6, 0.7]])
    >>> counted = tally(lambda cut: {"flow_ratio": values[cut]}, rule, 2, 2)
    >>> counted.safe_share.tolist(), int(counted.shortfall.sum())
    ([0.5, 1.0], 1)
    """
    rows = min(max(1, block // settings), MOST_ROWS)
    chunks = [slice(s, min(s + CHUNK, lungs)) for s in range(0, lungs, CHUNK)]

    def count(chunk: slice) -> Tally:
        cuts = [slice(s, min(s + rows, chunk.stop)) for s in range(chunk.start, chunk.stop, rows)]
        done = join(
            [_count(solve(cut), limits, (cut.stop - cut.start, settings), each) for cut in cuts]
        )
        if progress is not None:
            progress((chunk.stop - chunk.start) * settings)
        return done

    if workers == 1:
        return join([count(chunk) for chunk in chunks])
    with ThreadPoolExecutor(workers, initializer=keep_active, initargs=(active(),)) as pool:
        return join(list(pool.map(count, chunks)))


def _count(outcomes: Arrays, limits: LimitSet, shape: tuple[int, int], each: bool) -> Tally:
    judged = judge(limits, outcomes)
    verdict, margin, binding = (
        np.broadcast_to(array, shape) for array in (judged.verdict, judged.margin, judged.binding)
    )
    masks = [verdict == code for code in range(len(VERDICTS))]
    unsafe = masks[UNSAFE]
    bounds = len(limits.hard)
    beyond = np.minimum(margin[unsafe] * (-1.0 / BIN_WIDTH), BINS - 1).astype(np.int32)
    beyond += binding[unsafe] * np.int32(BINS)
    known = np.where(np.isnan(margin), np.inf, margin) if masks[UNDETERMINED].any() else margin
    worst_setting = known.argmin(axis=1)
    worst = np.take_along_axis(known, worst_setting[:, None], axis=1)[:, 0]
    by_lung = np.array([[np.count_nonzero(row) for row in mask] for mask in masks])
    # few lungs at many settings: bytes hold the counts and add up fastest
    by_setting = [np.add.reduce(mask.view(np.uint8), axis=0, dtype=np.uint8) for mask in masks]
    shortfall = np.bincount(beyond, minlength=bounds * BINS).reshape(bounds, BINS)
    worst = np.where(np.isinf(worst), np.nan, worst)
    unsteady = np.broadcast_to(judged.unsteady, shape).sum(axis=1)
    own = count_each(judged, shape) if each else None
    return Tally(by_lung, np.stack(by_setting), shortfall, worst, worst_setting, unsteady, own)


def join(tallies: Sequence[Tally]) -> Tally:
    """Add up what was counted on the same settings; lungs in the order of the tallies."""
    by_setting = np.stack([tally.by_setting for tally in tallies])
    return Tally(
        np.concatenate([tally.by_lung for tally in tallies], axis=1),
        by_setting.sum(axis=0, dtype=np.int64),
        np.stack([tally.shortfall for tally in tallies]).sum(axis=0),
        np.concatenate([tally.worst for tally in tallies]),
        np.concatenate([tally.worst_setting for tally in tallies]),
        np.concatenate([tally.unsteady for tally in tallies]),
        join_each(each)
        if (each := [one.each for one in tallies if one.each is not None])
        else None,
    )


def typical_shortfall(counts: np.ndarray) -> np.ndarray:
    """Return the middle shortfall of each bound, in widths, from its bins.

    Parameters
    ----------
    counts : ndarray of int, shape (k, BINS)
        As in `Tally.shortfall`.

    Returns
    -------
    ndarray, shape (k,)
        To the width of a bin; NaN where the bound is never broken most.

    Examples
    --------
    >>> counts = np.zeros((2, BINS), int)
    >>> counts[0, 10:13] = 1
    >>> typical_shortfall(counts).round(3).tolist()
    [0.115, nan]
    """
    total = counts.sum(axis=1)
    half = (np.cumsum(counts, axis=1) >= (total[:, None] + 1) // 2).argmax(axis=1)
    return np.where(total > 0, (half + 0.5) * BIN_WIDTH, np.nan)


def clustered_interval(
    shares: Sequence[np.ndarray], weights: Sequence[float] | np.ndarray, level: float
) -> tuple[float, float, float]:
    """Return the interval of a mean share when the lung is the sampling unit.

    Parameters
    ----------
    shares : sequence of ndarray, each of shape (n,)
        Share of each lung's cases, one array for each group; groups may differ in size.
    weights : sequence of float
        Weight of each group in the mean; they add up to one.
    level : float
        Level of the interval, 0 to 1.

    Returns
    -------
    tuple of float
        Mean share, lower and upper bound; NaN where a group is empty.

    Notes
    -----
    All cases of one lung hang together, so the mean has the variance of the lungs' shares, not
    that of the cases: v = sum w^2 s^2 / n. Wilson's interval is taken at the number of trials
    p (1 - p) / v that has this variance, which keeps it within 0 and 1. The quantile is Student's,
    with the degrees of freedom of that variance (Satterthwaite's for several groups). Where no
    share differs from another the number of lungs stands for the trials.

    References
    ----------
    .. [1] Wilson EB, J Am Stat Assoc 1927;22:209.
    .. [2] Korn EL, Graubard BI, Surv Methodol 1998;24:193 (from memory): effective sample size
       in the interval of a share.
    .. [3] Satterthwaite FE, Biometrics Bull 1946;2:110 (from memory).

    Examples
    --------
    >>> [round(float(x), 3) for x in clustered_interval([np.array([0.2, 0.4, 0.6])], [1.0], 0.95)]
    [0.4, 0.098, 0.803]
    """
    counts = [np.size(share) for share in shares]
    if min(counts) < 2:
        return np.nan, np.nan, np.nan
    mean = float(sum(w * np.mean(share) for w, share in zip(weights, shares, strict=True)))
    mean = min(max(mean, 0.0), 1.0)  # weights add up to one but for rounding
    parts = np.array(
        [
            w**2 * np.var(share, ddof=1) / n
            for w, share, n in zip(weights, shares, counts, strict=True)
        ]
    )
    variance, free = float(parts.sum()), np.array(counts) - 1.0
    if variance > 0:
        trials = mean * (1.0 - mean) / variance
        quantile = float(stdtrit(variance**2 / (parts**2 / free).sum(), 0.5 + level / 2.0))
    else:
        trials = float(sum(counts))
        quantile = float(stdtrit(free.sum(), 0.5 + level / 2.0))
    low, high = wilson(mean * trials, trials, level, quantile=quantile)
    # a mean of 1 - 1e-16 times the trials, over the trials, may be another number
    return mean, min(float(low), mean), max(float(high), mean)


def paired_interval(difference: np.ndarray, level: float) -> tuple[float, float, float]:
    """Return the mean of paired differences and its interval, shape (n,) to three numbers.

    The interval is Student's. It is NaN where fewer than `LEAST_MOVED` differences are not zero,
    unless all are: these few say little of how far others would move. Where none moved, at most
    1 - (1 - level)^(1 / n) of all may move, and none by more than one.

    Examples
    --------
    >>> moved = np.tile([0.1, 0.2, 0.3, 0.2], 5)
    >>> [round(x, 3) for x in paired_interval(moved, 0.95)]
    [0.2, 0.166, 0.234]
    """
    mean, n, moved = float(np.mean(difference)), difference.size, np.count_nonzero(difference)
    if moved == 0:
        most = 1.0 - (1.0 - level) ** (1.0 / n)
        return mean, -most, most
    if moved < min(LEAST_MOVED, n):
        return mean, np.nan, np.nan
    quantile = float(stdtrit(n - 1, 0.5 + level / 2.0))
    spread = quantile * float(np.std(difference, ddof=1) / np.sqrt(n))
    return mean, mean - spread, mean + spread
