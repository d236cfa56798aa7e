"""Sparse polynomial chaos: a smooth outcome as few Hermite polynomials of normal scores.

Sizes: n cases, d scores, k terms kept of the p that may be.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

#: Hyperbolic truncation: sum of degrees to the power NORM at most that of the largest degree,
#: which is one of these.
NORM, TRIED = 0.6, (1, 2, 3, 4, 5, 6, 8)

#: Terms that a candidate set may have; larger sets are not tried.
MOST_TERMS = 3000

#: Largest degree of a logarithm: what is exponentiated must not run away.
IN_LOGS = 4

#: How far a sum may go beyond the cases, as a share of their range.
BEYOND = 0.25

#: Share of the cases that the kept terms may be, and parts of the cases left out in turn.
MOST_KEPT, FOLDS = 0.4, 8


@dataclass(frozen=True)
class Chaos:
    """A sum of products of normalised Hermite polynomials.

    Parameters
    ----------
    degrees : ndarray of int, shape (k, d)
        Degree of each term in each score.
    coefficients : ndarray, shape (k,)
        Of each term; the constant's is the mean.
    q2 : float
        1 less the error on cases left out over the variance; 1 for an output that does not vary.
    logarithm : bool
        Whether the sum is the output's logarithm.
    span : tuple of float
        Ends of the sum: those of the cases, and a quarter of their range beyond. Polynomials
        run away where there were no cases.
    """

    degrees: np.ndarray
    coefficients: np.ndarray
    q2: float
    logarithm: bool = False
    span: tuple[float, float] = (-np.inf, np.inf)

    def predict(self, scores: np.ndarray) -> np.ndarray:
        """Return the output at normal scores, shape (n, d) to (n,)."""
        low, high = self.span
        predicted = np.clip(basis(scores, self.degrees) @ self.coefficients, low, high)
        return np.exp(predicted) if self.logarithm else predicted


def fit_chaos(scores: np.ndarray, output: np.ndarray) -> Chaos:
    """Fit the terms that explain an output best, as many as cases left out support.

    Parameters
    ----------
    scores : ndarray, shape (n, d)
        Independent standard normal scores.
    output : ndarray, shape (n,)
        All finite. It should be smooth: never a margin, which has kinks, nor a verdict.

    Returns
    -------
    Chaos

    Notes
    -----
    Orthogonal matching pursuit over hyperbolic sets of terms. Degree and number of terms are those
    that foretell best an eighth of the cases, left out of selection and fit in turn. (The shortcut
    by the hat matrix leaves the selection out of account: it was ten times too small here.)
    Where all values are positive, their logarithm is tried too: it tames long tails.

    References
    ----------
    .. [1] Blatman G, Sudret B, J Comput Phys 2011;230:2345 (from memory): hyperbolic
       sets of terms, one selected after the other.

    Examples
    --------
    >>> z = np.random.default_rng(0).standard_normal((100, 3))
    >>> found = fit_chaos(z, 1.0 + z[:, 0] * z[:, 1])
    >>> found.q2 > 0.999, found.degrees[np.abs(found.coefficients) > 1e-9].tolist()
    (True, [[0, 0, 0], [1, 1, 0]])
    """
    d = scores.shape[1]
    variance = float(np.var(output))
    if variance <= 64.0 * (np.finfo(float).eps * float(np.abs(output).max(initial=0.0))) ** 2:
        return Chaos(np.zeros((1, d), int), np.array([float(output.mean())]), 1.0)
    best, kept, degrees, logarithm = np.inf, 1, np.zeros((1, d), int), False
    for degree in TRIED:
        tried = terms(d, degree)
        if len(tried) > MOST_TERMS:
            break
        candidates = basis(scores, tried)
        for in_logs in (False, True) if output.min() > 0 and degree <= IN_LOGS else (False,):
            error = _left_out_error(candidates, output, in_logs)
            if error.min() < best:
                best, kept = float(error.min()), int(error.argmin()) + 1
                degrees, logarithm = tried, in_logs
    candidates = basis(scores, degrees)
    fitted = np.log(output) if logarithm else output
    chosen, _ = _pursue(candidates, fitted, candidates[:0], kept)
    coefficients = np.linalg.lstsq(candidates[:, chosen], fitted, rcond=None)[0]
    return Chaos(degrees[chosen], coefficients, 1.0 - best / variance, logarithm, _span_of(fitted))


def _span_of(fitted: np.ndarray) -> tuple[float, float]:
    """Return the ends that a sum is kept within."""
    low, high = float(fitted.min()), float(fitted.max())
    beyond = BEYOND * (high - low)
    return low - beyond, high + beyond


def _left_out_error(candidates: np.ndarray, output: np.ndarray, in_logs: bool) -> np.ndarray:
    """Return the mean square error on cases left out, by the number of terms."""
    fitted = np.log(output) if in_logs else output
    n = len(output)
    fold = np.arange(n) % FOLDS
    most = max(1, int(MOST_KEPT * (n - n // FOLDS - 1)))
    total = np.zeros(most)
    for part in range(FOLDS):
        out = fold == part
        _, foretold = _pursue(candidates[~out], fitted[~out], candidates[out], most)
        foretold = np.clip(foretold, *_span_of(fitted[~out]))
        foretold = np.exp(foretold) if in_logs else foretold
        square = ((foretold - output[out]) ** 2).sum(axis=1)
        # where nothing is left to be explained, further terms change nothing
        total += np.append(square, np.full(most - len(square), square[-1]))
    return total / n


def _pursue(
    candidates: np.ndarray, output: np.ndarray, others: np.ndarray, most: int
) -> tuple[list[int], np.ndarray]:
    """Choose terms one after the other, each the one that explains most of what is left.

    Returns
    -------
    tuple of list of int and ndarray, shape (k, m)
        The terms, and what the first 1 to k of them foretell of other cases, shape (m, p).
    """
    lengths = np.linalg.norm(candidates, axis=0)
    lengths = np.where(lengths > 0, lengths, np.inf)
    n = len(output)
    chosen, columns = [0], np.full((1, n), 1.0 / np.sqrt(n))
    mirrored = np.full((1, len(others)), 1.0 / np.sqrt(n))
    foretold = [np.full(len(others), output.mean())]
    residual = output - output.mean()
    small = 1e-13 * float(np.linalg.norm(residual))
    while len(chosen) < most and np.linalg.norm(residual) > small:
        gain = np.abs(residual @ candidates) / lengths
        gain[chosen] = -1.0
        term = int(gain.argmax())
        own, other = candidates[:, term], others[:, term]
        for _ in range(2):  # twice is enough for orthogonality to rounding
            along = columns @ own
            own, other = own - along @ columns, other - along @ mirrored
        length = float(np.linalg.norm(own))
        if length < 1e-8 * lengths[term]:
            break
        chosen.append(term)
        columns = np.vstack([columns, own / length])
        mirrored = np.vstack([mirrored, other / length])
        part = float(columns[-1] @ residual)
        residual = residual - part * columns[-1]
        foretold.append(foretold[-1] + part * mirrored[-1])
    return chosen, np.array(foretold)


def terms(d: int, degree: int) -> np.ndarray:
    """Return the degrees of the candidate terms, the constant first, shape (p, d)."""
    found = _within(d, degree**NORM)
    return np.array(sorted(found, key=lambda term: (sum(term), term)))


def _within(d: int, room: float) -> Iterator[tuple[int, ...]]:
    """Yield degrees of d scores whose powers add up to no more than `room`."""
    if d == 0:
        yield ()
        return
    degree = 0
    while degree**NORM <= room + 1e-9:
        for rest in _within(d - 1, room - degree**NORM):
            yield (degree, *rest)
        degree += 1


def basis(scores: np.ndarray, degrees: np.ndarray) -> np.ndarray:
    """Return each term at each case, shape (n, k): orthonormal over normal scores.

    Examples
    --------
    >>> basis(np.array([[2.0]]), np.array([[0], [1], [2]])).round(3).tolist()
    [[1.0, 2.0, 2.121]]
    """
    top = int(degrees.max(initial=0))
    table = np.empty((top + 1, *scores.shape))
    table[0] = 1.0
    if top:
        table[1] = scores
    for degree in range(1, top):
        # normalised: sqrt(m + 1) h_(m+1) = x h_m - sqrt(m) h_(m-1)
        table[degree + 1] = (scores * table[degree] - np.sqrt(degree) * table[degree - 1]) / (
            np.sqrt(degree + 1.0)
        )
    product = np.ones((len(scores), len(degrees)))
    for column in range(scores.shape[1]):
        some = np.flatnonzero(degrees[:, column])
        product[:, some] *= table[degrees[some, column], :, column].T
    return product


def widened(bound: np.ndarray, share: np.ndarray, side: int) -> np.ndarray:
    """Return a bound of an index of a surrogate as a bound of the index of what it stands for.

    Parameters
    ----------
    bound : ndarray, shape (...)
        Lower or upper bound of the interval of the surrogate's index.
    share : ndarray, shape (...)
        Variance of what the surrogate gets wrong over its own variance.
    side : {-1, 1}
        Lower or upper.

    Notes
    -----
    The square root of an index is the length of a projection of the output over the length of the
    output itself; by the triangle inequality neither length moves by more than the error's.

    Examples
    --------
    >>> bounds = (widened(np.array(0.5), np.array(1e-4), side) for side in (-1, 1))
    >>> [round(float(bound), 3) for bound in bounds]
    [0.476, 0.525]
    """
    stray = np.sqrt(share)
    length = np.sqrt(np.maximum(bound, 0.0))
    if side < 0:
        moved = (np.maximum(length - stray, 0.0) / (1.0 + stray)) ** 2
        return np.where(bound < 0, bound, moved)
    moved = ((length + stray) / np.maximum(1.0 - stray, 1e-9)) ** 2
    return np.where(np.isnan(bound), bound, np.minimum(moved, np.maximum(1.0, bound)))
