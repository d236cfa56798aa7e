"""Counting verdicts: shares with intervals, and which bound is broken where.

Sizes: shape (...) is the map, n cases behind each of its cells, k bounds.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

from ebbmap.kernels.judging import CAUTION, NO_BOUND, SAFE, UNDETERMINED, UNSAFE

#: What each share of verdicts is, wherever one is stored: the one wording.
_WORDS = {
    "safe_share": "share of all {of} that surely break no hard limit",
    "safe_share_interval": "interval of the share of all {of} that surely break no hard limit",
    "caution_share": "share of all {of} that break a caution limit only",
    "undetermined_share": "share of all {of} that could not be determined, not counted as safe",
    "unsteady_share": "share of all {of} without a steady state of CO₂ or oxygen, never safe",
    "broken_share": "share of all {of} that are unsafe with this limit broken most",
    "served_share": "share of all {of} that this T low serves: it lies in a piece of their window",
    "served_undetermined_share": "share of all {of} for which this T low could not be determined",
    "window_share": "share of all {of} that surely have a safe T low",
    "window_undetermined_share": "share of all {of} with no safe T low found and some undetermined",
}


def share_words(name: str, of: str = "lungs") -> str:
    """Return what a stored share is, with what it divides by.

    Parameters
    ----------
    name : str
        Name of the variable, such as "safe_share".
    of : str
        What is counted: "lungs", "cases", "combinations of lung and setting".

    Examples
    --------
    >>> share_words("safe_share", "cases")
    'share of all cases that surely break no hard limit'
    """
    return _WORDS[name].format(of=of)


@dataclass(frozen=True)
class Shares:
    """What the cases behind each cell of a map say; every share divides by all of them.

    What is unknown never counts as safe: safe, undetermined and broken add up to one.

    Parameters
    ----------
    safe, safe_low, safe_high : ndarray, shape (...)
        Share of all cases that surely break no hard bound, and its interval.
    caution : ndarray, shape (...)
        Share of all cases that break a caution bound only.
    undetermined : ndarray, shape (...)
        Share of all cases that could not be determined.
    broken : ndarray, shape (k, ...)
        Share of all cases that are unsafe with this bound broken most.
    commonest : ndarray of int8, shape (...)
        The bound broken most often; -1 where no case is unsafe.
    """

    safe: np.ndarray
    safe_low: np.ndarray
    safe_high: np.ndarray
    caution: np.ndarray
    undetermined: np.ndarray
    broken: np.ndarray
    commonest: np.ndarray


def shares(verdict: np.ndarray, binding: np.ndarray, *, bounds: int, level: float = 0.95) -> Shares:
    """Return the shares of verdicts over the last axis.

    Parameters
    ----------
    verdict, binding : ndarray of int8, shape (..., n)
        As `limits.judge` gives them.
    bounds : int
        Number of hard bounds, k.
    level : float
        Level of the interval, 0 to 1.

    Returns
    -------
    Shares

    Examples
    --------
    >>> counted = shares(np.array([0, 0, 2, 3]), np.array([0, 0, 1, -1]), bounds=2)
    >>> round(float(counted.safe), 3), float(counted.undetermined), int(counted.commonest)
    (0.5, 0.25, 1)
    """
    counted = verdict_counts(verdict, binding, bounds=bounds)
    return shares_of_counts(*counted, cases=verdict.shape[-1], level=level)


def verdict_counts(
    verdict: np.ndarray, binding: np.ndarray, *, bounds: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Count verdicts over the last axis.

    Parameters
    ----------
    verdict, binding, bounds
        As in `shares`.

    Returns
    -------
    safe, caution, unknown : ndarray of int, shape (...)
    broken : ndarray of int, shape (k, ...)
        As `shares_of_counts` takes them.
    """
    unsafe = verdict == UNSAFE
    return (
        (verdict == SAFE).sum(axis=-1),
        (verdict == CAUTION).sum(axis=-1),
        (verdict == UNDETERMINED).sum(axis=-1),
        np.stack([(unsafe & (binding == k)).sum(axis=-1) for k in range(bounds)]),
    )


def shares_of_counts(
    safe: np.ndarray,
    caution: np.ndarray,
    unknown: np.ndarray,
    broken: np.ndarray,
    *,
    cases: int,
    level: float = 0.95,
) -> Shares:
    """Turn counts of verdicts into shares.

    Parameters
    ----------
    safe, caution, unknown : ndarray of int, shape (...)
        Cases without a broken bound, with a broken caution bound only, and undetermined.
    broken : ndarray of int, shape (k, ...)
        Unsafe cases by the bound broken most.
    cases : int
        Cases behind each cell, n.
    level : float
        Level of the interval, 0 to 1.

    Returns
    -------
    Shares

    Examples
    --------
    >>> float(shares_of_counts(*np.array([[6], [2], [0]]), np.array([[2]]), cases=10).safe[0])
    0.8
    """
    n, safe = cases, safe + caution
    commonest = np.where(broken.max(axis=0) > 0, broken.argmax(axis=0), NO_BOUND)
    low, high = wilson(safe, n, level)
    return Shares(
        safe / n, low, high, caution / n, unknown / n, broken / n, commonest.astype(np.int8)
    )


