"""What happens at each bound by itself while cases stream past, whichever is broken most.

Sizes: n lungs, m settings, k hard bounds. What is kept are counts and least margins, so the answer
does not depend on how the lungs are cut.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ebbmap.kernels.judging import Judgement
from ebbmap.registries.limits import Bound, is_rule

#: Bins of how far a bound is broken, in widths: step, and number; in the last is what has no
#: number, for want of a steady state, or is beyond all others.
STEP, STEPS = 0.01, 2001


@dataclass(frozen=True)
class EachBound:
    """How n lungs at m settings stand to each of k hard bounds.

    Parameters
    ----------
    broken : ndarray of int64, shape (k, n)
        Cases of each lung that break a bound, whatever else they break.
    alone : ndarray of int64, shape (k,)
        Cases that break this bound and no other.
    beyond : ndarray of int64, shape (k, STEPS)
        Cases that break a bound, by how far.
    least : ndarray, shape (k, n)
        Least margin of each lung; minus infinity where a case has no steady state and so no
        number, NaN where none is known.
    harmless : ndarray of int64, shape (n,)
        Cases of each lung that surely break no bound on harm, rules for T low left out.
    """

    broken: np.ndarray
    alone: np.ndarray
    beyond: np.ndarray
    least: np.ndarray
    harmless: np.ndarray


def count_each(judged: Judgement, shape: tuple[int, int]) -> EachBound:
    """Count at each bound.

    Parameters
    ----------
    judged : Judgement
        Of some lungs at all settings.
    shape : tuple of int
        Lungs and settings.

    Examples
    --------
    >>> from ebbmap.kernels.judging import judge
    >>> from ebbmap.registries.limits import Limit, LimitSet
    >>> limits = LimitSet("own", "own", (Limit("flow_ratio", "invented", 0.5, 0.75),))
    >>> found = count_each(judge(limits, {"flow_ratio": np.array([[0.6, 0.9, 0.4]])}), (1, 3))
    >>> found.broken.tolist(), found.alone.tolist(), found.least.round(1).tolist()
    ([[1], [1]], [1, 1], [[-0.4], [-0.6]])
    """
    margins = np.stack([_margins(bound, judged, shape) for bound in judged.hard])
    broken = margins < 0.0
    harm = np.array([not is_rule(bound) for bound in judged.hard])
    places = np.minimum(-margins[broken] / STEP, STEPS - 1).astype(np.int64)
    places += np.nonzero(broken)[0] * STEPS
    known = ~np.isnan(margins)
    least = np.where(known, margins, np.inf).min(axis=2)
    return EachBound(
        broken.sum(axis=2),
        (broken & (broken.sum(axis=0) == 1)).sum(axis=(1, 2)),
        np.bincount(places, minlength=harm.size * STEPS).reshape(harm.size, STEPS),
        np.where(known.any(axis=2), least, np.nan),
        (margins[harm] >= 0.0).all(axis=0).sum(axis=1),
    )


def _margins(bound: Bound, judged: Judgement, shape: tuple[int, int]) -> np.ndarray:
    """Return the margins of a bound, minus infinity where its outcome has run away."""
    found = np.broadcast_to(bound.margin_among(judged.outcomes), shape)
    for name in bound.runs_away:
        if name in judged.outcomes:
            away = np.broadcast_to(judged.outcomes[name] < 0.0, shape)
            found = np.where(away, -np.inf, found)
    return found


def join_each(parts: Sequence[EachBound]) -> EachBound:
    """Add up what was counted on the same settings; lungs in the order of the parts."""
    return EachBound(
        np.concatenate([one.broken for one in parts], axis=1),
        np.sum([one.alone for one in parts], axis=0),
        np.sum([one.beyond for one in parts], axis=0),
        np.concatenate([one.least for one in parts], axis=1),
        np.concatenate([one.harmless for one in parts]),
    )


def excess_quantile(beyond: np.ndarray, share: float) -> np.ndarray:
    """Return how far the broken cases are beyond each bound, in widths, at a quantile of them.

    Parameters
    ----------
    beyond : ndarray, shape (k, STEPS)
        As in `EachBound`, or weighted sums of such counts.
    share : float
        0 to 1: 0.5 for the middle, 0.9 for what the worst tenth exceeds.

    Returns
    -------
    ndarray, shape (k,)
        To the width of a bin; infinite where it has no number, NaN where nothing is broken.

    Examples
    --------
    >>> counts = np.zeros((2, STEPS))
    >>> counts[0, 10:13] = 1
    >>> excess_quantile(counts, 0.5).round(3).tolist()
    [0.115, nan]
    """
    total = beyond.sum(axis=1)
    # weights add up but for rounding
    reached = np.cumsum(beyond, axis=1) >= share * total[:, None] - 1e-9 * (1.0 + total[:, None])
    place = reached.argmax(axis=1)
    found = np.where(place == STEPS - 1, np.inf, (place + 0.5) * STEP)
    return np.where(total > 0, found, np.nan)
