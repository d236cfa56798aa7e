"""Shapley effects: shares of a variance among factors that may depend on each other.

With dependent factors the Sobol indices no longer add up to one; Shapley effects do, whatever
the dependence. All 2^g subsets of g players are solved, which is cheap while g is small.
Sizes: n base rows, d factors, g players (factors, or groups of them), s outputs, c = 2^g subsets.

With Y the output of the full subset and Y_k that of the subset k kept, the share of the variance
that the others cause when k is known is worth(others) = <(Y - Y_k)^2> / 2V [1]_: two draws given
k differ by what k leaves open, so no inner loop is needed. The worth of all players is one, which
makes the effects add up.

References
----------
.. [1] Song E, Nelson BL, Staum J. SIAM/ASA J Uncertain Quantif 2016;4:1060-1083,
   doi:10.1137/15M1048070
"""

from __future__ import annotations

from dataclasses import dataclass
from math import comb

import numpy as np
import numpy.typing as npt

from ebbmap.errors import DesignMismatchError, EbbmapError, NonFiniteOutcomeError
from ebbmap.kernels.resampling import (
    REPLICATES,
    check_level,
    kept_weight,
    replicate_half_width,
    replicate_weights,
    weighted_means,
)
from ebbmap.kernels.sobol import CONSTANT_ROUNDINGS, NanPolicy

#: Players at most: 1,024 cases for each base row.
MAX_PLAYERS = 10


@dataclass(frozen=True)
class ShapleyEffects:
    """Shares of the variance of s outputs among g players.

    Parameters
    ----------
    effect, first, total : ndarray, shape (g, s)
        Shapley effect [1], adding up to one over the players; share that vanishes on average
        once the player is known; share that stays when all others are known. NaN for an output
        that does not vary.
    effect_interval, first_interval, total_interval : ndarray, shape (g, s, 2)
        Lower and upper bound [1].
    variance : ndarray, shape (s,)
        Variance of each output [square of its unit].
    dropped : ndarray of int, shape (s,)
        Base rows left out because a value in their block is not finite.
    """

    effect: np.ndarray
    first: np.ndarray
    total: np.ndarray
    effect_interval: np.ndarray
    first_interval: np.ndarray
    total_interval: np.ndarray
    variance: np.ndarray
    dropped: np.ndarray


def subsets(players: int) -> np.ndarray:
    """Return all subsets of the players, shape (c, g) of bool, in the order of a base block.

    Examples
    --------
    >>> subsets(2).astype(int).tolist()
    [[0, 0], [1, 0], [0, 1], [1, 1]]
    """
    member: np.ndarray = (np.arange(2**players)[:, None] >> np.arange(players)) % 2 == 1
    return member


def shapley_weights(players: int) -> np.ndarray:
    """Return the weights that turn the worth of every subset into Shapley values, shape (g, c).

    Notes
    -----
    phi_i = sum over subsets u without i of |u|! (g - 1 - |u|)! / g! (worth(u + i) - worth(u)).

    References
    ----------
    .. [1] Owen AB. SIAM/ASA J Uncertain Quantif 2014;2:245-251, doi:10.1137/130936233

    Examples
    --------
    Worth 0, 3, 1, 6 of nobody, the first, the second, both:

    >>> (shapley_weights(2) @ [0.0, 3.0, 1.0, 6.0]).tolist()
    [4.0, 2.0]
    """
    member = subsets(players)
    size = member.sum(axis=1)
    joined = np.array([0.0, *(1.0 / (players * comb(players - 1, k)) for k in range(players))])
    left = np.array([*joined[1:], 0.0])
    weights: np.ndarray = np.where(member.T, joined[size], -left[size])
    return weights


def substituted_scores(
    one: np.ndarray, other: np.ndarray, covariance: np.ndarray, members: np.ndarray
) -> np.ndarray:
    """Keep each subset of players in turn, and draw the other scores again given it.

    Parameters
    ----------
    one, other : ndarray, shape (n, d)
        Two independent draws of scores with mean zero and this covariance.
    covariance : ndarray, shape (d, d)
        Positive definite.
    members : ndarray of bool, shape (g, d)
        Which factors each player holds.

    Returns
    -------
    ndarray, shape (n, c, d)
        For each subset (`subsets`): the scores of `one` in it, and elsewhere scores from their
        distribution given these. The empty subset is `other`, the full one is `one`.

    Notes
    -----
    Given the kept scores z_k, the rest of another draw y becomes y + S_rk S_kk^-1 (z_k - y_k).
    """
    n, d = one.shape
    kept = subsets(len(members)) @ members
    scores = np.empty((n, len(kept), d))
    for number, own in enumerate(kept):
        if own.any():
            gain = np.linalg.solve(covariance[np.ix_(own, own)], covariance[own])
            scores[:, number] = other + (one[:, own] - other[:, own]) @ gain
        else:
            scores[:, number] = other
        scores[:, number, own] = one[:, own]
    return scores


