"""A moment-independent index: how much a slice of a factor changes the whole distribution.

Variance says little about a skewed outcome; the distance between distribution functions holds
for any shape [1]_. Sizes: n cases, d factors, s outputs, k slices, r replicates.

A distance is drawn upward by noise; the jackknife's estimate of that excess comes off the lower
bound only. Measured over 100 seeds on Ishigami's function (2,048 cases), a 95 % interval covers
87 % (a factor within the noise) to 99 %.

References
----------
.. [1] Pianosi F, Wagener T. Environ Model Softw 2018;108:197-207,
   doi:10.1016/j.envsoft.2018.07.019
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ebbmap.errors import EbbmapError, NonFiniteOutcomeError
from ebbmap.kernels.contrast import check_finite, check_rows
from ebbmap.kernels.resampling import (
    REPLICATES,
    RandomSource,
    check_level,
    replicate_half_width,
    replicate_weights,
)

SLICES = 10

#: Factors of pure noise that show what the index of a factor without influence looks like.
DUMMIES = 200


@dataclass(frozen=True)
class Pawn:
    """Indices of s outputs to d factors.

    Parameters
    ----------
    index : ndarray, shape (d, s)
        Median over the slices of the Kolmogorov-Smirnov distance between the output in a slice
        and overall [1], 0 to 1; NaN for an output that does not vary.
    interval : ndarray, shape (d, s, 2)
        Lower and upper bound [1].
    noise : float
        Index that a factor without influence stays below with the level's probability [1].
    largest : ndarray, shape (d, s)
        Largest of the distances [1]: a factor that acts in few cases moves one slice, and no
        median.
    largest_noise : float
        The same of a factor without influence, as `noise` [1].
    """

    index: np.ndarray
    interval: np.ndarray
    noise: float
    largest: np.ndarray
    largest_noise: float


def pawn_indices(
    values: npt.ArrayLike,
    outputs: npt.ArrayLike,
    *,
    slices: int = SLICES,
    replicates: int = REPLICATES,
    level: float = 0.95,
    rng: RandomSource = None,
) -> Pawn:
    """Estimate PAWN indices from any sample of independent factors.

    Parameters
    ----------
    values : array_like, shape (n, d)
        Factors.
    outputs : array_like, shape (n, s)
        Outputs, all finite.
    slices : int
        Slices k of equal size of each factor, >= 2.
    replicates : int
        Rows are dealt from as many independent draws in turn; intervals come from leaving out
        one at a time.
    level : float
        Level of the intervals and of the noise, in (0, 1).
    rng : int, Generator or SeedSequence, optional
        Source of the factors of pure noise; fresh entropy if None.

    Returns
    -------
    Pawn
        Indices with intervals, and the noise.

    Raises
    ------
    DesignMismatchError
        If values and outputs do not have the same rows.
    NonFiniteOutcomeError
        If an output is not finite.
    EbbmapError
        If a value of a factor is not finite, or `slices`, `replicates` or `level` not legal.

    Examples
    --------
    >>> x = np.random.default_rng(0).random((2000, 2))
    >>> pawn = pawn_indices(x, x[:, :1], rng=0)
    >>> bool(pawn.index[0, 0] > 0.4), bool(pawn.index[1, 0] < 2 * pawn.noise)
    (True, True)
    """
    x, y = np.asarray(values, float), np.asarray(outputs, float)
    check_level(level)
    check_rows(x, y, "outputs")
    if not 2 <= slices <= len(x) // 2:
        raise EbbmapError(f"slices must be 2 to {len(x) // 2}; got {slices}. 10 are usual.")
    if not np.isfinite(y).all():
        raise NonFiniteOutcomeError("outputs must be finite. Leave the other rows out.")
    check_finite(x, "values of the factors", "rows")
    inner = np.arange(1, slices) / slices
    slice_of = [_slices_of(factor, inner) for factor in x.T]
    weights = replicate_weights(len(x), replicates)
    estimates = [_of_output(slice_of, output, weights, slices, level) for output in y.T]
    parts = np.reshape(estimates, (y.shape[1], 4, x.shape[1])).transpose(1, 2, 0)
    index, low, high, largest = parts
    interval = np.clip(np.stack([low, high], axis=-1), 0.0, 1.0)
    noise, largest_noise = _noise(len(x), slices, level, np.random.default_rng(rng))
    return Pawn(index, interval, noise, largest, largest_noise)


def _slices_of(factor: np.ndarray, inner: np.ndarray) -> np.ndarray:
    """Return the slice of each case, shape (n,); where many share a value it is a slice."""
    edges = np.quantile(factor, inner)
    slices = np.searchsorted(edges, factor, side="right")
    if np.unique(edges).size < edges.size:
        slices = np.unique(slices + np.searchsorted(edges, factor), return_inverse=True)[1]
    return slices


def _of_output(
    slice_of: Sequence[np.ndarray],
    output: np.ndarray,
    weights: np.ndarray,
    slices: int,
    level: float,
) -> np.ndarray:
    """Return index, its interval and the largest distance, shape (4, d); NaN if constant."""
    estimates = np.full((4, len(slice_of)), np.nan)
    order = np.argsort(output, kind="stable")
    ranked, drawn = output[order], weights[:, order]
    if ranked[0] < ranked[-1]:
        last = np.append(ranked[1:] > ranked[:-1], True)
        whole = np.cumsum(drawn, axis=1)
        whole /= whole[:, -1:]
        for j, own in enumerate(slice_of):
            distances = _distances(own[order], drawn, whole, last, slices)
            estimates[:3, j] = _with_interval(np.median(distances, axis=0), level)
            estimates[3, j] = distances[:, 0].max()
    return estimates


def _with_interval(medians: np.ndarray, level: float) -> tuple[float, float, float]:
    """Return index and interval, from all rows and with each replicate left out."""
    index, left_out = medians[0], medians[1:]
    half = replicate_half_width(left_out, level)
    excess = max((left_out.size - 1) * (left_out.mean() - index), 0.0)
    return index, index - excess - half, index + half


def _noise(n: int, slices: int, level: float, rng: np.random.Generator) -> tuple[float, float]:
    """Return median and largest distance that pure noise stays below with the level's chance."""
    labels = np.arange(n) * slices // n
    once, whole, every = np.ones((1, n)), np.arange(1.0, n + 1.0)[None] / n, np.ones(n, bool)
    dummies = np.array(
        [
            _distances(rng.permutation(labels), once, whole, every, slices)[:, 0]
            for _ in range(DUMMIES)
        ]
    )
    median, largest = np.median(dummies, axis=1), dummies.max(axis=1)
    return float(np.quantile(median, level)), float(np.quantile(largest, level))


