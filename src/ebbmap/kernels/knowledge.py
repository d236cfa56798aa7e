"""What follows from not knowing the numbers behind a population: an interval and a ranking.

An outer sample draws what is not known (centres, spreads, correlations, as standard normal
scores), an inner sample draws lungs from each population that comes of it, with the same random
numbers each time. A conclusion then has two intervals: that of the lungs that happened to be
drawn, which more lungs make narrower, and that of knowledge, which only measurement makes narrower.
Sizes: m outer draws, k unknown numbers.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil

import numpy as np

from ebbmap.digits import share_text
from ebbmap.errors import EbbmapError
from ebbmap.kernels.resampling import check_level

#: A regression on k numbers needs so many draws more to know its own errors.
SPARE_DRAWS = 20


@dataclass(frozen=True)
class Effects:
    """First-order effect of each unknown number on a conclusion; shape (k,) each."""

    index: np.ndarray
    """Share of the conclusion's variance that this number alone accounts for [1]."""
    error: np.ndarray
    """Standard error of the index [1]."""
    slope: np.ndarray
    """Change of the conclusion when the number is one standard error higher."""
    explained: float
    """Share of the variance that all of them account for, one by one [1]."""


def least_draws(level: float) -> int:
    """Return the fewest draws whose ends lie as far out as an interval of this level.

    Examples
    --------
    >>> least_draws(0.95), least_draws(0.9)
    (39, 19)
    """
    check_level(level)
    return ceil(round(2.0 / (1.0 - level), 9)) - 1


def check_draws(draws: int, level: float) -> None:
    """Refuse fewer outer draws than an interval of this level needs.

    Raises
    ------
    EbbmapError
        With how many are needed.
    """
    least = least_draws(level)
    if draws < least:
        raise EbbmapError(
            f"knowledge must be at least {least} outer draws for an interval of "
            f"{share_text(level)}; got "
            f"{draws}. Draw more, or take a lower level."
        )


def knowledge_interval(conclusion: np.ndarray, *, level: float = 0.95) -> np.ndarray:
    """Return where a conclusion lies over what the numbers behind it may be.

    Parameters
    ----------
    conclusion : array_like, shape (m, ...)
        Such as a share, in each outer draw; NaN where a draw has none.
    level : float
        Level of the interval, in (0, 1).

    Returns
    -------
    ndarray, shape (2, ...)
        Lower and upper end. NaN where too few draws have a conclusion.

    Raises
    ------
    EbbmapError
        If there are too few draws.

    Notes
    -----
    Ends are the order statistics at level / 2 of m + 1, between which one more draw lies with
    probability `level` whatever the distribution [1]_. They hold the noise of the inner sample
    only so far as it differs between draws, which common random numbers make small.

    References
    ----------
    .. [1] Wilks, Ann Math Stat 1941;12:91 (from memory).

    Examples
    --------
    >>> knowledge_interval(np.arange(39.0)).round(9).tolist()
    [0.0, 38.0]
    """
    values = np.asarray(conclusion, float)
    check_draws(len(values), level)
    few = np.isfinite(values).sum(axis=0) < least_draws(level)
    ends = [0.5 - level / 2.0, 0.5 + level / 2.0]
    filled = np.where(few, 0.0, values)
    return np.where(few, np.nan, np.nanquantile(filled, ends, axis=0, method="weibull"))


def linear_effects(scores: np.ndarray, conclusion: np.ndarray) -> Effects:
    """Rank unknown numbers by straight regression of a conclusion on them.

    Parameters
    ----------
    scores : array_like, shape (m, k)
        Outer sample: each number's standard normal score, independent of the others'.
    conclusion : array_like, shape (m,)
        Such as a share, in each draw.

    Returns
    -------
    Effects
        All NaN, with slopes 0, where the conclusion is the same in every draw.

    Raises
    ------
    EbbmapError
        If there are too few draws for so many numbers, or a draw has no conclusion.

    Notes
    -----
    The index is (slope^2 - its sampling variance) / variance of the conclusion: without bias in
    the numerator, so that noise ranks at zero on average; a negative index is left as it is.
    Exact for a conclusion that is linear in independent Gaussian numbers. Errors are those of the
    numerator.

    Examples
    --------
    >>> x = np.random.default_rng(0).standard_normal((2000, 2))
    >>> linear_effects(x, 3.0 * x[:, 0] + 4.0 * x[:, 1]).slope.round(9).tolist()
    [3.0, 4.0]
    """
    x, y = _checked(scores, conclusion)
    m, k = x.shape
    total = float(y.var(ddof=1))
    if total == 0.0:
        unknown = np.full(k, np.nan)
        return Effects(unknown, unknown, np.zeros(k), np.nan)
    design = np.column_stack([np.ones(m), x])
    inverse = np.linalg.inv(design.T @ design)
    slopes = inverse @ (design.T @ y)
    left = y - design @ slopes
    variance = np.diag(inverse)[1:] * float(left @ left) / (m - k - 1)
    squares = slopes[1:] ** 2 - variance
    index = squares / total
    error = np.sqrt(4.0 * np.maximum(squares, 0.0) * variance + 2.0 * variance**2) / total
    return Effects(index, error, slopes[1:], float(index.sum()))


def _checked(scores: np.ndarray, conclusion: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return both as arrays; refuse what cannot be ranked."""
    x, y = np.asarray(scores, float), np.asarray(conclusion, float)
    if x.ndim != 2 or y.shape != x.shape[:1]:
        raise EbbmapError(f"scores and conclusion must have the same draws: {x.shape}, {y.shape}.")
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        raise EbbmapError("scores and conclusion must be finite. Leave out draws that failed.")
    least = x.shape[1] + SPARE_DRAWS
    if len(y) < least:
        raise EbbmapError(
            f"{x.shape[1]} numbers need at least {least} outer draws; got {len(y)}. Draw more."
        )
    return x, y
