"""Probabilities of rare events by subset simulation, with intervals from independent replicates.

Sizes: n cases of a level, d normal scores, r replicates, l levels.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from ebbmap.kernels.shares import wilson

#: Share of a level's cases that start the next one, so that each level is ten times rarer.
STEP = 0.1

#: Levels after which a replicate gives up: nothing rarer than one in 10^8 is told from never.
MOST_LEVELS = 8

#: Acceptance that the length of the proposals is steered towards, and its first value.
WANTED_ACCEPTANCE, FIRST_LENGTH = 0.44, 0.6

#: ``margin(scores)``: shape (n, d) to (n,); the event is a negative margin, NaN is not known.
Margin = Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True)
class Rare:
    """A probability and what it rests on.

    Parameters
    ----------
    share, low, high : float
        Probability of a negative margin, and its interval; 0, 0 and NaN where no replicate got
        there within `MOST_LEVELS`.
    undetermined : float
        Probability that the margin is not known; such cases are no event.
    levels : float
        Levels of a replicate, on average.
    cases : int
        Cases solved.
    scores : ndarray, shape (r, d)
        Mean scores given the event, for each replicate; NaN where it has no event.
    """

    share: float
    low: float
    high: float
    undetermined: float
    levels: float
    cases: int
    scores: np.ndarray


@dataclass(frozen=True)
class _Replicate:
    share: float
    unknown: int
    levels: int
    cases: int
    scores: np.ndarray


def rare_share(
    margin: Margin,
    dimensions: int,
    *,
    cases: int = 500,
    replicates: int = 16,
    level: float = 0.95,
    rng: int | np.random.SeedSequence = 0,
) -> Rare:
    """Estimate how likely a negative margin is, however rare.

    Parameters
    ----------
    margin : callable
        ``margin(scores)``: margin of n cases at independent standard normal scores, shape (n, d).
        It may jump and bend; a long flat stretch above zero stops the descent.
    dimensions : int
        d.
    cases : int
        n, a multiple of ten: cases of a level.
    replicates : int
        Independent runs, >= 2: only they show how far off an estimate is.
    level : float
        Level of the interval.
    rng : int or SeedSequence
        Each replicate owns a child of it.

    Returns
    -------
    Rare

    Notes
    -----
    Each level keeps the tenth of its cases with the least margin and spreads them by a Markov
    chain that stays below the margin reached; the probability is the product of the levels'
    shares. Where every replicate ends on its first level these are plain draws, and the interval
    is Wilson's; else it is Student's on the logarithm of the mean over replicates.

    The product is unbiased where the length of the proposals is not steered; see [3]_.

    Without a path of falling margins the descent can miss a small remote part of the event;
    replicates that miss it alike do not show it.

    References
    ----------
    .. [1] Au SK, Beck JL, Probab Eng Mech 2001;16:263: subset simulation (from memory).
    .. [2] Papaioannou I, Betz W, Zwirglmaier K, Straub D, Probab Eng Mech 2015;41:89: the
       correlated proposals, and their steering (from memory).
    .. [3] Brehier CE, Gazeau M, Goudenege L, Lelievre T, Rousset M, Ann Appl Probab 2016;26:3559:
       splitting is unbiased if the next level lies strictly below what was left out (from memory).

    Examples
    --------
    >>> found = rare_share(lambda z: 3.0 - z[:, 0], 2, cases=500)  # 0.00135
    >>> found.low < 0.00135 < found.high, found.cases < 30_000
    (True, True)
    """
    seeds = rng if isinstance(rng, np.random.SeedSequence) else np.random.SeedSequence(rng)
    runs = [
        _descend(margin, dimensions, cases, np.random.default_rng(child))
        for child in seeds.spawn(replicates)
    ]
    shares = np.array([run.share for run in runs])
    low, high = _interval(shares, max(run.levels for run in runs), cases * replicates, level)
    return Rare(
        float(shares.mean()),
        low,
        high,
        sum(run.unknown for run in runs) / (cases * replicates),
        float(np.mean([run.levels for run in runs])),
        sum(run.cases for run in runs),
        np.stack([run.scores for run in runs]),
    )


def _interval(shares: np.ndarray, levels: int, first: int, level: float) -> tuple[float, float]:
    """Return the interval of the mean over replicates."""
    mean = float(shares.mean())
    if levels == 1:
        low, high = wilson(mean * first, first, level)
        return float(low), float(high)
    if mean == 0.0:
        return 0.0, float("nan")
    spread = float(shares.std(ddof=1)) / np.sqrt(shares.size) / mean
    factor = np.exp(float(stdtrit(shares.size - 1, 0.5 + level / 2.0)) * spread)
    return mean / float(factor), min(1.0, mean * float(factor))


def _known(margin: np.ndarray) -> np.ndarray:
    """Return margins in which what is not known is as far from the event as can be."""
    return np.where(np.isnan(margin), np.inf, margin)


def _descend(margin: Margin, d: int, n: int, rng: np.random.Generator) -> _Replicate:
    """Run one replicate: from plain draws down to the event."""
    scores = rng.standard_normal((n, d))
    first = np.asarray(margin(scores), float)
    values, share, cases, length = _known(first), 1.0, n, FIRST_LENGTH
    unknown = int(np.isnan(first).sum())
    for number in range(1, MOST_LEVELS + 1):
        seeds = round(STEP * n)
        # the first that is left out: the next level lies strictly below it, and so is unbiased
        reached = np.partition(values, seeds)[seeds]
        if reached < 0 or number == MOST_LEVELS or not np.isfinite(reached):
            break
        if reached == values.min():
            reached = np.nextafter(reached, np.inf)
        inside = np.flatnonzero(values < reached)
        share *= inside.size / n
        start = np.resize(inside, seeds)
        scores, values, length, solved = _spread(
            margin, scores[start], values[start], reached, n, length, rng
        )
        cases += solved
    event = values < 0
    mean = scores[event].mean(axis=0) if event.any() else np.full(d, np.nan)
    return _Replicate(share * float(event.mean()), unknown, number, cases, mean)


def _spread(
    margin: Margin,
    scores: np.ndarray,
    values: np.ndarray,
    reached: float,
    n: int,
    length: float,
    rng: np.random.Generator,
) -> tuple[np.ndarray, np.ndarray, float, int]:
    """Spread seeds by Markov chains until there are n cases, all with a margin below `reached`."""
    steps = n // len(scores) - 1
    kept, margins = [scores], [values]
    for number in range(1, steps + 1):
        spread = min(length, 1.0)
        moved = np.sqrt(1.0 - spread**2) * scores + spread * rng.standard_normal(scores.shape)
        found = _known(np.asarray(margin(moved), float))
        taken = found < reached
        scores = np.where(taken[:, None], moved, scores)
        values = np.where(taken, found, values)
        kept.append(scores)
        margins.append(values)
        length *= float(np.exp((taken.mean() - WANTED_ACCEPTANCE) / np.sqrt(number)))
    return np.concatenate(kept), np.concatenate(margins), length, steps * len(scores)
