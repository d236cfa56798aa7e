"""Screening by elementary effects: which of many factors can be left alone.

Sizes: n trajectories of g + 1 points, d parameters, g factors (parameters, or groups of them),
s outputs, m resamples.

References
----------
.. [1] Morris MD. Technometrics 1991;33:161-174, doi:10.2307/1269043
.. [2] Campolongo F, Cariboni J, Saltelli A. Environ Model Softw 2007;22:1509-1518,
   doi:10.1016/j.envsoft.2006.10.004 (mu star)
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ebbmap.errors import DesignMismatchError, NonFiniteOutcomeError
from ebbmap.kernels.resampling import (
    bootstrap_half_width,
    bootstrap_weights,
    check_level,
    kept_weight,
    weighted_means,
)
from ebbmap.kernels.sobol import NanPolicy

CI_MORRIS = "bootstrap of trajectories, normal"


@dataclass(frozen=True)
class ElementaryEffects:
    """Elementary effects of g factors on s outputs, each over the whole range of a factor.

    Parameters
    ----------
    mu, mu_star, sigma : ndarray, shape (g, s)
        Mean, mean size and standard deviation of the effects [unit of the output]. For a group
        of several parameters the sign has no meaning: mu is NaN and sigma that of the sizes.
    mu_star_interval : ndarray, shape (g, s, 2)
        Lower and upper bound.
    dropped : ndarray of int, shape (s,)
        Trajectories left out because a value is not finite.
    """

    mu: np.ndarray
    mu_star: np.ndarray
    sigma: np.ndarray
    mu_star_interval: np.ndarray
    dropped: np.ndarray


def elementary_effects(
    unit,
    outputs,
    members,
    *,
    resamples: int = 1000,
    level: float = 0.95,
    rng: int | np.random.Generator | np.random.SeedSequence | None = None,
    nan_policy: NanPolicy = "raise",
) -> ElementaryEffects:
    """Summarise elementary effects along trajectories that change one factor at a time.

    Parameters
    ----------
    unit : array_like, shape (n (g + 1), d)
        Points of the unit cube, trajectory by trajectory.
    outputs : array_like, shape (n (g + 1), s)
        Outputs there.
    members : array_like of bool, shape (g, d)
        Which parameters each factor holds.
    resamples : int
        Bootstrap resamples m of the trajectories, >= 2.
    level : float
        Level of the intervals, in (0, 1).
    rng : int, Generator or SeedSequence, optional
        Source of the resamples; fresh entropy if None.
    nan_policy : {"raise", "drop_block"}
        Refuse outputs that are not finite, or leave out whole trajectories.

    Returns
    -------
    ElementaryEffects
        Means, sizes and spread, with intervals.

    Raises
    ------
    DesignMismatchError
        If a trajectory does not change every factor once, one at a time.
    NonFiniteOutcomeError
        If a value is not finite and `nan_policy` is "raise".

    Examples
    --------
    One trajectory through two factors, of which the first counts twice:

    >>> unit = np.array([[0.0, 0.0], [0.5, 0.0], [0.5, 0.5]] * 2)
    >>> effects = elementary_effects(unit, unit @ [[2.0], [1.0]], np.eye(2, dtype=bool), rng=0)
    >>> effects.mu_star[:, 0].tolist()
    [2.0, 1.0]
    """
    x, y, own = np.asarray(unit, float), np.asarray(outputs, float), np.asarray(members, bool)
    check_level(level)
    effects, kept = _effects(x, y, own)
    if nan_policy == "raise" and not kept.all():
        raise NonFiniteOutcomeError(
            f"outputs must be finite; {(~kept).any(axis=1).sum():,} of {len(kept):,} trajectories "
            'have a value that is not. Pass nan_policy="drop_block".'
        )
    alone = own.sum(axis=1) == 1
    effects = np.where(kept[:, None], effects, 0.0)
    effects = np.where(alone[:, None], effects, np.abs(effects))
    weights = bootstrap_weights(len(effects), resamples, np.random.default_rng(rng))
    return _summarise(effects, kept, alone, weights, level)


def _summarise(effects, kept, alone, weights, level: float) -> ElementaryEffects:
    """Means, sizes and spread of effects, shape (n, g, s), over the trajectories kept, (n, s).

    `alone`, shape (g,), says which factors are a single parameter.
    """
    total = kept_weight(weights, kept)
    sizes = weighted_means(weights, np.abs(effects), total)
    mu = weighted_means(weights[:1], effects, total[:1])[0]
    squares = np.where(kept[:, None], (effects - mu) ** 2, 0.0)
    square, count = weighted_means(weights[:1], squares, total[:1])[0], kept.sum(axis=0)
    half = bootstrap_half_width(sizes[1:], level)
    return ElementaryEffects(
        mu=np.where(alone[:, None], mu, np.nan),
        mu_star=sizes[0],
        sigma=np.sqrt(square * count / np.where(count > 1, count - 1, np.nan)),
        mu_star_interval=np.stack([sizes[0] - half, sizes[0] + half], axis=-1),
        dropped=len(kept) - count,
    )


def _effects(x: np.ndarray, y: np.ndarray, own: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Effects along trajectories, shape (n, g, s), and which are finite, shape (n, s)."""
    g = len(own)
    if len(x) != len(y) or len(x) == 0 or len(x) % (g + 1):
        raise DesignMismatchError(
            f"{g} factors take a multiple of {g + 1} rows; got {len(x)} points, {len(y)} outputs."
        )
    step = np.diff(x.reshape(-1, g + 1, x.shape[1]), axis=1)
    changed = step != 0.0
    which = (changed[:, :, None] == own).all(axis=-1)
    once = (which.sum(axis=1) == 1).all(axis=1)
    if not once.all():
        raise DesignMismatchError(
            "each trajectory must change every factor once, one at a time; it does not "
            f"(trajectory {int(np.argmin(once))}). Use the points in the order drawn."
        )
    values = y.reshape(-1, g + 1, y.shape[1])
    size = np.abs(step).max(axis=2)
    signed = np.where(changed.sum(axis=2) == 1, step.sum(axis=2), size)
    along = np.diff(values, axis=1) / signed[:, :, None]
    # from the order of a trajectory's steps to the order of the factors
    place = which.argmax(axis=1)
    effects = np.take_along_axis(along, place[:, :, None], axis=1)
    return effects, np.isfinite(values).all(axis=1)
