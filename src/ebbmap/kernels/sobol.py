"""Variance-based sensitivity: Sobol indices of many outputs at once, with intervals.

Every estimator is a mean of products over the base rows. A resample, or a replicate left out, is
a weighted mean of the same products, so all of them for all outputs are one matrix product.
Sizes: n base rows, d factors, s outputs, r rows of a base block (2 d + 2, or d + 2), m resamples.

Outputs are centred on their mean over all rows. With BA rows, and D_j the mean of
(A - B)^2 + (AB_j - BA_j)^2, the estimators are those of Azzini, Mara and Rosati [2]_,
S_j = 2 <(BA_j - B)(A - AB_j)> / D_j and T_j = <(B - BA_j)^2 + (A - AB_j)^2> / D_j, which use
every row, and for pairs, by the same reasoning,
S_jk = 1 - 2 <(BA_j - AB_k)^2 + (BA_k - AB_j)^2> / (D_j + D_k) - S_j - S_k.
On the same rows they have a half to a twentieth of the older ones' variance. Without BA rows, and
with V the variance over A and B, S_j = <B (AB_j - A)> / V and T_j = <(A - AB_j)^2> / 2V, as in
SALib [1]_. A resample weighs each base row by how often it was drawn; the estimate itself is the
resample that takes every row once.
Intervals of replicates take their skewness and kurtosis into account (`replicate_interval`);
those of a yes-or-no output that few events decide are intervals of counts (`kernels.events`).
A row bootstrap covers all but 100 % on a scrambled Sobol design, whose evenness it cannot see;
replicates can (tests/external measures both).
Memory beyond the outputs is about 8 n (m + 1) bytes and a few times `PRODUCT_BYTES`.

References
----------
.. [1] Saltelli A et al. Comput Phys Commun 2010;181:259-270, doi:10.1016/j.cpc.2009.09.018
   (first order and total without BA rows).
.. [2] Azzini I, Mara TA, Rosati R. Comparison of two sets of Monte Carlo estimators of Sobol'
   indices. Environ Model Softw 2021;144:105167 (from memory; derived again in tests/external).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

import numpy as np
import numpy.typing as npt

from ebbmap.errors import DesignMismatchError, EbbmapError, NonFiniteOutcomeError
from ebbmap.kernels.carrying import enough_rows
from ebbmap.kernels.events import count_intervals, enough_events, two_values
from ebbmap.kernels.resampling import (
    RandomSource,
    Weighing,
    check_level,
    kept_weight,
    weighted_means,
)

NanPolicy = Literal["raise", "drop_block"]

#: Outputs of A, B, AB and BA rows; the last are None without second order.
Parts = tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray | None]

#: An output whose deviation is within this many roundings of its size does not vary at all.
CONSTANT_ROUNDINGS = 64

#: Bytes of products held at a time: wide enough for BLAS, small beside the outputs themselves.
PRODUCT_BYTES = 64 * 2**20


@dataclass(frozen=True)
class SobolIndices:
    """Sobol indices of s outputs to d factors.

    Parameters
    ----------
    first, total : ndarray, shape (d, s)
        First-order and total indices [1]. NaN for an output that does not vary. An estimate can
        be negative or above one.
    second : ndarray, shape (d, d, s), or None
        Second-order indices [1], symmetric, NaN on the diagonal; None without second order.
    first_interval, total_interval : ndarray, shape (d, s, 2)
        Lower and upper bound [1]. NaN where too few base rows carry the index or the output
        (`kernels.carrying`), or too few events (`kernels.events`): none can then be trusted.
    second_interval : ndarray, shape (d, d, s, 2), or None
        Lower and upper bound [1], NaN likewise.
    variance : ndarray, shape (s,)
        Variance of each output over the A and B rows [square of the output's unit].
    dropped : ndarray of int, shape (s,)
        Base rows left out because a value in their block is not finite.
    """

    first: np.ndarray
    total: np.ndarray
    second: np.ndarray | None
    first_interval: np.ndarray
    total_interval: np.ndarray
    second_interval: np.ndarray | None
    variance: np.ndarray
    dropped: np.ndarray

    @classmethod
    def of(
        cls,
        points: np.ndarray,
        bounds: np.ndarray,
        variance: np.ndarray,
        dropped: np.ndarray,
        *,
        factors: int,
        pairs: list[tuple[int, int]] | None,
    ) -> SobolIndices:
        """Sort estimates and bounds, shape (2 d + pairs, s) and (..., s, 2), by their order."""
        first, total, second = _by_order(points, factors, pairs)
        first_bounds, total_bounds, second_bounds = _by_order(bounds, factors, pairs)
        intervals = first_bounds, total_bounds, second_bounds
        return cls(first, total, second, *intervals, variance, dropped)


def split(outputs: npt.ArrayLike, factors: int, second_order: bool = True) -> Parts:
    """View the outputs of a Saltelli design by their parts.

    Parameters
    ----------
    outputs : ndarray, shape (n r, s)
        Outputs in design order: for each base row A, AB_1 ... AB_d, then BA_1 ... BA_d with
        second order, then B.
    factors : int
        Number of factors d.
    second_order : bool
        Whether the design holds the BA rows.

    Returns
    -------
    a, b : ndarray, shape (n, s)
        Outputs of the two base samples.
    ab : ndarray, shape (n, d, s)
        Outputs of A with one column taken from B.
    ba : ndarray, shape (n, d, s), or None
        Outputs of B with one column taken from A; None without second order.

    Raises
    ------
    DesignMismatchError
        If the number of rows is not a multiple of r.

    Examples
    --------
    >>> a, b, ab, ba = split(np.arange(12.0)[:, None], 2)
    >>> a[:, 0].tolist(), b[:, 0].tolist(), ab[0, :, 0].tolist()
    ([0.0, 6.0], [5.0, 11.0], [1.0, 2.0])
    """
    return _parts(_blocks(np.asarray(outputs), factors, second_order), factors)


def sobol_indices(
    outputs: npt.ArrayLike,
    *,
    factors: int,
    second_order: bool = True,
    replicates: int = 1,
    resamples: int = 1000,
    level: float = 0.95,
    rng: RandomSource = None,
    nan_policy: NanPolicy = "raise",
) -> SobolIndices:
    """Estimate first-order, total and second-order Sobol indices, with intervals.

    Parameters
    ----------
    outputs : array_like, shape (n r, s)
        Outputs of a Saltelli design, in design order (`split`).
    factors : int
        Number of factors d.
    second_order : bool
        Whether the design holds the BA rows.
    replicates : int
        Independent randomisations that the base rows are dealt from in turn. With two or more,
        intervals come from leaving out one at a time; with one, from a bootstrap of base rows.
    resamples : int
        Bootstrap resamples m of the base rows, >= 2. All outputs share them.
    level : float
        Probability that an interval is to cover, in (0, 1).
    rng : int, Generator or SeedSequence, optional
        Seed (0 is one) or source of the resamples; fresh entropy if None.
    nan_policy : {"raise", "drop_block"}
        Refuse outputs that are not finite, or give their base rows no weight.

    Returns
    -------
    SobolIndices

    Raises
    ------
    DesignMismatchError
        If the number of rows is not a multiple of r.
    NonFiniteOutcomeError
        If a value is not finite and `nan_policy` is "raise".
    EbbmapError
        If `replicates`, `resamples`, `level` or `nan_policy` is not legal.

    Examples
    --------
    An output that equals the first of two factors, so that AB_1 gives B and AB_2 gives A:

    >>> a, b = np.random.default_rng(0).random((2, 4096))
    >>> outputs = np.stack([a, b, a, b], axis=1).reshape(-1, 1)
    >>> indices = sobol_indices(outputs, factors=2, second_order=False, rng=0)
    >>> indices.first[:, 0].round(1).tolist(), indices.total[:, 0].round(1).tolist()
    ([1.0, 0.0], [1.0, 0.0])
    """
    blocks = _blocks(np.asarray(outputs, dtype=float), factors, second_order)
    check_level(level)
    kept = _kept_rows(blocks, nan_policy)
    n, pairs = len(blocks), list(combinations(range(factors), 2)) if second_order else None
    weighing = Weighing.of(n, replicates=replicates, resamples=resamples, level=level, rng=rng)
    points, both, variance = _estimate_all(weighing, blocks, kept, factors, pairs or [])
    dropped = n - kept.sum(axis=0)
    return SobolIndices.of(points, both, variance, dropped, factors=factors, pairs=pairs)


def _blocks(outputs: np.ndarray, factors: int, second_order: bool) -> np.ndarray:
    """View outputs, shape (n r, s), as base blocks, shape (n, r, s)."""
    if factors < 1:
        raise DesignMismatchError(f"factors must be >= 1; got {factors}.")
    if outputs.ndim != 2:
        raise DesignMismatchError(
            f"outputs must have two axes, rows and outputs; got shape {outputs.shape}."
        )
    block = (2 if second_order else 1) * factors + 2
    if len(outputs) == 0 or len(outputs) % block:
        raise DesignMismatchError(
            f"{factors} factors {'with' if second_order else 'without'} second order take a "
            f"multiple of {block} rows; got {len(outputs)}. Pass the outputs of the whole design."
        )
    return outputs.reshape(-1, block, outputs.shape[1])


def _parts(blocks: np.ndarray, factors: int) -> Parts:
    ba = blocks[:, factors + 1 : -1] if blocks.shape[1] > factors + 2 else None
    return blocks[:, 0], blocks[:, -1], blocks[:, 1 : factors + 1], ba


def _kept_rows(blocks: np.ndarray, nan_policy: str) -> np.ndarray:
    """Return which base rows are finite, shape (n, s) of bool; refuse others unless dropped."""
    if nan_policy not in ("raise", "drop_block"):
        raise EbbmapError(f"nan_policy must be 'raise' or 'drop_block'; got {nan_policy!r}.")
    finite = np.isfinite(blocks)
    kept: np.ndarray = finite.all(axis=1)
    if nan_policy == "raise" and not kept.all():
        lost = ~finite.reshape(-1, blocks.shape[2])
        row, output = np.argwhere(lost)[0]
        raise NonFiniteOutcomeError(
            f"outputs must be finite; {lost.sum():,} of {lost.size:,} values are not "
            f'(first: row {row}, output {output}). Pass nan_policy="drop_block".'
        )
    return kept


def _by_order(
    values: np.ndarray, factors: int, pairs: list[tuple[int, int]] | None
) -> tuple[np.ndarray, np.ndarray, np.ndarray | None]:
    """Split estimates into first-order, total and second-order; the last may be None."""
    first, total, second = np.split(values, [factors, 2 * factors])
    return first, total, None if pairs is None else _symmetric(second, pairs, factors)


def _cuts(outputs: int, bytes_each: int) -> Iterator[slice]:
    step = max(1, PRODUCT_BYTES // bytes_each)
    for start in range(0, outputs, step):
        yield slice(start, min(start + step, outputs))


def _estimate_all(
    weighing: Weighing,
    blocks: np.ndarray,
    kept: np.ndarray,
    factors: int,
    pairs: list[tuple[int, int]],
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the estimates, shape (2 d + pairs, s), their intervals, and variances, shape (s,)."""
    n, _, s = blocks.shape
    columns = 2 * factors + len(pairs)
    points, ends, variance = np.empty((columns, s)), np.empty((2, columns, s)), np.empty(s)
    for cut in _cuts(s, 8 * n * (columns + factors + 2)):
        estimates, variance[cut], enough, events = _estimate(
            weighing.weights, blocks[:, :, cut], kept[:, cut], factors, pairs
        )
        points[:, cut], both = estimates[0], weighing.interval(estimates)
        first, total = estimates[0, :factors], estimates[0, factors : 2 * factors]
        within = blocks.shape[1] > factors + 2
        counted = count_intervals(first, total, events, weighing.level, within=within)
        _put_counted(both[:, : 2 * factors], counted, within=within)
        ends[:, :, cut] = np.where(enough, both, np.nan)
    return points, np.moveaxis(ends, 0, -1), variance


def _put_counted(both: np.ndarray, counted: np.ndarray, *, within: bool) -> None:
    """Put intervals of counts, NaN where there is none, in place of the replicates' or around them.

    Without BA rows chance adds to first-order indices what the events of a pair do not tell.
    """
    if within:
        np.copyto(both, counted, where=np.isfinite(counted))
    else:
        np.fmin(both[0], counted[0], out=both[0])
        np.fmax(both[1], counted[1], out=both[1])


def _estimate(
    weights: np.ndarray,
    blocks: np.ndarray,
    kept: np.ndarray,
    factors: int,
    pairs: list[tuple[int, int]],
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Estimate the indices of some outputs, for every set of weights of the base rows.

    Returns the estimates, shape (m + 1, 2 d + pairs, s): first order, total, second order of the
    pairs; the variance, shape (s,); whether enough base rows, or events, carry each estimate for
    an interval, shape (2 d + pairs, s); and the events behind the indices of each factor of a
    yes-or-no output, shape (d, s), NaN for any other.
    """
    standard, deviation = _standardise(blocks, kept)
    a, b, ab, ba = _parts(standard, factors)
    products = _saltelli(a, b, ab) if ba is None else _azzini(a, b, ab, ba, pairs)
    sums = np.stack([a + b, a**2 + b**2], axis=1)
    total = kept_weight(weights, kept)
    mean, square = np.moveaxis(weighted_means(weights, sums, total) / 2.0, 1, 0)
    variance = square - mean**2
    # what rounding leaves of equal values is no variance, and nothing can be shared out of it
    variance[variance <= CONSTANT_ROUNDINGS * np.finfo(float).eps * square] = 0.0
    varies = variance[:, None] > 0.0
    averages = weighted_means(weights, products, total)
    if ba is None:
        first, jumps = np.split(averages, 2, axis=1)
        scale = np.where(varies, variance[:, None], np.nan)
        changes = np.broadcast_to(2.0 * scale[0], (factors, *scale.shape[2:]))
        estimates = np.concatenate([first, jumps / 2.0], axis=1) / scale
    else:
        first, jumps, scale, apart = np.split(averages, np.cumsum([factors] * 3), axis=1)
        scale = np.where(varies & (scale > 0.0), scale, np.nan)
        changes = scale[0]
        first = 2.0 * first / scale
        j, k = np.array(pairs, dtype=int).reshape(-1, 2).T
        closed = 1.0 - 2.0 * apart / (scale[:, j] + scale[:, k])
        second = closed - first[:, j] - first[:, k]
        estimates = np.concatenate([first, jumps / scale, second], axis=1)
        products = np.concatenate([products[:, : 2 * factors], products[:, 3 * factors :]], axis=1)
    events = changes * kept.sum(axis=0) / two_values(standard, kept) ** 2
    trusted = np.where(
        np.isfinite(events).any(axis=0),
        enough_events(events, pairs),
        enough_rows(products, factors, sums[:, 1]),
    )
    return estimates, variance[0] * deviation**2, trusted, events


def _saltelli(a: np.ndarray, b: np.ndarray, ab: np.ndarray) -> np.ndarray:
    """Return the products behind first order and total without BA rows, shape (n, 2 d, s)."""
    jump = ab - a[:, None]
    return np.concatenate([b[:, None] * jump, jump**2], axis=1)


def _azzini(
    a: np.ndarray, b: np.ndarray, ab: np.ndarray, ba: np.ndarray, pairs: list[tuple[int, int]]
) -> np.ndarray:
    """Return the products behind all indices with BA rows, shape (n, 3 d + pairs, s).

    First order, total and scale of each factor, then how far apart the rows of each pair are.
    """
    (n, factors, s), rest = ab.shape, a[:, None] - b[:, None]
    products = np.empty((n, 3 * factors + len(pairs), s))
    first, jumps, scale = (products[:, k * factors : (k + 1) * factors] for k in range(3))
    from_a, from_b = a[:, None] - ab, ba - b[:, None]
    np.multiply(from_b, from_a, out=first)
    np.add(from_a**2, from_b**2, out=jumps)
    np.add(rest**2, (ab - ba) ** 2, out=scale)
    for column, (j, k) in enumerate(pairs, start=3 * factors):
        products[:, column] = (ba[:, j] - ab[:, k]) ** 2 + (ba[:, k] - ab[:, j]) ** 2
    return products


def _standardise(blocks: np.ndarray, kept: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Centre and scale each output over its kept rows; a row that is not kept becomes zero.

    Returns the standardised blocks, shape (n, r, s), and the scale, shape (s,); an output that
    does not vary becomes zero throughout.
    """
    whole = bool(kept.all())
    values = blocks if whole else np.where(kept[:, None], blocks, 0.0)
    size = blocks.shape[1] * np.maximum(kept.sum(axis=0), 1)
    standard = values - values.sum(axis=(0, 1)) / size
    if not whole:
        standard *= kept[:, None]
    deviation = np.sqrt(np.square(standard).sum(axis=(0, 1)) / size)
    largest = np.abs(values).max(axis=(0, 1))
    varies = deviation > CONSTANT_ROUNDINGS * np.finfo(float).eps * largest
    standard *= np.where(varies, 1.0 / np.where(varies, deviation, 1.0), 0.0)
    return standard, np.where(varies, deviation, 1.0)


def _symmetric(of_pairs: np.ndarray, pairs: list[tuple[int, int]], factors: int) -> np.ndarray:
    """Lay values of pairs, shape (pairs, ...), out as a symmetric matrix, NaN on the diagonal."""
    matrix = np.full((factors, factors, *of_pairs.shape[1:]), np.nan)
    for value, (j, k) in zip(of_pairs, pairs, strict=True):
        matrix[j, k] = matrix[k, j] = value
    return matrix
