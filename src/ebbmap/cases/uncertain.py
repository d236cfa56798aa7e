"""Shares of lungs with what is not known of them: two intervals, and what moves the share most.

Sizes: m outer draws of a population, n inner lungs of each, k unknown numbers.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import NamedTuple

import numpy as np

from ebbmap.errors import EbbmapError
from ebbmap.kernels.knowledge import Effects, TwoIntervals, linear_effects, two_intervals
from ebbmap.registries.fitted import Fitted, Number

#: Outer and inner draws unless told otherwise.
OUTER, INNER = 200, 500


class Ranked(NamedTuple):
    """An unknown number and how much a conclusion owes to it."""

    number: Number
    effect: float
    """Share of the conclusion's variance over knowledge that it alone accounts for [1]."""
    error: float
    """Standard error of the effect [1]."""
    slope: float
    """Change of the share when the number is one standard error higher."""


class UncertainShare(NamedTuple):
    """A share of lungs, both of its intervals, and the numbers that move it, most first."""

    share: TwoIntervals
    ranking: tuple[Ranked, ...]
    explained: float
    """Share of the variance over knowledge that the numbers account for one by one [1]."""


def uncertain_share(
    phenotype: Fitted,
    counts: Callable[[Mapping[str, np.ndarray]], np.ndarray],
    *,
    seed: int,
    outer: int = OUTER,
    inner: int = INNER,
    level: float = 0.95,
) -> UncertainShare:
    """Return a share of lungs with both intervals and a ranking of the unknown numbers.

    Parameters
    ----------
    phenotype : Fitted
        Whose lungs.
    counts : callable
        ``counts(lungs) -> bool ndarray, shape (n,)``: which lungs count, such as those that are
        safe at some settings. What cannot be determined does not count.
    seed : int
        Of numbers and lungs; each outer draw has its own lungs.
    outer, inner : int
        Draws of populations, and lungs of each.
    level : float
        Level of both intervals, in (0, 1).

    Returns
    -------
    UncertainShare

    Raises
    ------
    EbbmapError
        If the share does not vary with what is unknown, or too little is drawn to say.

    Notes
    -----
    The central share is of `inner` lungs too, so both intervals belong to the same effort.
    """
    seeds = np.random.SeedSequence(seed).generate_state(outer + 2)
    central = _counted(counts, phenotype.population().sample(inner, seed=int(seeds[0])))
    scores, populations = phenotype.draw(outer, seed=int(seeds[1]))
    found = np.array(
        [
            _counted(counts, group.sample(inner, seed=int(own)))
            for group, own in zip(populations, seeds[2:], strict=True)
        ]
    )
    both = two_intervals((central, inner), found, inner, level=level)
    shares = found / inner
    noise = float((shares * (1.0 - shares)).mean() / (inner - 1))
    effects = linear_effects(scores, shares, noise=noise)
    return UncertainShare(both, _ranked(phenotype.numbers, effects), effects.explained)


def _counted(
    counts: Callable[[Mapping[str, np.ndarray]], np.ndarray], lungs: Mapping[str, np.ndarray]
) -> int:
    """How many lungs count."""
    met = np.asarray(counts(lungs))
    if met.dtype != bool:
        raise EbbmapError(
            f"which lungs count must be True or False for each; got {met.dtype}. Compare first."
        )
    return int(met.sum())


def _ranked(numbers: tuple[Number, ...], effects: Effects) -> tuple[Ranked, ...]:
    """Return the numbers with the largest effect first."""
    order = np.argsort(-effects.index, kind="stable")
    return tuple(
        Ranked(
            numbers[i], float(effects.index[i]), float(effects.error[i]), float(effects.slope[i])
        )
        for i in order
    )