def shapley_effects(
    outputs: npt.ArrayLike,
    *,
    players: int,
    replicates: int = REPLICATES,
    level: float = 0.95,
    nan_policy: NanPolicy = "raise",
) -> ShapleyEffects:
    """Estimate Shapley effects, with intervals.

    Parameters
    ----------
    outputs : array_like, shape (n c, s)
        For each base row the outputs of every subset, in the order of `subsets`.
    players : int
        Number of players g, 1 to `MAX_PLAYERS`.
    replicates : int
        Independent randomisations that the base rows are dealt from in turn, >= 2.
    level : float
        Probability that an interval is to cover, in (0, 1).
    nan_policy : {"raise", "drop_block"}
        As in `sobol_indices`.

    Returns
    -------
    ShapleyEffects
        Estimates and intervals of all outputs.

    Raises
    ------
    DesignMismatchError
        If the number of rows does not fit.
    NonFiniteOutcomeError
        If a value is not finite and `nan_policy` is "raise".
    EbbmapError
        If `replicates` or `level` is not legal.

    Examples
    --------
    The sum of two independent players of equal weight:

    >>> one, other = np.random.default_rng(0).standard_normal((2, 4096, 2))
    >>> every = substituted_scores(one, other, np.eye(2), np.eye(2, dtype=bool))
    >>> effects = shapley_effects(every.sum(axis=2).reshape(-1, 1), players=2)
    >>> effects.effect[:, 0].round(1).tolist()
    [0.5, 0.5]
    """
    check_level(level)
    blocks = _subset_blocks(np.asarray(outputs, dtype=float), players)
    kept = np.isfinite(blocks).all(axis=1)
    if nan_policy == "raise" and not kept.all():
        raise NonFiniteOutcomeError(
            f"outputs must be finite; {(~kept).sum():,} base rows of an output are not. "
            'Pass nan_policy="drop_block".'
        )
    estimates, variance = _estimate(blocks, kept, players, replicates)
    half = np.stack([replicate_half_width(estimate[1:], level) for estimate in estimates])
    points = estimates[:, 0]
    intervals = np.stack([points - half, points + half], axis=-1)
    dropped = len(blocks) - kept.sum(axis=0)
    (effect, first, total), (effect_ci, first_ci, total_ci) = points, intervals
    return ShapleyEffects(effect, first, total, effect_ci, first_ci, total_ci, variance, dropped)


def _subset_blocks(values: np.ndarray, players: int) -> np.ndarray:
    """View outputs, shape (n c, s), as base blocks, shape (n, c, s)."""
    c = 2**players
    if not 1 <= players <= MAX_PLAYERS:
        raise EbbmapError(
            f"players must be 1 to {MAX_PLAYERS}; got {players}, which takes {c:,} cases for "
            "each base row. Fix parameters or put them in groups."
        )
    if values.ndim != 2 or len(values) == 0 or len(values) % c:
        raise DesignMismatchError(
            f"{players} players take a multiple of {c} rows by outputs; got {values.shape}."
        )
    return values.reshape(-1, c, values.shape[1])


def _estimate(
    blocks: np.ndarray, kept: np.ndarray, players: int, replicates: int
) -> tuple[np.ndarray, np.ndarray]:
    """Return the effect, first and total share, with nothing and with each replicate left out.

    Returns the three, shape (3, replicates + 1, g, s), and the variance, shape (s,).
    """
    blocks = np.where(kept[:, None], blocks, 0.0)
    size = np.maximum(kept.sum(axis=0), 1)
    centre = (blocks[:, -1] + blocks[:, 0]).sum(axis=0) / (2 * size)
    blocks = (blocks - centre) * kept[:, None]
    weights = replicate_weights(len(blocks), replicates)
    total = kept_weight(weights, kept)

    def mean(products: np.ndarray) -> np.ndarray:
        return weighted_means(weights, products, total)

    one, other = blocks[:, -1], blocks[:, 0]
    variance = mean(one**2 + other**2) / 2.0 - (mean(one + other) / 2.0) ** 2
    # a standard deviation within so many roundings of the mean is what rounding leaves
    variance[variance <= (CONSTANT_ROUNDINGS * np.finfo(float).eps * centre) ** 2] = 0.0
    # reversed, the subset that is kept becomes the subset of the others
    open_share = mean((one[:, None] - blocks) ** 2)[:, ::-1] / 2.0
    open_share = open_share / np.where(variance > 0.0, variance, np.nan)[:, None]
    open_share[:, -1] = np.where(variance > 0.0, 1.0, np.nan)
    alone = 2 ** np.arange(players)
    effect = np.einsum("gc,wcs->wgs", shapley_weights(players), open_share)
    first = 1.0 - open_share[:, open_share.shape[1] - 1 - alone]
    return np.stack([effect, first, open_share[:, alone]]), variance[0]


def linear_gaussian_effects(coefficients: npt.ArrayLike, covariance: npt.ArrayLike) -> np.ndarray:
    """Return the exact Shapley effects of a weighted sum of jointly normal factors.

    Parameters
    ----------
    coefficients : array_like, shape (d,)
        Weights.
    covariance : array_like, shape (d, d)
        Positive definite.

    Returns
    -------
    ndarray, shape (d,)
        Shapley effects [1].

    Notes
    -----
    Given the others, the factors in u have the covariance S_uu - S_uo S_oo^-1 S_ou, and the sum
    has the variance b_u' (that) b_u.

    References
    ----------
    .. [1] Owen AB, Prieur C. SIAM/ASA J Uncertain Quantif 2017;5:986-1002,
       doi:10.1137/16M1097717

    Examples
    --------
    Two equal weights share equally, however they are correlated:

    >>> linear_gaussian_effects([1.0, 1.0], [[1.0, 0.7], [0.7, 1.0]]).round(6).tolist()
    [0.5, 0.5]
    """
    b, s = np.asarray(coefficients, float), np.asarray(covariance, float)
    worth = []
    for u in subsets(len(b)):
        given = s[np.ix_(u, u)]
        if not u.all() and u.any():
            given = given - s[np.ix_(u, ~u)] @ np.linalg.solve(s[np.ix_(~u, ~u)], s[np.ix_(~u, u)])
        worth.append(b[u] @ given @ b[u])
    effects: np.ndarray = shapley_weights(len(b)) @ np.array(worth) / (b @ s @ b)
    return effects
