"""Variance-based indices from a sample as it is: drawn at random, its correlations kept.

No design is needed, so lungs that were solved for something else will do. Rows must be independent
draws; points of a Sobol sequence are not, and give wrong indices.

Factors that hang together have two indices each [3]_. The full one counts all that goes with the
factor, also through others that it is correlated with; the independent one only what the factor
brings beyond the others. Without correlations both are Sobol's. The dependence is taken for a
Gaussian copula: every factor becomes a normal score by its rank, and what others foretell of it is
linear in their scores. Sizes: n cases, d factors, s outputs, k neighbours, r groups of rows.

References
----------
.. [1] Gamboa F, Gremaud P, Klein T, Lagnoux A. Bernoulli 2022;28:2345-2374 (from memory): indices
   from ranks. Here neighbours are differenced without the step from the last to the first.
.. [2] Kelley TL. Proc Natl Acad Sci USA 1935;21:554-559 (from memory): a correlation ratio without
   its bias.
.. [3] Mara TA, Tarantola S. Reliab Eng Syst Saf 2012;107:115-121 (from memory).
.. [4] Fan J, Gijbels I. Local polynomial modelling and its applications. Chapman & Hall 1996.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve_triangular
from scipy.spatial import KDTree
from scipy.special import ndtri, stdtrit
from scipy.stats import rankdata

from ebbmap.errors import EbbmapError, NonFiniteOutcomeError
from ebbmap.kernels.contrast import check_finite, check_rows
from ebbmap.kernels.resampling import REPLICATES, check_level, replicate_half_width

#: Fewer cases than this give no indices: eight in each of the usual groups.
LEAST_CASES = 8 * REPLICATES

#: Neighbours for each coordinate of a local fit, and besides.
NEIGHBOURS, MORE_NEIGHBOURS = 4, 4

CI_GIVEN = (
    "jackknife over groups of cases: estimate -/+ Student's t times its standard error; those of "
    "total indices are widened by the bias taken off, as fits to twice as many neighbours show it"
)


@dataclass(frozen=True)
class GivenData:
    """Indices of s outputs to d factors, each of shape (d, s) [1]; NaN for a constant output.

    Parameters
    ----------
    first, rank_first : ndarray
        Full first-order index: share of the variance that goes once the factor is known, from
        bins of equal size, and from neighbours in rank.
    total : ndarray
        Full total index: share that stays once all that is independent of the factor is known.
    independent_first, independent_total : ndarray
        The same for what the factor brings beyond the others.
    first_interval, rank_first_interval, total_interval, independent_first_interval,
    independent_total_interval : ndarray, shape (d, s, 2)
        Lower and upper bounds.
    """

    first: np.ndarray
    rank_first: np.ndarray
    total: np.ndarray
    independent_first: np.ndarray
    independent_total: np.ndarray
    first_interval: np.ndarray
    rank_first_interval: np.ndarray
    total_interval: np.ndarray
    independent_first_interval: np.ndarray
    independent_total_interval: np.ndarray


def normal_scores(values: np.ndarray) -> np.ndarray:
    """Turn each column into normal scores by its ranks, shape (n, d) to the same.

    Examples
    --------
    >>> normal_scores(np.array([[1.0], [5.0], [100.0]])).round(2).ravel().tolist()
    [-0.97, 0.0, 0.97]
    """
    x = np.asarray(values, float)
    return ndtri((rankdata(x, axis=0) - 0.5) / len(x))


def given_data_indices(
    values: np.ndarray,
    outputs: np.ndarray,
    *,
    correlation: np.ndarray | None = None,
    replicates: int = REPLICATES,
    level: float = 0.95,
) -> GivenData:
    """Estimate full and independent first-order and total indices from a random sample.

    Parameters
    ----------
    values : array_like, shape (n, d)
        Factors, d >= 2; they may be correlated.
    outputs : array_like, shape (n, s)
        Outputs, all finite.
    correlation : array_like, shape (d, d), optional
        Correlation of the normal scores, where it is known; else it is that of the sample, whose
        error the intervals of full total indices do not hold.
    replicates : int
        Groups of rows, of which one at a time is left out for the intervals.
    level : float
        Level of the intervals, in (0, 1).

    Returns
    -------
    GivenData
        Indices with intervals.

    Raises
    ------
    DesignMismatchError
        If values and outputs do not have the same rows.
    NonFiniteOutcomeError
        If an output is not finite.
    EbbmapError
        If a value is not finite, there are too few rows or factors, a factor does not vary or is
        a function of the others, or `replicates` or `level` is not legal.

    Examples
    --------
    >>> x = np.random.default_rng(0).standard_normal((1000, 2))
    >>> indices = given_data_indices(x, x @ [[2.0], [1.0]])
    >>> indices.first.ravel().round(1).tolist(), indices.total.ravel().round(1).tolist()
    ([0.8, 0.2], [0.8, 0.2])
    """
    x, y = np.asarray(values, float), np.asarray(outputs, float)
    check_level(level)
    _check(x, y, replicates)
    scores = normal_scores(x)
    if correlation is None:
        correlation = np.corrcoef(scores.T)
    correlation = np.asarray(correlation, float)
    constant = np.ptp(y, axis=0) == 0.0
    y = (y - y.mean(axis=0)) / np.where(constant, np.nan, y.std(axis=0))
    y = np.where(constant, 0.0, y)
    own = _beyond_others(scores, correlation)
    found = {
        "first": _each(scores, y, replicates, level),
        "rank_first": _by_rank(scores, y, replicates, level),
        "independent_first": _each(own, y, replicates, level),
        "total": _totals(scores, correlation, y, replicates, level, full=True),
        "independent_total": _totals(scores, correlation, y, replicates, level, full=False),
    }
    filled = {}
    for name, (index, half) in found.items():
        index = np.where(constant, np.nan, index)
        filled[name] = index
        filled[f"{name}_interval"] = np.stack([index - half, index + half], axis=-1)
    return GivenData(**filled)


def _check(x: np.ndarray, y: np.ndarray, replicates: int) -> None:
    """Refuse what no index can be estimated from."""
    check_rows(x, y, "outputs")
    if len(x) < LEAST_CASES or x.shape[1] < 2:
        raise EbbmapError(
            f"indices from given data need {LEAST_CASES} cases and two factors or more; got "
            f"{len(x):,} cases of {x.shape[1]} factors. Draw more lungs, or let more vary."
        )
    if not np.isfinite(y).all():
        raise NonFiniteOutcomeError("outputs must be finite. Leave the other rows out.")
    check_finite(x, "values of the factors", "rows")
    if (np.ptp(x, axis=0) == 0.0).any():
        raise EbbmapError("every factor must vary; one does not. Leave it out.")
    if np.linalg.cond(np.corrcoef(normal_scores(x).T)) > 1e8:
        raise EbbmapError("a factor is a function of the others. Leave one of them out.")
    if not 2 <= replicates <= len(x) // 8:
        raise EbbmapError(
            f"replicates must be 2 to {len(x) // 8} (an eighth of the rows); got {replicates}. "
            f"{REPLICATES} are usual."
        )


def _beyond_others(scores: np.ndarray, correlation: np.ndarray) -> np.ndarray:
    """Return what the other scores do not foretell of each, shape (n, d)."""
    inverse = np.linalg.inv(correlation)
    return scores @ (inverse / np.diag(inverse))


def _each(
    factors: np.ndarray, y: np.ndarray, replicates: int, level: float
) -> tuple[np.ndarray, np.ndarray]:
    """First-order index of every factor from bins, and half widths; shapes (d, s)."""
    group = np.arange(len(y)) % replicates
    index, half = [], []
    for column in factors.T:
        order = np.argsort(column, kind="stable")
        ranked, place, own = y[order], column[order], group[order]
        index.append(_binned_first(place, ranked))
        others = [
            _binned_first(place[own != number], ranked[own != number])
            for number in range(replicates)
        ]
        half.append(replicate_half_width(np.stack(others), level))
    return np.stack(index), np.stack(half)


def _binned_first(place: np.ndarray, ranked: np.ndarray) -> np.ndarray:
    """First-order index from lines fitted in bins of equal size, without the bias of the fits.

    `place` are the factor's increasing values, shape (n,), `ranked` the outputs there, (n, s).
    """
    n = len(ranked)
    bins = round(n ** (1.0 / 3.0))
    starts = np.arange(bins) * n // bins
    sizes = np.diff(np.append(starts, n))

    def centred(values: np.ndarray) -> np.ndarray:
        means = np.add.reduceat(values, starts, axis=0) / sizes[:, None]
        return values - np.repeat(means, sizes, axis=0)

    x, within = centred(place[:, None]), centred(ranked)
    square = np.add.reduceat(x**2, starts, axis=0)
    slope = np.add.reduceat(x * within, starts, axis=0) / np.where(square > 0.0, square, np.inf)
    left = np.square(within).sum(axis=0) - (square * slope**2).sum(axis=0)
    return 1.0 - left / (n - 2 * bins) / _variance(ranked)


def _by_rank(
    factors: np.ndarray, y: np.ndarray, replicates: int, level: float
) -> tuple[np.ndarray, np.ndarray]:
    """First-order index of every factor from neighbours in rank, and half widths; (d, s).

    A row that is left out makes others neighbours, and the jackknife would take that for an error
    of the estimate; so each group of rows gives an estimate of its own here.
    """
    rows = [np.arange(len(y))]
    rows += [rows[0][number::replicates] for number in range(replicates)]
    index, half = [], []
    for column in factors.T:
        whole, *parts = (_rank_first(y[own[np.argsort(column[own])]]) for own in rows)
        index.append(whole)
        spread = np.std(parts, axis=0, ddof=1) / np.sqrt(replicates)
        half.append(stdtrit(replicates - 1, 0.5 + level / 2.0) * spread)
    return np.stack(index), np.stack(half)


def _rank_first(ranked: np.ndarray) -> np.ndarray:
    """First-order index from outputs in the factor's order, shape (n, s) to (s,)."""
    noise = 0.5 * np.square(np.diff(ranked, axis=0)).mean(axis=0)
    return 1.0 - noise / _variance(ranked)


