"""The one judgement of every case: which bounds hold, by how much, and which one is nearest.

Sizes: n cases, k bounds.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ebbmap.array import (
    broadcast_arrays,
    code,
    floats,
    fmin,
    isnan,
    maximum,
    numbered,
    some,
    stack,
    where,
)
from ebbmap.errors import EbbmapError
from ebbmap.registries.limits import Bound, LimitSet
from ebbmap.registries.steady import no_steady_state

SAFE, CAUTION, UNSAFE, UNDETERMINED = 0, 1, 2, 3
VERDICTS = ("safe", "caution", "unsafe", "undetermined")

#: Where no bound is nearest, because the case is undetermined.
NO_BOUND = -1


@dataclass(frozen=True)
class Judgement:
    """Verdicts on n cases, the one that every analysis reads.

    Parameters
    ----------
    verdict : ndarray of int8, shape (n,)
        Index into `VERDICTS`.
    margin : ndarray, shape (n,)
        Least known margin over the hard bounds; NaN where none is broken and one is unknown.
    binding : ndarray of int8, shape (n,)
        Index of the hard bound with the least margin; `NO_BOUND` where the margin is NaN.
    hard : tuple of Bound
        The k hard bounds.
    outcomes : mapping of str to ndarray, shape (n,)
        What was judged.
    """

    verdict: np.ndarray
    margin: np.ndarray
    binding: np.ndarray
    hard: tuple[Bound, ...]
    outcomes: Mapping[str, np.ndarray]

    @cached_property
    def bound_margin(self) -> np.ndarray:
        """Margin of every hard bound, shape (k, n); NaN where it is not known."""
        return bound_margins(self.hard, self.outcomes)

    @property
    def bound_known(self) -> np.ndarray:
        """Whether each hard bound can be judged, shape (k, n)."""
        known: np.ndarray = ~np.isnan(self.bound_margin)
        return known

    @property
    def bound_broken(self) -> np.ndarray:
        """Whether each hard bound is surely broken, shape (k, n)."""
        return self.bound_margin < 0

    @property
    def safe(self) -> np.ndarray:
        """Whether a case surely breaks no hard bound, with caution or without, shape (n,)."""
        safe: np.ndarray = (self.verdict == SAFE) | (self.verdict == CAUTION)
        return safe

    @property
    def unsafe(self) -> np.ndarray:
        """Whether a case surely breaks a hard bound, shape (n,)."""
        unsafe: np.ndarray = self.verdict == UNSAFE
        return unsafe

    @property
    def unsteady(self) -> np.ndarray:
        """Whether a case has no steady state, as far as the limits ask for one, shape (n,)."""
        return np.broadcast_to(no_steady_state(self.outcomes), self.verdict.shape)

    @property
    def determined(self) -> np.ndarray:
        """Whether a case is safe or unsafe, shape (n,)."""
        determined: np.ndarray = self.verdict != UNDETERMINED
        return determined


def judge(limits: LimitSet, outcomes: Mapping[str, np.ndarray]) -> Judgement:
    """Judge cases by a set of limits.

    Parameters
    ----------
    limits : LimitSet
        At least one hard bound.
    outcomes : mapping of str to ndarray, shape (n,)
        Every outcome that the set names.

    Returns
    -------
    Judgement
        A broken hard bound makes a case unsafe, whatever else is unknown of it; a case with no
        broken bound and an outcome that is NaN is undetermined, neither safe nor unsafe. What
        runs away for want of a steady state breaks the bounds on its way, without a number.

    Raises
    ------
    EbbmapError
        If the set has no hard bound.

    Examples
    --------
    >>> from ebbmap.registries.limits import Limit
    >>> rule = LimitSet("rule", "rule", (Limit("flow_ratio", "invented", 0.5, 0.75),))
    >>> judged = judge(rule, {"flow_ratio": np.array([0.6, 0.9, np.nan])})
    >>> [VERDICTS[v] for v in judged.verdict], judged.margin.round(2).tolist()
    (['safe', 'unsafe', 'undetermined'], [0.4, -0.6, nan])
    """
    if not limits.hard:
        raise EbbmapError(f"limit set {limits.name!r} has no hard limit. Add one to judge safety.")
    return judge_bounds(limits.hard, limits.caution, outcomes)


def judge_bounds(
    hard: tuple[Bound, ...], caution: tuple[Bound, ...], outcomes: Mapping[str, np.ndarray]
) -> Judgement:
    """Judge cases as `judge` does, by bounds whose values may themselves be traced numbers.

    Parameters
    ----------
    hard, caution : tuple of Bound
        Bounds that make a case unsafe, at least one, and bounds that ask for caution.
    outcomes : mapping of str to ndarray, shape (n,)
        Every outcome that the bounds name.
    """
    margin, binding, unknown = _least(hard, outcomes)
    broken = margin < 0
    lost = unknown & ~broken
    if some(lost):
        margin, binding = where(lost, np.nan, margin), where(lost, code(NO_BOUND, lost), binding)
    verdict = numbered(broken, UNSAFE)
    if caution:
        warned, _, unclear = _least(caution, outcomes)
        verdict = where(~broken & (warned < 0), code(CAUTION, broken), verdict)
        lost = lost | (unclear & (verdict == SAFE))
    verdict = where(lost, code(UNDETERMINED, broken), verdict)
    return Judgement(verdict, margin, binding, hard, outcomes)


def bound_margins(bounds: Iterable[Bound], outcomes: Mapping[str, np.ndarray]) -> np.ndarray:
    """Return the margin of every bound, shape (k, n)."""
    return stack(broadcast_arrays(*(b.margin_among(outcomes) for b in bounds)))


def cautions_clear(limits: LimitSet, outcomes: Mapping[str, np.ndarray]) -> np.ndarray:
    """Return where caution limits leave a case determined, as in `judge`, shape (n,).

    Parameters
    ----------
    limits : LimitSet
        Whose caution limits count; without any, every case is clear.
    outcomes : mapping of str to ndarray, shape (n,)
        Every outcome that the set names.
    """
    shape = np.broadcast_shapes(*(np.shape(outcomes[name]) for name in limits.outcomes))
    if not limits.caution:
        return np.ones(shape, bool)
    warned, _, unclear = _least(limits.caution, outcomes)
    return np.broadcast_to((warned < 0) | ~unclear, shape)


def least_margin(margins: np.ndarray) -> np.ndarray:
    """Return the least margin: a broken bound decides whatever else is unknown, as in `judge`.

    Parameters
    ----------
    margins : ndarray, shape (k, ...)
        Margin of every hard bound; NaN where it is not known.

    Returns
    -------
    ndarray, shape (...)
        Negative where a bound is broken; NaN where none is and one is unknown.

    Examples
    --------
    >>> least_margin(np.array([[0.3, -0.2, 0.3], [0.5, np.nan, np.nan]])).tolist()
    [0.3, -0.2, nan]
    """
    least = np.fmin.reduce(margins)
    return np.where(np.isnan(margins).any(axis=0) & ~(least < 0), np.nan, least)


def _least(
    bounds: tuple[Bound, ...], outcomes: Mapping[str, np.ndarray]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the least known margin, the bound that has it, and whether any margin is unknown."""
    margin = floats(bounds[0].margin_among(outcomes))
    unknown = isnan(margin)
    nearest = numbered(~unknown, 1)
    for number, bound in enumerate(bounds[1:], start=2):
        own = bound.margin_among(outcomes)
        # unordered means closer, because a margin is NaN only while none before it was known
        closer, missing = ~(own >= margin), isnan(own)
        if some(missing):
            unknown, closer = unknown | missing, closer & ~missing
        # the numbers rise, so the largest is the last that came closer
        nearest = maximum(nearest, numbered(closer, number))
        margin = fmin(margin, own)
    return margin, nearest + code(NO_BOUND, nearest), unknown
