"""Cases with and without an event, set side by side: how far apart their properties are.

The distance is Kolmogorov's and Smirnov's: the largest gap between two distribution functions.
Sizes: n cases, d properties, e events, m resamples, q quantiles.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ebbmap.errors import DesignMismatchError, EbbmapError
from ebbmap.kernels.resampling import (
    bootstrap_half_width,
    bootstrap_weights,
    check_level,
)

#: Fewer cases on either side than this give no distance: it would be noise.
LEAST_CASES = 20


@dataclass(frozen=True)
class Contrasts:
    """Distances between the cases with and without each event.

    Parameters
    ----------
    distance : ndarray, shape (e, d)
        Largest gap of the distribution functions [1], 0 to 1; NaN with too few cases.
    direction : ndarray, shape (e, d)
        1 where the property is larger in cases with the event, -1 where it is smaller.
    interval : ndarray, shape (e, d, 2)
        Lower and upper bound of the distance [1].
    noise : ndarray, shape (e,)
        The distance that equal distributions stay below with the level's probability [1].
    with_event, without_event : ndarray of int, shape (e,)
        Cases on either side.
    """

    distance: np.ndarray
    direction: np.ndarray
    interval: np.ndarray
    noise: np.ndarray
    with_event: np.ndarray
    without_event: np.ndarray


def contrast_events(
    values,
    events,
    *,
    known=None,
    resamples: int = 100,
    level: float = 0.95,
    rng: int | np.random.Generator | np.random.SeedSequence | None = None,
) -> Contrasts:
    """Measure how far apart each property lies in cases with and without each event.

    Parameters
    ----------
    values : array_like, shape (n, d)
        Properties of the cases.
    events : array_like of bool, shape (n, e)
        Whether each event holds.
    known : array_like of bool, shape (n,) or (n, e), optional
        Cases that count, for all events or for each; all if None.
    resamples : int
        Bootstrap resamples m of the cases, >= 2.
    level : float
        Level of the intervals, in (0, 1).
    rng : int, Generator or SeedSequence, optional
        Source of the resamples; fresh entropy if None.

    Returns
    -------
    Contrasts
        Distances with intervals.

    Raises
    ------
    DesignMismatchError
        If values and events do not have the same cases.
    EbbmapError
        If a value is not finite, or `resamples` or `level` not legal.

    Notes
    -----
    A largest gap is drawn upward by noise, and a resample carries that noise once more, so twice
    the mean excess of the resamples comes off the lower bound, which is zero where the distance
    is within the noise. Measured on two normal distributions (1,500 cases, 60 or 300 with the
    event, shifted by 0 to 1 SD): a 95 % interval covers 92 to 98 %.

    References
    ----------
    .. [1] Spear RC, Hornberger GM. Water Res 1980;14:43-49, doi:10.1016/0043-1354(80)90040-8
       (regional sensitivity analysis).
    .. [2] Smirnov N. Ann Math Stat 1948;19:279-281 (level of noise).

    Examples
    --------
    >>> x = np.linspace(0.0, 1.0, 100)[:, None]
    >>> found = contrast_events(x, x > 0.5, rng=0)
    >>> float(found.distance[0, 0]), int(found.direction[0, 0])
    (1.0, 1)
    """
    x, happens = np.asarray(values, float), np.asarray(events, bool)
    check_level(level)
    if x.ndim != 2 or happens.ndim != 2 or len(x) != len(happens):
        raise DesignMismatchError(
            f"values and events must have the same rows; got {x.shape} and {happens.shape}."
        )
    if known is not None and np.ndim(known) == 2:
        return _by_known(x, happens, np.asarray(known, bool), resamples, level, rng)
    if known is not None:
        x, happens = x[np.asarray(known, bool)], happens[np.asarray(known, bool)]
    if not np.isfinite(x).all():
        raise EbbmapError(
            f"values must be finite; {(~np.isfinite(x)).sum():,} are not. Leave those cases out."
        )
    (n, d), e = x.shape, happens.shape[1]
    count = happens.sum(axis=0)
    rest = n - count
    enough = np.minimum(count, rest) >= LEAST_CASES
    with np.errstate(divide="ignore", invalid="ignore"):
        noise = np.sqrt(-0.5 * np.log((1.0 - level) / 2.0) * n / (count * rest))
    distance, direction = np.full((e, d), np.nan), np.full((e, d), np.nan)
    interval = np.full((e, d, 2), np.nan)
    weights = bootstrap_weights(n, resamples, np.random.default_rng(rng))
    for j in range(d) if enough.any() else ():
        order = np.argsort(x[:, j], kind="stable")
        ranked = x[order, j]
        # a gap between equal values is none: only the last of them counts
        last = np.append(ranked[1:] > ranked[:-1], True)
        drawn = weights[:, order]
        every = np.cumsum(drawn, axis=1)
        for event in np.flatnonzero(enough):
            own = np.cumsum(drawn * happens[order, event], axis=1)
            part = own[:, -1:] / n
            # F without less F with, where the rest's function is (every - own) / (n - own)
            with np.errstate(invalid="ignore", divide="ignore"):
                own /= -part * (1.0 - part) * n
                own += every / (n * (1.0 - part))
            gap = own if last.all() else own[:, last]
            above, below = gap.max(axis=1), -gap.min(axis=1)
            largest = np.maximum(above, below)
            distance[event, j] = largest[0]
            direction[event, j] = 1.0 if above[0] >= below[0] else -1.0
            drawn_ones = largest[1:][np.isfinite(largest[1:])]
            half = bootstrap_half_width(drawn_ones, level)
            excess = max(drawn_ones.mean() - largest[0], 0.0)
            sure = largest[0] >= noise[event]
            lower = largest[0] - 2.0 * excess - half if sure else 0.0
            interval[event, j] = np.clip([lower, largest[0] + half], 0.0, 1.0)
    return Contrasts(distance, direction, interval, np.where(enough, noise, np.nan), count, rest)


def _by_known(x, happens, known, resamples, level, rng) -> Contrasts:
    """Contrast the events together that are known of the same cases."""
    patterns, which = np.unique(known, axis=1, return_inverse=True)
    which = which.reshape(-1)
    rng = np.random.default_rng(rng)
    parts = [
        contrast_events(
            x,
            happens[:, which == number],
            known=patterns[:, number],
            resamples=resamples,
            level=level,
            rng=rng,
        )
        for number in range(patterns.shape[1])
    ]
    order = np.argsort(np.argsort(which, kind="stable"), kind="stable")
    return Contrasts(
        *(
            np.concatenate([getattr(part, name) for part in parts])[order]
            for name in Contrasts.__dataclass_fields__
        )
    )


def event_quantiles(values, events, quantiles, *, known=None) -> np.ndarray:
    """Quantiles of each property in cases with and without each event.

    Parameters
    ----------
    values : array_like, shape (n, d)
        Properties of the cases.
    events : array_like of bool, shape (n, e)
        Whether each event holds.
    quantiles : array_like, shape (q,)
        Probabilities, 0 to 1.
    known : array_like of bool, shape (n,) or (n, e), optional
        Cases that count, for all events or for each; all if None.

    Returns
    -------
    ndarray, shape (e, 2, d, q)
        With the event first, without it second; NaN with too few cases.

    Examples
    --------
    >>> x = np.arange(100.0)[:, None]
    >>> event_quantiles(x, x >= 50.0, [0.5])[0, :, 0, 0].tolist()
    [74.5, 24.5]
    """
    x, happens = np.asarray(values, float), np.asarray(events, bool)
    counted = np.ones(len(x), bool) if known is None else np.asarray(known, bool)
    counted = np.broadcast_to(counted[:, None] if counted.ndim == 1 else counted, happens.shape)
    found = np.full((happens.shape[1], 2, x.shape[1], len(quantiles)), np.nan)
    for event in range(happens.shape[1]):
        for side, chosen in enumerate((happens[:, event], ~happens[:, event])):
            cases = x[chosen & counted[:, event]]
            if len(cases) >= LEAST_CASES:
                found[event, side] = np.quantile(cases, quantiles, axis=0).T
    return found