def _variance(values: np.ndarray) -> np.ndarray:
    """Unbiased variance of each column; NaN where it is zero."""
    variance = values.var(axis=0, ddof=1)
    return np.where(variance > 0.0, variance, np.nan)


def _totals(
    scores: np.ndarray,
    correlation: np.ndarray,
    y: np.ndarray,
    replicates: int,
    level: float,
    *,
    full: bool,
) -> tuple[np.ndarray, np.ndarray]:
    """Total indices and half widths of their intervals, shape (d, s) each."""
    n, d = scores.shape
    neighbours = min(NEIGHBOURS * (d - 1) + MORE_NEIGHBOURS, n // 4)
    # a linear fit is off by the square of the reach, its residual's square by the fourth power
    growth = 2.0 ** (4.0 / (d - 1)) - 1.0
    group = np.arange(n) % replicates
    index, half = [], []
    for factor in range(d):
        others = np.delete(np.arange(d), factor)
        known, inner = scores[:, others], correlation[np.ix_(others, others)]
        if full:
            link = correlation[others, factor]
            known, inner = known - scores[:, [factor]] * link, inner - np.outer(link, link)
        white = solve_triangular(np.linalg.cholesky(inner), known.T, lower=True).T
        near, wide = _left_residuals(white, y, neighbours)
        left = [
            near[group != number].mean(axis=0) / _variance(y[group != number])
            for number in range(replicates)
        ]
        bias = (wide.mean(axis=0) - near.mean(axis=0)) / _variance(y) / growth
        index.append(near.mean(axis=0) / _variance(y) - bias)
        half.append(replicate_half_width(np.stack(left), level) + np.abs(bias))
    return np.stack(index), np.stack(half)


def _left_residuals(x: np.ndarray, y: np.ndarray, neighbours: int) -> list[np.ndarray]:
    """Variance that the coordinates leave at each case, from local linear fits to its neighbours.

    Parameters
    ----------
    x, y : ndarray, shape (n, d) and (n, s)
        Coordinates and outputs.
    neighbours : int
        Neighbours k of a fit; the case itself is not among them.

    Returns
    -------
    list of ndarray, shape (n, s)
        From k neighbours, and from twice as many.
    """
    tree = KDTree(x)
    _, rows = tree.query(x, k=2 * neighbours + 1)
    rows = rows[:, 1:]
    squares = []
    for count in (neighbours, 2 * neighbours):
        near = rows[:, :count]
        away = x[near] - x[:, None]
        table = np.concatenate([np.ones((*near.shape, 1)), away], axis=-1)
        # the fit at the case is the constant: weights of the neighbours, shape (n, k)
        weights = np.linalg.pinv(table)[:, 0]
        residual = y - np.einsum("nk,nks->ns", weights, y[near])
        squares.append(np.square(residual) / (1.0 + np.square(weights).sum(axis=1))[:, None])
    return squares
