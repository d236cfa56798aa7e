"""Probabilities of rare events by subset simulation, with intervals from independent replicates.

Sizes: n cases of a level, d normal scores, k bounds, r replicates.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ebbmap.kernels.carrying import effective_rows
from ebbmap.kernels.resampling import check_level, replicate_interval
from ebbmap.kernels.shares import wilson

#: Share of a level's cases that start the next one, so that each level is ten times rarer.
STEP = 0.1

#: Levels after which a descent gives up: nothing rarer than one in 10^8 is told from never.
MOST_LEVELS = 8

#: Acceptance that the length of the proposals is steered towards, and its first value.
WANTED_ACCEPTANCE, FIRST_LENGTH = 0.44, 0.6

#: Replicates that look along each bound, and the share of the event from which on all follow it:
#: less is below what an interval of the default effort can tell.
SCOUTS, COUNTS = 2, 0.01

#: Share of the replicates that must hold the probability, in effect, for an interval.
HOLDING = 0.25

#: ``margin(scores)``: shape (n, d) to (n,), or (k, n) with a row for each bound; the event is a
#: negative margin in any row, NaN is not known.
Margin = Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True)
class Rare:
    """A probability and what it rests on.

    Parameters
    ----------
    share, low, high : float
        Probability of a negative margin, and its interval. Where nothing was found, 0, 0 and the
        exact bound of as many plain draws as the first levels have; NaN ends where too few
        replicates hold the probability.
    error : float
        Relative standard error of the probability, from the replicates; NaN where it is 0.
    undetermined : float
        Probability that no margin is known to be negative and one is not known: no event.
    levels : float
        Levels of a descent, on average over the bounds that count.
    cases : int
        Cases solved.
    scores : ndarray, shape (r, d)
        Mean scores given the event, for each replicate; NaN where it has no event.
    bounds : tuple of int
        Rows of the margin that were followed by all replicates, the likeliest first.
    """

    share: float
    low: float
    high: float
    error: float
    undetermined: float
    levels: float
    cases: int
    scores: np.ndarray
    bounds: tuple[int, ...]


@dataclass(frozen=True)
class _Level:
    """Cases at one depth: share of all, scores (n, d), margins (k, n) with infinity for NaN.

    Their level is `number`; a descent was to end where the share is below `floor`.
    """

    share: float
    scores: np.ndarray
    margins: np.ndarray
    number: int = 1
    floor: float = 0.0

    def broken(self, bound: int, others: list[int]) -> np.ndarray:
        """Return which cases break a bound and none of some others, shape (n,)."""
        broken: np.ndarray = (self.margins[bound] < 0) & ~(self.margins[others] < 0).any(axis=0)
        return broken

    def share_of(self, bound: int, others: list[int]) -> float:
        """Return the probability that a bound is broken and none of some others."""
        return self.share * float(self.broken(bound, others).mean())


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
        ``margin(scores)``: margins of n cases at independent standard normal scores, shape (n, d),
        a row for each bound. They may jump and bend; a long flat stretch above zero stops the
        descent along its bound.
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

    Raises
    ------
    EbbmapError
        If `level` is not in (0, 1).

    Notes
    -----
    Each level keeps the tenth of its cases with the least margin and spreads them by a Markov
    chain that stays below the margin reached; the probability is the product of the levels'
    shares. Every bound has descents of its own, for what is nearest to one bound may lie far from
    where another is broken: two replicates look along each bound, those that begin nearest, all
    follow the bounds that add one in a hundred to the event, and what breaks two bounds counts
    once, for the likelier.

    Where the event is common the draws of the first level are enough, and the interval is
    Wilson's; else it is that of the logarithm of the mean over replicates, their skewness taken
    into account (`kernels.resampling.replicate_interval`).

    The product is unbiased where the length of the proposals is not steered; see [3]_.

    Without a path of falling margins a descent can miss a small remote part of the event behind
    the same bound; replicates that miss it alike do not show it.

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
    check_level(level)
    parent = rng if isinstance(rng, np.random.SeedSequence) else np.random.SeedSequence(rng)
    search = _Search(margin, dimensions, cases, parent.spawn(replicates))
    if search.is_common():
        bounds = search.broken_at_once()
        descents = [[first] * len(bounds) for first in search.first]
    else:
        bounds = search.scout()
        descents = [[search.descend(own, bound) for bound in bounds] for own in range(replicates)]
    shares = np.array([sum(_parts(own, bounds)) for own in descents])
    depths = [one.number for own in descents for one in own] or [1]
    low, high = _interval(shares, cases * replicates, level, plain=max(depths) == 1)
    mean = float(shares.mean())
    return Rare(
        mean,
        low,
        high,
        float(shares.std(ddof=1)) / np.sqrt(replicates) / mean if mean > 0.0 else np.nan,
        search.unknown / (cases * replicates),
        float(np.mean(depths)),
        search.solved,
        np.stack([_mean_scores(own, bounds, dimensions) for own in descents]),
        tuple(bounds),
    )


def _interval(shares: np.ndarray, draws: int, level: float, *, plain: bool) -> tuple[float, float]:
    """Return the interval of the mean over replicates, each with as many plain draws of its own."""
    r, mean = len(shares), float(shares.mean())
    if mean == 0.0:
        return 0.0, float(-np.expm1(np.log1p(-level) / draws))
    if plain:
        low, high = wilson(mean * draws, draws, level)
        return float(low), float(high)
    if effective_rows(shares) < HOLDING * r:
        return float("nan"), float("nan")
    without = (shares.sum() - shares) / (r - 1)
    low, high = np.exp(replicate_interval(np.log(mean), np.log(without), level))
    return float(low), min(1.0, float(high))


def _parts(levels: list[_Level], bounds: list[int]) -> list[float]:
    """Return what each bound adds to the event: what the ones before it do not break."""
    each = enumerate(zip(levels, bounds, strict=True))
    return [one.share_of(bound, bounds[:place]) for place, (one, bound) in each]


def _mean_scores(levels: list[_Level], bounds: list[int], dimensions: int) -> np.ndarray:
    """Return the mean scores given the event, shape (d,); NaN where it has none."""
    total, sums = 0.0, np.zeros(dimensions)
    for place, (one, bound) in enumerate(zip(levels, bounds, strict=True)):
        broken = one.broken(bound, bounds[:place])
        total += one.share * float(broken.mean())
        sums += one.share * broken @ one.scores / len(broken)
    return sums / total if total > 0.0 else np.full(dimensions, np.nan)


class _Search:
    """Replicates that begin with plain draws and go down along one bound after another."""

    def __init__(self, margin: Margin, d: int, n: int, seeds: list[np.random.SeedSequence]) -> None:
        self.margin, self.n, self.seeds = margin, n, seeds
        self.unknown = self.solved = 0
        self.first = [self._plain_draws(seed, d) for seed in seeds]
        self.bounds = len(self.first[0].margins)
        self.found: dict[tuple[int, int], _Level] = {}

    def _plain_draws(self, seed: np.random.SeedSequence, d: int) -> _Level:
        scores = np.random.default_rng(seed).standard_normal((self.n, d))
        margins = self._margins(scores)
        unknown = np.isnan(margins).any(axis=0) & ~(margins < 0).any(axis=0)
        self.unknown += int(unknown.sum())
        return _Level(1.0, scores, _known(margins))

    def _margins(self, scores: np.ndarray) -> np.ndarray:
        self.solved += len(scores)
        return np.atleast_2d(np.asarray(self.margin(scores), float))

    def is_common(self) -> bool:
        """Return whether each replicate has the event in more than a level's share of its draws."""
        return all(float((one.margins < 0).any(axis=0).mean()) > STEP for one in self.first)

    def broken_at_once(self) -> list[int]:
        """Return the bounds that plain draws break."""
        drawn = np.concatenate([one.margins for one in self.first], axis=1)
        return [int(bound) for bound in np.flatnonzero((drawn < 0).any(axis=1))]

    def scout(self) -> list[int]:
        """Return the bounds that count, the likeliest first, as far as the scouts see."""
        drawn = np.concatenate([one.margins for one in self.first], axis=1)
        plain = _Level(1.0, np.empty(0), drawn)
        likely = np.zeros(self.bounds)
        for bound in np.argsort(_closeness(drawn), kind="stable").tolist():
            likely[bound] = self._seen(plain, bound, [], COUNTS * float(likely.max()))
        counting: list[int] = []
        total = 0.0
        for bound in np.argsort(-likely, kind="stable").tolist():
            adds = self._seen(plain, bound, counting) if likely[bound] > 0.0 else 0.0
            if adds > COUNTS * total:
                counting.append(bound)
                total += adds
        return counting

    def _seen(self, plain: _Level, bound: int, others: list[int], floor: float = 0.0) -> float:
        """Return how likely a bound seems, and none of some others: by descents or plain draws."""
        nearest = np.argsort([one.margins[bound].min() for one in self.first], kind="stable")
        scouts = [self.descend(own, bound, floor) for own in nearest[:SCOUTS].tolist()]
        by_descent = float(np.mean([one.share_of(bound, others) for one in scouts]))
        return max(by_descent, plain.share_of(bound, others))

    def descend(self, replicate: int, bound: int, floor: float = 0.0) -> _Level:
        """Go down along a bound until a tenth break it, or until its share is below a floor."""
        known = self.found.get((replicate, bound))
        if known is None or (known.share < known.floor and floor < known.floor):
            known = self._descend(replicate, bound, floor)
            self.found[replicate, bound] = known
        return known

    def _descend(self, replicate: int, bound: int, floor: float) -> _Level:
        own = self.seeds[replicate]
        rng = np.random.default_rng(
            np.random.SeedSequence(own.entropy, spawn_key=(*own.spawn_key, bound))
        )
        first = self.first[replicate]
        scores, margins, share, length = first.scores, first.margins, 1.0, FIRST_LENGTH
        seeds = round(STEP * self.n)
        for number in range(1, MOST_LEVELS + 1):
            values = margins[bound]
            # the first that is left out: the next level lies strictly below it, and so is unbiased
            reached = np.partition(values, seeds)[seeds]
            stuck = not np.isfinite(reached) or values.min() == values.max()
            if reached < 0 or stuck or share < floor or number == MOST_LEVELS:
                break
            if reached == values.min():
                reached = np.nextafter(reached, np.inf)
            inside = np.flatnonzero(values < reached)
            share *= inside.size / self.n
            start = np.resize(inside, seeds)
            scores, margins, length = self._spread(
                scores[start], margins[:, start], bound, reached, length, rng
            )
        return _Level(share, scores, margins, number, floor)

    def _spread(
        self,
        scores: np.ndarray,
        margins: np.ndarray,
        bound: int,
        reached: float,
        length: float,
        rng: np.random.Generator,
    ) -> tuple[np.ndarray, np.ndarray, float]:
        """Spread cases by Markov chains until there are n, all with a margin below `reached`."""
        kept, judged = [scores], [margins]
        for number in range(1, self.n // len(scores)):
            spread = min(length, 1.0)
            moved = np.sqrt(1.0 - spread**2) * scores + spread * rng.standard_normal(scores.shape)
            found = _known(self._margins(moved))
            taken = found[bound] < reached
            scores = np.where(taken[:, None], moved, scores)
            margins = np.where(taken, found, margins)
            kept.append(scores)
            judged.append(margins)
            length *= float(np.exp((taken.mean() - WANTED_ACCEPTANCE) / np.sqrt(number)))
        return np.concatenate(kept), np.concatenate(judged, axis=1), length


def _known(margins: np.ndarray) -> np.ndarray:
    """Return margins in which what is not known is as far from the event as can be."""
    return np.where(np.isnan(margins), np.inf, margins)


def _closeness(drawn: np.ndarray) -> np.ndarray:
    """Return how many SD of each margin, shape (k, n), lie between its mean and zero; (k,)."""
    finite = np.isfinite(drawn)
    count = np.maximum(finite.sum(axis=1), 1)
    mean = np.where(finite, drawn, 0.0).sum(axis=1) / count
    apart = np.where(finite, drawn - mean[:, None], 0.0)
    spread = np.sqrt(np.square(apart).sum(axis=1) / count)
    return np.where(spread > 0.0, mean / np.where(spread > 0.0, spread, 1.0), np.inf)
