"""How sure an estimate is: replicates, left out one at a time, and bootstrap resamples.

An estimator that is a function of means is written once, for weights of the rows. Every row once
gives the estimate; other weights give what it would have been on other rows.
Sizes: n rows, r replicates, m resamples; shape (...) is any.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri, stdtrit

from ebbmap.errors import EbbmapError

#: Replicates of a design unless a number is given. Measured over 200 seeds on the functions of
#: Ishigami and Sobol: 8 cover up to 99 % of the time, 32 fall to 91 %, 16 cover 92 to 98 %.
REPLICATES = 16

#: A skewness below which nothing is corrected: its cubic root would be all rounding.
NOT_SKEWED = 1e-6

CI_BOOTSTRAP = (
    "bootstrap of base rows, normal: estimate -/+ z times standard deviation of resamples"
)
CI_SKEWED = (
    "jackknife over independently randomised replicates: Student's interval and the one corrected "
    "for skewness (Hall) together, degrees of freedom by the replicates' kurtosis"
)
CI_REPLICATES = (
    "jackknife over independently randomised replicates: estimate -/+ Student's t times its "
    "standard error"
)

#: Where random numbers come from: a seed (0 is one), a generator; fresh entropy if None.
RandomSource = int | np.random.Generator | np.random.SeedSequence | None


def check_level(level: float) -> None:
    """Refuse a level that is no probability.

    Raises
    ------
    EbbmapError
        If `level` is not in (0, 1).
    """
    if not 0.0 < level < 1.0:
        raise EbbmapError(f"level must be between 0 and 1; got {level}. 0.95 is usual.")


def bootstrap_weights(n: int, resamples: int, rng: np.random.Generator) -> np.ndarray:
    """Return how often each row is taken, shape (m + 1, n): once each first, then m resamples.

    Examples
    --------
    >>> weights = bootstrap_weights(5, 3, np.random.default_rng(0))
    >>> weights[0].tolist(), weights.sum(axis=1).tolist()
    ([1.0, 1.0, 1.0, 1.0, 1.0], [5.0, 5.0, 5.0, 5.0])
    """
    if resamples < 2:
        raise EbbmapError(f"resamples must be >= 2; got {resamples}. 1000 is usual.")
    weights = np.ones((resamples + 1, n))
    for row in weights[1:]:
        row[:] = np.bincount(rng.integers(n, size=n), minlength=n)
    return weights


def replicate_weights(n: int, replicates: int) -> np.ndarray:
    """Return weights that leave out one replicate each, shape (r + 1, n), none in the first.

    Row i belongs to replicate i mod r, so that a design that grows keeps its rows in place.

    Raises
    ------
    EbbmapError
        If there are fewer than two replicates, or a replicate has no row.

    Examples
    --------
    >>> replicate_weights(4, 2).tolist()
    [[1.0, 1.0, 1.0, 1.0], [0.0, 1.0, 0.0, 1.0], [1.0, 0.0, 1.0, 0.0]]
    """
    if not 2 <= replicates <= n:
        raise EbbmapError(f"replicates must be 2 to {n} (rows); got {replicates}. 16 are usual.")
    left_out = np.arange(n) % replicates == np.arange(replicates)[:, None]
    return np.concatenate([np.ones((1, n)), 1.0 - left_out])


def bootstrap_half_width(resampled: np.ndarray, level: float) -> np.ndarray:
    """Return the half width of a normal interval from resamples, shape (m, ...) to (...)."""
    width: np.ndarray = float(ndtri(0.5 + level / 2.0)) * resampled.std(axis=0, ddof=1)
    return width


def replicate_half_width(left_out: np.ndarray, level: float) -> np.ndarray:
    """Return Student's half width from leave-one-out estimates, shape (r, ...) to (...).

    References
    ----------
    .. [1] Owen AB. Monte Carlo theory, methods and examples, 2013, chapter 17 (replicated
       randomised quasi-Monte Carlo); the delete-one jackknife carries it over to ratios.

    Examples
    --------
    Means of 1 and 3, each left out once; the standard error is 1 and t (1 degree) is 12.7:

    >>> round(float(replicate_half_width(np.array([3.0, 1.0]), 0.95)), 1)
    12.7
    """
    r = len(left_out)
    error = np.sqrt((r - 1) * left_out.var(axis=0))
    width: np.ndarray = float(stdtrit(r - 1, 0.5 + level / 2.0)) * error
    return width


def replicate_interval(point: np.ndarray, left_out: np.ndarray, level: float) -> np.ndarray:
    """Return the interval of an estimate whose replicates may be skewed.

    Parameters
    ----------
    point : ndarray, shape (...)
        The estimate from all replicates.
    left_out : ndarray, shape (r, ...)
        The estimate without each of them.
    level : float
        Probability that the interval is to cover, in (0, 1).

    Returns
    -------
    ndarray, shape (2, ...)
        The lower of two lower ends, the upper of two upper ends: Student's, and Student's after
        Hall's cubic transformation [1]_, which takes the skewness out of a mean. The second
        reaches farther where rare replicates hold much of the mean, the first where none does.

    Notes
    -----
    The variance of r replicates with kurtosis k is as sure as one of 2 r / (k - 1) degrees of
    freedom (Satterthwaite's, by the moments of a variance), and no surer than one of r - 1.

    References
    ----------
    .. [1] Hall P. On the removal of skewness by transformation. J R Stat Soc B 1992;54:221 (from
       memory).

    Examples
    --------
    >>> replicate_interval(np.array(2.0), np.array([3.0, 1.0]), 0.95).round(1).tolist()
    [-10.7, 14.7]
    """
    r = len(left_out)
    each = r * point - (r - 1) * left_out
    apart = each - each.mean(axis=0)
    deviation = np.sqrt(np.square(apart).mean(axis=0))
    scale = np.where(deviation > 0.0, deviation, 1.0)
    skewness, kurtosis = (((apart / scale) ** power).mean(axis=0) for power in (3, 4))
    # kurtosis is at least one, and so little only of two values
    known = 2.0 * r / np.maximum(kurtosis - 1.0, 1e-9)
    quantile = stdtrit(np.clip(known, 1.0, r - 1), 0.5 + level / 2.0)
    error = np.sqrt((r - 1) * left_out.var(axis=0))
    ends = quantile / np.sqrt(r)
    reach = np.stack([_unskewed(ends, skewness, r), _unskewed(-ends, skewness, r)])
    low, high = point - np.sqrt(r) * error * reach
    half = quantile * error
    return np.stack([np.fmin(low, point - half), np.fmax(high, point + half)])


def _unskewed(end: np.ndarray, skewness: np.ndarray, r: int) -> np.ndarray:
    """Return the mean, in standard deviations, that Hall's transformation brings to an end."""
    skewed = np.abs(skewness) > NOT_SKEWED
    by = np.where(skewed, skewness, 1.0)
    cubed = 1.0 + by * (end - by / (6.0 * r))
    return np.where(skewed, 3.0 / by * (np.cbrt(cubed) - 1.0), end)


@dataclass(frozen=True)
class Weighing:
    """Weights of n rows, and the interval that belongs to them.

    Parameters
    ----------
    weights : ndarray, shape (m + 1, n)
        Every row once first.
    replicated : bool
        Whether each other set leaves out a replicate, rather than draws rows anew.
    level : float
        Probability that an interval is to cover.
    """

    weights: np.ndarray
    replicated: bool
    level: float

    @classmethod
    def of(
        cls, n: int, *, replicates: int, resamples: int, level: float, rng: RandomSource
    ) -> Weighing:
        """Leave out one of several replicates at a time; with a single one, draw rows anew."""
        if replicates == 1:
            weights = bootstrap_weights(n, resamples, np.random.default_rng(rng))
        else:
            weights = replicate_weights(n, replicates)
        return cls(weights, replicates > 1, level)

    def interval(self, estimates: np.ndarray) -> np.ndarray:
        """Return the interval from the estimates of all sets, shape (m + 1, ...) to (2, ...)."""
        point, others = estimates[0], estimates[1:]
        if self.replicated:
            return replicate_interval(point, others, self.level)
        half = bootstrap_half_width(others, self.level)
        return np.stack([point - half, point + half])


def kept_weight(weights: np.ndarray, kept: np.ndarray) -> np.ndarray:
    """Return what each set of weights gives the rows that are kept; NaN where that is nothing.

    Parameters
    ----------
    weights : ndarray, shape (m, n)
        Weights of the rows.
    kept : ndarray of bool, shape (n, s)
        Rows that count, for each output.

    Returns
    -------
    ndarray, shape (m, s), or (m, 1) where all are kept
    """
    total: np.ndarray = weights.sum(axis=1, keepdims=True) if kept.all() else weights @ kept
    total[total == 0.0] = np.nan
    return total


def weighted_means(weights: np.ndarray, values: np.ndarray, total: np.ndarray) -> np.ndarray:
    """Return the mean over the rows for every set of weights, as one matrix product.

    Parameters
    ----------
    weights : ndarray, shape (m, n)
        Weights of the rows.
    values : ndarray, shape (n, ..., s)
        What is averaged; zero in a row that is not kept.
    total : ndarray, shape (m, s) or (m, 1)
        `kept_weight` of these weights.

    Returns
    -------
    ndarray, shape (m, ..., s)
    """
    sums = (weights @ values.reshape(len(values), -1)).reshape(len(weights), *values.shape[1:])
    means: np.ndarray = sums / np.expand_dims(total, tuple(range(1, values.ndim - 1)))
    return means