def wilson(
    successes: npt.ArrayLike,
    trials: npt.ArrayLike,
    level: float,
    *,
    quantile: float | None = None,
) -> tuple[np.ndarray, np.ndarray]:
    """Return the interval of a share by Wilson's score method.

    Parameters
    ----------
    successes, trials : array_like, shape (...)
        Counts, or an effective number of trials and its share of them; trials > 0.
    level : float
        Level of the interval, 0 to 1.
    quantile : float, optional
        In place of the normal quantile of the level, such as Student's where a variance was
        estimated from few cases.

    Returns
    -------
    tuple of ndarray, shape (...)
        Lower and upper bound, around the share to the last digit; exactly 0 below no success,
        exactly 1 above nothing but successes.

    References
    ----------
    .. [1] Wilson EB, J Am Stat Assoc 1927;22:209.

    Examples
    --------
    >>> [round(float(x), 4) for x in wilson(0, 20, 0.95)]
    [0.0, 0.1611]
    """
    z = float(ndtri(0.5 + level / 2.0)) if quantile is None else quantile
    successes, trials = np.asarray(successes), np.asarray(trials)
    share = successes / trials
    centre = share + z**2 / (2.0 * trials)
    spread = z * np.sqrt(share * (1.0 - share) / trials + (z / (2.0 * trials)) ** 2)
    scale = 1.0 + z**2 / trials
    # at the ends both terms are equal, and near them rounding must not decide
    low = np.where(successes == 0, 0.0, np.clip((centre - spread) / scale, 0.0, share))
    high = np.where(successes == trials, 1.0, np.clip((centre + spread) / scale, share, 1.0))
    return low[()], high[()]


def paired_difference(
    one: npt.ArrayLike, other: npt.ArrayLike, level: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the difference of two shares of the same cases, and its interval.

    Parameters
    ----------
    one, other : array_like of bool, shape (..., n)
        Whether each case counts, once in one way and once in another.
    level : float
        Level of the interval, 0 to 1.

    Returns
    -------
    difference, low, high : ndarray, shape (...)
        Share of `one` less share of `other`; the interval never has width 0.

    References
    ----------
    .. [1] Agresti A, Min Y, Stat Med 2005;24:729 (from memory): Wald's interval with half a case
       added to each cell of the table of pairs.

    Examples
    --------
    >>> a, b = np.array([1, 1, 1, 0], bool), np.array([1, 0, 0, 0], bool)
    >>> [round(float(x), 3) for x in paired_difference(a, b, 0.95)]
    [0.5, -0.166, 0.832]
    """
    a, b = np.asarray(one, bool), np.asarray(other, bool)
    n = a.shape[-1]
    gained, lost = (a & ~b).sum(axis=-1), (b & ~a).sum(axis=-1)
    net, changed = gained - lost, gained + lost + 1.0
    centre = net / (n + 2)
    spread = float(ndtri(0.5 + level / 2.0)) * np.sqrt(changed - net**2 / (n + 2)) / (n + 2)
    low, high = np.maximum(centre - spread, -1.0), np.minimum(centre + spread, 1.0)
    return np.asarray(net / n), low, high


def crossing(x: np.ndarray, share: np.ndarray, level: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the first and last place where a share along its last axis crosses a level.

    Parameters
    ----------
    x : ndarray, shape (m,)
        Increasing places.
    share : ndarray, shape (..., m)
        The share there.
    level : float
        The level to cross.

    Returns
    -------
    tuple of ndarray, shape (...)
        Where the part at or above `level` begins and ends, linear between grid points; NaN where
        it is never reached.

    Examples
    --------
    >>> [float(e) for e in crossing(np.array([0.0, 1.0, 2.0]), np.array([0.0, 1.0, 0.5]), 0.5)]
    [0.5, 2.0]
    """
    above = share >= level
    some = above.any(axis=-1)
    first = above.argmax(axis=-1)
    last = x.size - 1 - above[..., ::-1].argmax(axis=-1)

    def between(inner: np.ndarray, outer: np.ndarray) -> np.ndarray:
        inside = np.take_along_axis(share, inner[..., None], axis=-1)[..., 0]
        outside = np.take_along_axis(share, outer[..., None], axis=-1)[..., 0]
        gap = np.where(inside > outside, inside - outside, 1.0)
        step = np.where(inside > outside, (inside - level) / gap, 0.0)
        return np.where(some, x[inner] + step * (x[outer] - x[inner]), np.nan)

    return between(first, np.maximum(first - 1, 0)), between(last, np.minimum(last + 1, x.size - 1))


def largest_gap(one: np.ndarray, other: np.ndarray) -> float:
    """Return the Kolmogorov-Smirnov distance between two samples.

    Parameters
    ----------
    one, other : ndarray, shapes (n,) and (n',)
        Two samples.

    Returns
    -------
    float
        0 where they are alike, 1 where they do not overlap.

    Examples
    --------
    >>> largest_gap(np.array([1.0, 2.0]), np.array([2.0, 3.0])), largest_gap(np.r_[1.0], np.r_[2.0])
    (0.5, 1.0)
    """
    places = np.concatenate([one, other])
    below = np.searchsorted(np.sort(one), places, side="right") / one.size
    other_below = np.searchsorted(np.sort(other), places, side="right") / other.size
    return float(np.abs(below - other_below).max())
