"""How well a rule for T low foretells harm: releases counted by what it says and what follows.

A rule says how long a release may be. It is kept by releases up to a threshold, and broken by
those beyond. Sizes: n lungs, m releases of each, t thresholds, w weightings of the lungs.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

#: A second threshold that adds less than this to Youden's index is left open.
WORTH = 0.01


@dataclass(frozen=True)
class Releases:
    """Releases of each lung, counted by whether they are within a threshold and what follows.

    A release is harmed, unharmed or undetermined. One whose quantity is not known is not counted.

    Parameters
    ----------
    within, within_harmed, within_unharmed : ndarray, shape (n, t)
        Releases up to each threshold: all, those surely harmed, those surely unharmed.
    every, harmed, unharmed : ndarray, shape (n, 1)
        The same of all releases.
    """

    within: np.ndarray
    within_harmed: np.ndarray
    within_unharmed: np.ndarray
    every: np.ndarray
    harmed: np.ndarray
    unharmed: np.ndarray


def count_releases(
    measure: np.ndarray,
    harmed: np.ndarray,
    unharmed: np.ndarray,
    thresholds: np.ndarray,
    *,
    falls: bool,
) -> Releases:
    """Count the releases of each lung on both sides of every threshold.

    Parameters
    ----------
    measure : ndarray, shape (n, m)
        What the rule looks at.
    harmed, unharmed : ndarray of bool, shape (n, m)
        What surely follows; neither where it could not be determined.
    thresholds : ndarray, shape (t,)
        Values of the measure; NaN keeps no release.
    falls : bool
        Whether the measure falls as a release goes on, as flow does.

    Returns
    -------
    Releases

    Examples
    --------
    >>> ratio = np.array([[0.9, 0.6, 0.3]])
    >>> harmed = np.array([[False, False, True]])
    >>> counted = count_releases(ratio, harmed, ~harmed, np.array([0.75, 0.5]), falls=True)
    >>> counted.within.tolist(), counted.within_harmed.tolist()
    ([[1, 2]], [[0, 0]])
    """
    known = ~np.isnan(measure)
    kinds = (known, known & harmed, known & unharmed)
    within = np.empty((len(kinds), len(measure), np.size(thresholds)), int)
    for place, threshold in enumerate(thresholds):
        inside = measure >= threshold if falls else measure <= threshold
        for number, kind in enumerate(kinds):
            within[number, :, place] = (inside & kind).sum(axis=1)
    return Releases(*within, *(kind.sum(axis=1, keepdims=True) for kind in kinds))


@dataclass(frozen=True)
class Foretold:
    """How well each threshold tells the releases apart; NaN where nothing is counted.

    Parameters
    ----------
    unharmed_share : ndarray, shape (w, 1)
        Share unharmed of all releases.
    kept_share : ndarray, shape (w, t)
        Share of releases within the threshold.
    kept_unharmed, broken_unharmed : ndarray, shape (w, t)
        Share unharmed of those within and of those beyond.
    sensitivity, specificity : ndarray, shape (w, t)
        Share of harmed releases that break the rule, and of unharmed ones that keep it.
    """

    unharmed_share: np.ndarray
    kept_share: np.ndarray
    kept_unharmed: np.ndarray
    broken_unharmed: np.ndarray
    sensitivity: np.ndarray
    specificity: np.ndarray

    @property
    def youden(self) -> np.ndarray:
        """Sensitivity plus specificity less one, shape (w, t); below 0 harm lies within."""
        return self.sensitivity + self.specificity - 1.0


def foretold(counted: Releases, weights: np.ndarray) -> Foretold:
    """Return how well each threshold foretells harm, under each weighting of the lungs.

    Parameters
    ----------
    counted : Releases
        Of n lungs.
    weights : ndarray, shape (w, n)
        How often each lung counts.

    Examples
    --------
    >>> ratio = np.array([[0.9, 0.6, 0.3]])
    >>> harmed = np.array([[False, False, True]])
    >>> counted = count_releases(ratio, harmed, ~harmed, np.array([0.75, 0.5]), falls=True)
    >>> foretold(counted, np.ones((1, 1))).youden.tolist()
    [[0.5, 1.0]]
    """
    within, within_harmed, within_unharmed, every, harmed, unharmed = (
        weights @ getattr(counted, name) for name in Releases.__dataclass_fields__
    )
    return Foretold(
        _share(unharmed, every),
        _share(within, every),
        _share(within_unharmed, within),
        _share(unharmed - within_unharmed, every - within),
        _share(harmed - within_harmed, harmed),
        _share(within_unharmed, unharmed),
    )


def _share(part: np.ndarray, whole: np.ndarray) -> np.ndarray:
    return np.divide(part, whole, out=np.full(part.shape, np.nan), where=np.asarray(whole) > 0)


def best_band(youden: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the two thresholds between which a rule foretells harm best.

    Parameters
    ----------
    youden : ndarray, shape (w, t)
        Of every threshold alone, in the order of longer and longer releases; NaN where there are
        no harmed or no unharmed releases.

    Returns
    -------
    first, last : ndarray of int, shape (w,)
        The rule is kept by releases beyond threshold `first` and up to threshold `last`; -1 and t
        where that end is open. One threshold is enough where a second adds less than `WORTH`.
    best : ndarray, shape (w,)
        Sensitivity plus specificity less one of that rule; NaN where it is not known.

    Notes
    -----
    Youden's index of a band is that of its last threshold less that of its first: harmed and
    unharmed releases within the band are those within the last less those within the first. An
    open end has 0, so that a band with one open end is a rule with one threshold.

    Examples
    --------
    >>> [x.tolist() for x in best_band(np.array([[-0.2, 0.1, 0.5, 0.3]]))]
    [[0], [2], [0.7]]
    """
    rows, t = np.arange(len(youden)), youden.shape[1]
    known = ~np.isnan(youden).any(axis=1)
    padded = np.pad(np.where(known[:, None], youden, 0.0), ((0, 0), (1, 1)))
    gain = padded - np.minimum.accumulate(padded, axis=1)
    last = gain.argmax(axis=1)
    first = np.where(np.arange(t + 2) <= last[:, None], padded, np.inf).argmin(axis=1)
    best = gain[rows, last]
    only_last, only_first = padded.argmax(axis=1), padded.argmin(axis=1)
    for start, end in ((only_first, np.full_like(last, t + 1)), (np.zeros_like(last), only_last)):
        alone = padded[rows, end] - padded[rows, start]
        enough = alone > best - WORTH
        first, last = np.where(enough, start, first), np.where(enough, end, last)
        best = np.where(enough, alone, best)
    return first - 1, last - 1, np.where(known, best, np.nan)


