"""How the patients whom a draft never suits can be recognised: one measurement and a threshold.

It is chosen on half of the lungs and judged on the other half. Sizes: n lungs.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ebbmap.cases.evaluate import evaluate
from ebbmap.committee.counting import GroupCount
from ebbmap.committee.lungs import fixed
from ebbmap.committee.protocol import Protocol
from ebbmap.kernels.shares import wilson
from ebbmap.registries.bedside import MEASURED, STEPS, on_step
from ebbmap.registries.outcomes import OUTCOMES

#: Lungs of each kind in each half, at least.
FEWEST = 10


@dataclass(frozen=True)
class Criterion:
    """A measurement and the side of a threshold to which it points.

    Parameters
    ----------
    name : str
        Of the property.
    side : {"below", "above"}
        A lung is pointed to below or above the threshold, or on it.
    threshold : float
        In registry units, on a step of the bedside.
    """

    name: str
    side: str
    threshold: float

    def points_to(self, values: np.ndarray) -> np.ndarray:
        """Return which lungs it points to, shape (n,)."""
        low = values <= self.threshold
        return low if self.side == "below" else values >= self.threshold


@dataclass(frozen=True)
class Worth:
    """What a criterion is worth on other lungs, each share with its Wilson interval.

    Parameters
    ----------
    sensitivity, specificity : tuple of float
        Share of the lungs meant that it points to; share of the others that it does not.
    meant : tuple of float
        Share of the lungs it points to that are meant.
    pointed : float
        Share of all lungs that it points to.
    """

    sensitivity: tuple[float, float, float]
    specificity: tuple[float, float, float]
    meant: tuple[float, float, float]
    pointed: float


def measured_values(protocol: Protocol, counted: GroupCount) -> dict[str, np.ndarray]:
    """Return what can be measured of a group's lungs, without error, shape (n,) each."""
    own = counted.drawn.values
    found = {}
    for name in MEASURED:
        if name in own:
            found[name] = own[name]
        elif name in OUTCOMES and counted.drawn.size:
            known = {key: own[key] for key in protocol.lung.parameters if key in own}
            found[name] = evaluate(protocol.lung, {**known, **fixed(protocol)}, (name,)).outcomes[
                name
            ]
    return {n: v for n, v in found.items() if v.size == counted.drawn.size and np.isfinite(v).all()}


def choose(values: Mapping[str, np.ndarray], meant: np.ndarray) -> Criterion | None:
    """Choose the measurement and threshold that separate best.

    Parameters
    ----------
    values : mapping of str to ndarray, shape (n,)
        Measurements by name.
    meant : ndarray of bool, shape (n,)
        Lungs that are to be recognised.

    Returns
    -------
    Criterion or None
        That with the largest sum of sensitivity and specificity, the first of several; None where
        fewer than `FEWEST` lungs are on a side.

    References
    ----------
    .. [1] Youden WJ, Cancer 1950;3:32 (from memory): the sum of both, less one.

    Examples
    --------
    >>> soft = {"compliance": np.r_[np.full(10, 30.2), np.full(10, 60.0)]}
    >>> choose(soft, soft["compliance"] < 40)
    Criterion(name='compliance', side='below', threshold=31.0)
    """
    if min(meant.sum(), (~meant).sum()) < FEWEST:
        return None
    best, most = None, -np.inf
    for name, known in values.items():
        step = STEPS[name]
        places = np.arange(np.floor(known.min() / step), np.ceil(known.max() / step) + 1.0) * step
        yes, no = np.sort(known[meant]), np.sort(known[~meant])
        hit_below, wrong_below = (
            np.searchsorted(some, places, side="right") / some.size for some in (yes, no)
        )
        hit_above, wrong_above = (
            1.0 - np.searchsorted(some, places, side="left") / some.size for some in (yes, no)
        )
        gains = {"below": hit_below - wrong_below, "above": hit_above - wrong_above}
        for side, gain in gains.items():
            place = int(gain.argmax())
            if gain[place] > most:
                most = float(gain[place])
                best = Criterion(name, side, on_step(name, float(places[place])))
    return best


def judge_criterion(
    criterion: Criterion, values: Mapping[str, np.ndarray], meant: np.ndarray, level: float
) -> Worth:
    """Return what a criterion is worth on lungs that it was not chosen on; shapes as in `choose`.

    Examples
    --------
    >>> soft = {"compliance": np.r_[25.0, 35.0, 60.0, 60.0]}
    >>> worth = judge_criterion(Criterion("compliance", "below", 40.0), soft,
    ...     np.array([True, False, False, False]), 0.95)
    >>> worth.sensitivity[0], round(worth.specificity[0], 2), worth.meant[0], worth.pointed
    (1.0, 0.67, 0.5, 0.5)
    """
    pointed = criterion.points_to(values[criterion.name])
    return Worth(
        _share(pointed[meant], level),
        _share(~pointed[~meant], level),
        _share(meant[pointed], level),
        float(pointed.mean()),
    )


def _share(yes: np.ndarray, level: float) -> tuple[float, float, float]:
    if not yes.size:
        return np.nan, np.nan, np.nan
    low, high = wilson(yes.sum(), yes.size, level)
    return float(yes.mean()), float(low), float(high)
