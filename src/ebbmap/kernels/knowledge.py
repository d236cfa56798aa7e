"""What follows from not knowing the numbers behind a population: two intervals and a ranking.

An outer sample draws what is not known (centres, spreads, correlations, as standard normal
scores), an inner sample draws lungs from each population that comes of it. A share of lungs then
has two intervals: that of the lungs that happened to be drawn, which more lungs make narrower,
and that of knowledge, which only measurement makes narrower.
Sizes: m outer draws, n inner lungs, k unknown numbers, b bins.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from ebbmap.errors import EbbmapError
from ebbmap.kernels.resampling import check_level
from ebbmap.kernels.shares import wilson

#: Fewer outer draws than this give no quantiles worth a name.
LEAST_DRAWS = 20


class TwoIntervals(NamedTuple):
    """A share of lungs with both of its intervals, each a lower and an upper bound."""

    share: float
    """At the central numbers."""
    lungs: tuple[float, float]
    """Of the lungs drawn: where the share at the central numbers lies."""
    knowledge: tuple[float, float]
    """Of knowledge: where the share lies over what the numbers may be."""
    sd_knowledge: float
    """Standard deviation of the share over what the numbers may be, inner noise taken off."""


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


def two_intervals(
    central: tuple[int, int], counts: np.ndarray, n: int, *, level: float = 0.95
) -> TwoIntervals:
    """Return both intervals of a share.

    Parameters
    ----------
    central : (int, int)
        How many lungs count, and of how many, at the central numbers.
    counts : array_like of int, shape (m,)
        How many lungs count in each outer draw, of `n` drawn independently in each.
    n : int
        Inner lungs, >= 2.
    level : float
        Level of both intervals, in (0, 1).

    Returns
    -------
    TwoIntervals

    Raises
    ------
    EbbmapError
        If there are too few draws, or a count is not possible.

    Notes
    -----
    The shares p_i = counts / n spread by what the numbers do and by the noise of n lungs, whose
    variance p_i (1 - p_i) / (n - 1) is known without bias. The quantiles of the p_i are drawn
    towards their mean until only the first part is left: exact where the shares are normal, and
    nearly so where n is large.

    Examples
    --------
    Nothing is unknown, so what spreads is noise of the lungs:

    >>> counts = np.random.default_rng(0).binomial(100, 0.3, 400)
    >>> both = two_intervals((30, 100), counts, 100)
    >>> [round(float(x), 2) for x in both.lungs], both.sd_knowledge < 0.02
    ([0.22, 0.4], True)
    """
    check_level(level)
    counts = np.asarray(counts)
    if counts.size < LEAST_DRAWS or n < 2:
        raise EbbmapError(
            f"knowledge needs at least {LEAST_DRAWS} outer draws of 2 lungs; got {counts.size} of "
            f"{n}. Draw more."
        )
    if counts.min() < 0 or counts.max() > n:
        raise EbbmapError(f"a count must be 0 to {n}; got {counts.min()} to {counts.max()}.")
    met, of = central
    low, high = (float(x) for x in wilson(met, of, level))
    shares = counts / n
    total = float(shares.var(ddof=1))
    noise = float((shares * (1.0 - shares)).mean() / (n - 1))
    kept = float(np.sqrt(max(total - noise, 0.0) / total)) if total > 0.0 else 0.0
    ends = np.quantile(shares, [0.5 - level / 2.0, 0.5 + level / 2.0])
    drawn = shares.mean() + kept * (ends - shares.mean())
    sd = float(np.sqrt(max(total - noise, 0.0)))
    return TwoIntervals(met / of, (low, high), (float(drawn[0]), float(drawn[1])), sd)


def linear_effects(scores: np.ndarray, conclusion: np.ndarray, *, noise: float = 0.0) -> Effects:
    """Rank unknown numbers by straight regression of a conclusion on them.

    Parameters
    ----------
    scores : array_like, shape (m, k)
        Outer sample: each number's standard normal score, independent of the others'.
    conclusion : array_like, shape (m,)
        Such as a share, in each draw.
    noise : float
        Variance that the inner sample adds to the conclusion, taken off.

    Returns
    -------
    Effects

    Raises
    ------
    EbbmapError
        If there are too few draws for so many numbers, or the conclusion does not vary.

    Notes
    -----
    The index is (slope^2 - its sampling variance) / variance of the conclusion: without bias in
    the numerator, so that noise ranks at zero on average; a negative index is left as it is.
    Exact for a conclusion that is linear in independent Gaussian numbers.

    Examples
    --------
    >>> x = np.random.default_rng(0).standard_normal((2000, 2))
    >>> linear_effects(x, 3.0 * x[:, 0] + 4.0 * x[:, 1]).slope.round(9).tolist()
    [3.0, 4.0]
    """
    x, y = _checked(scores, conclusion, noise)
    m, k = x.shape
    design = np.column_stack([np.ones(m), x])
    inverse = np.linalg.inv(design.T @ design)
    slopes = inverse @ (design.T @ y)
    left = y - design @ slopes
    variance = np.diag(inverse)[1:] * float(left @ left) / (m - k - 1)
    total = float(y.var(ddof=1)) - noise
    squares = slopes[1:] ** 2 - variance
    index = squares / total
    error = np.sqrt(4.0 * np.maximum(squares, 0.0) * variance + 2.0 * variance**2) / total
    return Effects(index, error, slopes[1:], float(index.sum()))


def binned_effects(
    scores: np.ndarray, conclusion: np.ndarray, *, bins: int = 8, noise: float = 0.0
) -> Effects:
    """Rank unknown numbers by how the conclusion's mean varies between bins of each.

    Parameters
    ----------
    scores : array_like, shape (m, k)
        Outer sample, one column for each number; any distribution.
    conclusion : array_like, shape (m,)
        Such as a share, in each draw.
    bins : int
        Bins b with equally many draws, >= 2.
    noise : float
        Variance that the inner sample adds to the conclusion, taken off.

    Returns
    -------
    Effects
        `slope` is that of the straight line through each number alone.

    Raises
    ------
    EbbmapError
        If there are fewer than four draws a bin, or the conclusion does not vary.

    Notes
    -----
    Sum of squares between bins, less what chance puts there. It sees bends that a line does not,
    and loses what varies within a bin: of a normal number and eight bins a twentieth.
    """
    x, y = _checked(scores, conclusion, noise, columns=1)
    m = len(y)
    if bins < 2 or m < 4 * bins:
        raise EbbmapError(f"{bins} bins need at least {4 * bins} draws; got {m}. Take fewer bins.")
    place = np.arange(m) * bins // m
    sizes = np.bincount(place)
    sorted_y = y[np.argsort(x, axis=0, kind="stable")]
    means = np.stack([np.bincount(place, column) / sizes for column in sorted_y.T], axis=1)
    between = sizes @ (means - y.mean()) ** 2
    within = ((sorted_y - means[place]) ** 2).sum(axis=0) / (m - bins)
    total = float(y.var(ddof=1)) - noise
    more = between - (bins - 1) * within
    index = more / (m - 1) / total
    variance = 4.0 * np.maximum(more, 0.0) * within + 2.0 * (bins - 1) * within**2
    error = np.sqrt(variance) / (m - 1) / total
    centred = x - x.mean(axis=0)
    slope = centred.T @ y / (centred**2).sum(axis=0)
    return Effects(index, error, slope, float(index.sum()))


def _checked(
    scores: np.ndarray, conclusion: np.ndarray, noise: float, columns: int | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Return both as arrays; refuse what cannot be ranked."""
    x, y = np.asarray(scores, float), np.asarray(conclusion, float)
    if x.ndim != 2 or y.shape != x.shape[:1]:
        raise EbbmapError(f"scores and conclusion must have the same draws: {x.shape}, {y.shape}.")
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        raise EbbmapError("scores and conclusion must be finite. Leave out draws that failed.")
    k = x.shape[1] if columns is None else columns
    if len(y) < max(k + 3, LEAST_DRAWS):
        raise EbbmapError(
            f"{k} numbers need at least {max(k + 3, LEAST_DRAWS)} outer draws; got {len(y)}. "
            "Draw more."
        )
    if not float(y.var(ddof=1)) > noise:
        raise EbbmapError(
            "the conclusion must vary more than its inner noise; it does not. Draw more lungs, or "
            "take it that no unknown number moves it."
        )
    return x, y