def best_rule(told: Foretold, thresholds: np.ndarray) -> dict[str, np.ndarray]:
    """Return the best rule under every weighting, shape (w,) each."""
    first, last, best = best_band(told.youden)
    rows = np.arange(best.size)

    def within(values: np.ndarray, end: np.ndarray, of_all: float) -> np.ndarray:
        """Return a cumulative share at thresholds, 0 before the first and all after the last."""
        padded = np.pad(values, ((0, 0), (1, 1)), constant_values=((0, 0), (0.0, of_all)))
        return padded[rows, end + 1]

    def share(values: np.ndarray) -> np.ndarray:
        return within(values, last, 1.0) - within(values, first, 1.0)

    specificity, harmed_kept, kept = (
        share(values) for values in (told.specificity, 1.0 - told.sensitivity, told.kept_share)
    )
    unharmed = told.unharmed_share[:, 0]
    ends = np.concatenate([[np.nan], thresholds, [np.nan]])
    return {
        "best_first": ends[first + 1],
        "best_last": ends[last + 1],
        "best_youden": best,
        "best_sensitivity": 1.0 - harmed_kept,
        "best_specificity": specificity,
        "best_kept_unharmed_share": _ratio(specificity * unharmed, kept),
        "best_broken_unharmed_share": _ratio((1.0 - specificity) * unharmed, 1.0 - kept),
    }


def _ratio(part: np.ndarray, whole: np.ndarray) -> np.ndarray:
    return np.divide(part, whole, out=np.full(part.shape, np.nan), where=whole > 0)
