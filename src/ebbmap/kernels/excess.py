"""How far limits are passed: graded harm beside in or out.

Excess is the distance beyond a bound in widths of its limit, a margin with its sign turned.
Sizes: k bounds, n cases, p distances.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

#: The worst one in twenty.
TAIL = 0.05


@dataclass(frozen=True)
class Excess:
    """How far each bound is passed; NaN where it is known in no case.

    Parameters
    ----------
    expected : ndarray, shape (k,)
        Mean over the known cases of the distance beyond the bound, 0 within it.
    past : ndarray, shape (p, k)
        Share of all cases beyond the bound by more than each distance, runaways among them.
    worst : ndarray, shape (k,)
        Mean distance beyond the bound of the worst known cases; negative within it. NaN where a
        case runs away, since the worst then have no number.
    """

    expected: np.ndarray
    past: np.ndarray
    worst: np.ndarray


def excess_of(
    margins: np.ndarray,
    past: np.ndarray,
    *,
    runaway: np.ndarray | None = None,
    tail: float = TAIL,
) -> Excess:
    """Measure how far bounds are passed.

    Parameters
    ----------
    margins : ndarray, shape (k, n)
        Of the bounds; NaN where not known.
    past : ndarray, shape (p,)
        Distances beyond a bound, in widths.
    runaway : ndarray of bool, shape (k, n), optional
        Cases beyond every distance that have no number, for want of a steady state.
    tail : float
        Share of the cases that are the worst, in (0, 1].

    Examples
    --------
    >>> found = excess_of(np.array([[0.5, 0.3, -0.2, -0.4]]), np.array([0.1, 0.25]), tail=0.5)
    >>> found.expected.round(2).tolist(), found.past.tolist(), found.worst.round(2).tolist()
    ([0.15], [[0.5], [0.25]], [0.3])
    """
    beyond = -np.asarray(margins, float)
    known = ~np.isnan(beyond)
    count = known.sum(axis=1)
    over = np.where(known & (beyond > 0), beyond, 0.0).sum(axis=1)
    lost = np.zeros(beyond.shape, bool) if runaway is None else runaway
    expected = np.divide(over, count, out=np.full(len(beyond), np.nan), where=count > 0)
    past_share = np.stack([((beyond > distance) | lost).mean(axis=1) for distance in past])
    worst = np.array([worst_mean(row[one], tail) for row, one in zip(beyond, known, strict=True)])
    return Excess(expected, past_share, np.where(lost.any(axis=1), np.nan, worst))


def worst_mean(values: np.ndarray, tail: float = TAIL) -> float:
    """Return the mean of the largest share of some values, the last of them in part.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Without NaN.
    tail : float
        Share of them, in (0, 1].

    Returns
    -------
    float
        NaN where there is no value; the largest where the share is less than one value.

    References
    ----------
    .. [1] Rockafellar RT, Uryasev S, J Bank Finance 2002;26:1443 (from memory): the mean beyond a
       quantile of a sample, with the atom at the quantile split.

    Examples
    --------
    >>> worst_mean(np.array([1.0, 4.0, 2.0, 3.0]), 0.375)
    3.6666666666666665
    """
    if values.size == 0:
        return float("nan")
    wanted = tail * values.size
    largest = -np.sort(-values)[: int(np.ceil(wanted))]
    weights = np.clip(wanted - np.arange(largest.size), 0.0, 1.0)
    return float(np.average(largest, weights=weights))