def _distances(
    slice_of: np.ndarray, weights: np.ndarray, whole: np.ndarray, last: np.ndarray, slices: int
) -> np.ndarray:
    """Return the distance of each slice to the whole, for every set of weights, (k, r + 1).

    All arrays are in the order of the output; `whole` is its distribution function, shape
    (r + 1, n), and a gap counts only where `last` says that the next value differs.
    """
    distances = []
    for number in range(slices):
        rows = np.flatnonzero(slice_of == number)
        if not rows.size:
            continue
        inside = np.cumsum(weights[:, rows], axis=1)
        inside /= inside[:, -1:]
        if last.all():
            # the largest gap lies at a step of the slice's function, or just before one
            before = np.concatenate([whole[:, rows[1:] - 1], np.ones((len(whole), 1))], axis=1)
            gaps = np.maximum(np.abs(inside - whole[:, rows]), np.abs(inside - before))
            first = whole[:, rows[0] - 1] if rows[0] else np.zeros(len(whole))
            distances.append(np.maximum(gaps.max(axis=1), first))
        else:
            share = np.concatenate([np.zeros((len(weights), 1)), inside], axis=1)
            count = np.searchsorted(rows, np.flatnonzero(last), side="right")
            distances.append(np.abs(share[:, count] - whole[:, last]).max(axis=1))
    return np.array(distances)
