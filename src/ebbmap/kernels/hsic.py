"""Dependence of any kind between a factor and an output, and whether it is more than chance.

The Hilbert-Schmidt independence criterion (HSIC) is zero only for independent variables [1]_. It
needs few cases, a random sample as it is, and no smooth outcome. Of an event, such as being
unsafe, the target index asks which factor bears on whether it happens, the conditional one which
factor still matters among the cases where it does [2]_. Factors that are correlated with an
influential one depend on the output too: a test here finds association, not cause.
Sizes: n cases, d factors, s outputs, m permutations.

References
----------
.. [1] Gretton A, Bousquet O, Smola A, Schoelkopf B. Algorithmic Learning Theory 2005:63-77 (from
   memory).
.. [2] Marrel A, Chabridon V. Reliab Eng Syst Saf 2021;214:107711 (from memory): target and
   conditional indices.
.. [3] Da Veiga S. J Stat Comput Simul 2015;85:1283-1305 (from memory): the normalised index.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ebbmap.errors import EbbmapError, NonFiniteOutcomeError
from ebbmap.kernels.contrast import check_finite, check_rows

#: What an approximate kernel may leave of any case's own value of one.
KERNEL_LEFT = 1e-10

#: Fewer cases than this, or events on a side, give no index.
LEAST_CASES = 20

PERMUTATIONS = 200


@dataclass(frozen=True)
class Dependence:
    """Dependence of s outputs on d factors, each of shape (d, s); NaN for a constant output.

    Parameters
    ----------
    index : ndarray
        Normalised HSIC: 0 where independent, 1 for an output that is the factor itself [1].
    p_value : ndarray
        Share of permutations of the cases with an HSIC at least as large, the one seen among them.
    """

    index: np.ndarray
    p_value: np.ndarray


def hsic_indices(
    values: np.ndarray,
    outputs: np.ndarray,
    *,
    permutations: int = PERMUTATIONS,
    rng: int | np.random.Generator | None = None,
) -> Dependence:
    """Measure how far each output depends on each factor, and test it.

    Parameters
    ----------
    values : array_like, shape (n, d)
        Factors, a random sample; they may be correlated.
    outputs : array_like, shape (n, s)
        Outputs, all finite.
    permutations : int
        Permutations m of the cases, >= 20.
    rng : int, Generator or SeedSequence, optional
        Source of the permutations; fresh entropy if None.

    Returns
    -------
    Dependence
        Normalised indices and their p values.

    Raises
    ------
    DesignMismatchError
        If values and outputs do not have the same rows.
    NonFiniteOutcomeError
        If an output is not finite.
    EbbmapError
        For too few cases, a value that is not finite, or too few permutations.

    Examples
    --------
    >>> x = np.random.default_rng(0).standard_normal((200, 2))
    >>> found = hsic_indices(x, x[:, :1] ** 2, rng=0)
    >>> bool(found.p_value[0, 0] < 0.01), bool(found.index[1, 0] < 0.05)
    (True, True)
    """
    x, y = np.asarray(values, float), np.asarray(outputs, float)
    _check(x, y, permutations)
    kernels = [_gaussian(column) for column in y.T]
    return _tested(x, kernels, permutations, np.random.default_rng(rng))


def target_hsic(
    values: np.ndarray,
    events: np.ndarray,
    *,
    permutations: int = PERMUTATIONS,
    rng: int | np.random.Generator | None = None,
) -> Dependence:
    """Measure which factors bear on whether an event happens.

    Parameters
    ----------
    values : array_like, shape (n, d)
        Factors.
    events : array_like of bool, shape (n, s)
        Whether each event happens.
    permutations, rng
        As in `hsic_indices`, which also says what is raised.

    Returns
    -------
    Dependence
        NaN for an event that happens in fewer than `LEAST_CASES` cases, or in all but so many.

    Notes
    -----
    The kernel of an event is one for two cases that both have it, and zero otherwise. Any other
    kernel on two values is the same once it is centred and normalised.

    Examples
    --------
    >>> x = np.random.default_rng(0).standard_normal((500, 2))
    >>> found = target_hsic(x, x[:, :1] > 1.5, rng=0)
    >>> bool(found.p_value[0, 0] < 0.01), bool(found.index[0, 0] > 5 * found.index[1, 0])
    (True, True)
    """
    x, happens = np.asarray(values, float), np.asarray(events, bool)
    _check(x, happens.astype(float), permutations)
    kernels = [_of_event(column) for column in happens.T]
    return _tested(x, kernels, permutations, np.random.default_rng(rng))


def conditional_hsic(
    values: np.ndarray,
    outputs: np.ndarray,
    event: np.ndarray,
    *,
    permutations: int = PERMUTATIONS,
    rng: int | np.random.Generator | None = None,
) -> Dependence:
    """Measure how far outputs depend on factors among the cases in which an event happens.

    Parameters
    ----------
    values, outputs
        As in `hsic_indices`.
    event : array_like of bool, shape (n,)
        Whether it happens; other cases are left out.
    permutations, rng
        As in `hsic_indices`, which also says what is raised.

    Returns
    -------
    Dependence
        NaN where fewer than `LEAST_CASES` cases have the event.
    """
    x, y, rows = np.asarray(values, float), np.asarray(outputs, float), np.asarray(event, bool)
    _check(x, y, permutations)
    if rows.sum() < LEAST_CASES:
        nothing = np.full((x.shape[1], y.shape[1]), np.nan)
        return Dependence(nothing, nothing)
    return hsic_indices(x[rows], y[rows], permutations=permutations, rng=rng)


def _check(x: np.ndarray, y: np.ndarray, permutations: int) -> None:
    """Refuse what no dependence can be measured from."""
    check_rows(x, y, "outputs")
    if len(x) < LEAST_CASES:
        raise EbbmapError(f"HSIC takes {LEAST_CASES} cases or more; got {len(x)}. Draw more.")
    if permutations < LEAST_CASES:
        raise EbbmapError(
            f"permutations must be >= {LEAST_CASES}; got {permutations}. {PERMUTATIONS} are usual."
        )
    if not np.isfinite(y).all():
        raise NonFiniteOutcomeError("outputs must be finite. Leave the other rows out.")
    check_finite(x, "values of the factors", "rows")


def _gaussian(column: np.ndarray) -> np.ndarray | None:
    """Factor of the Gaussian kernel, its width the standard deviation; None if constant.

    An incomplete Cholesky factor, shape (n, r): a smooth kernel of one variable has few
    dimensions, so that no table of n by n is needed.
    """
    spread = column.std()
    if spread == 0.0:
        return None
    place, left, columns = column / spread, np.ones(column.size), np.empty((column.size, 0))
    while left.max() > KERNEL_LEFT and columns.shape[1] < column.size:
        pivot = int(left.argmax())
        kernel = np.exp(-0.5 * np.square(place - place[pivot]))
        new = (kernel - columns @ columns[pivot]) / np.sqrt(left[pivot])
        left = np.maximum(left - new**2, 0.0)
        columns = np.column_stack([columns, new])
    return columns


def _of_event(happens: np.ndarray) -> np.ndarray | None:
    """Factor of the kernel of an event, shape (n, 1); None where too few cases are on a side."""
    count = int(happens.sum())
    if min(count, happens.size - count) < LEAST_CASES:
        return None
    return happens[:, None].astype(float)


def _criterion(one: np.ndarray, other: np.ndarray) -> float:
    """HSIC of two centred factors, up to the number of cases."""
    return float(np.square(one.T @ other).sum())


def _tested(
    x: np.ndarray, kernels: Sequence[np.ndarray | None], permutations: int, rng: np.random.Generator
) -> Dependence:
    """Normalised HSIC of every factor with every kernel of an output, and p values."""
    shape = x.shape[1], len(kernels)
    index, p_value = np.full(shape, np.nan), np.full(shape, np.nan)
    orders = [rng.permutation(len(x)) for _ in range(permutations)]
    factors = [_gaussian(column) for column in x.T]
    for i, one in enumerate(factors):
        for j, other in enumerate(kernels):
            if one is None or other is None:
                continue
            own, output = one - one.mean(axis=0), other - other.mean(axis=0)
            seen = _criterion(own, output)
            size = np.sqrt(_criterion(own, own) * _criterion(output, output))
            more = sum(_criterion(own, output[order]) >= seen for order in orders)
            index[i, j], p_value[i, j] = seen / size, (1 + more) / (1 + permutations)
    return Dependence(index, p_value)
