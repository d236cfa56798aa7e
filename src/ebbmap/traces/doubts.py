"""What a trace cannot tell: identifiability, and structure of residuals.

Sizes: d properties, b bins, r samples.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy.signal import find_peaks
from scipy.stats import chi2

from ebbmap.traces.best import Best
from ebbmap.traces.profiles import LEVEL, Profiles

#: How often 90 % intervals of random patients held the truth, by lung: measured with flat priors
#: (tests/external/trace_coverage.toml).
COVERED = {"linear": 0.95, "tube": 0.93, "paired": 0.94, "whole": 0.88}

#: Intervals of a lung whose coverage is below this come with a warning.
ENOUGH = 0.85

#: A property counts as identifiable if its interval is less than this share of what the prior
#: alone leaves open, and the ends of a positive one lie within this factor of each other.
NARROWED, FACTOR = 0.5, 3.0

#: Residuals have structure if they remember longer than so many samples; effort is suspected
#: where what differs between cycles does, and is so many times the noise between neighbours.
STRUCTURE, EFFORT = 2.0, 1.3


def identifiable(best: Best, found: Profiles, ends: np.ndarray) -> np.ndarray:
    """Return which properties the trace determines, shape (d,).

    Parameters
    ----------
    best : Best
        The best fit.
    found : Profiles
        Of its properties.
    ends : ndarray, shape (2, d)
        Interval of each property.

    Notes
    -----
    A property is practically identifiable if its profile rises beyond the threshold on both sides
    within what is possible (Raue et al., Bioinformatics 2009;25:1923, from memory), and its
    interval is much narrower than the prior's, and than a factor of FACTOR.
    """
    scale = best.misfit.scale
    threshold = chi2.ppf(LEVEL, 1)
    size = len(scale.properties)
    middle = 0.5 * (ends[0] + ends[1])
    below = np.array(
        [_rises(found, i, found.values[i] < middle[i], threshold) for i in range(size)]
    )
    above = np.array(
        [_rises(found, i, found.values[i] > middle[i], threshold) for i in range(size)]
    )
    alone = scale.prior_ends(LEVEL)
    narrowed = ends[1] - ends[0] < NARROWED * (alone[1] - alone[0])
    close = ends[1] < FACTOR * np.maximum(ends[0], 1e-12)
    answer: np.ndarray = below & above & narrowed & close
    return answer


def _rises(found: Profiles, row: int, side: np.ndarray, threshold: float) -> bool:
    return bool(np.any(found.worse[row][side] > threshold))


class Structure(NamedTuple):
    """What is left of the flow once lung and disturbances are taken out."""

    memory: float
    """Autocorrelation time of the residuals, in samples."""
    repeats: float
    """Share of the residuals' variance that repeats itself from cycle to cycle, 0 if none does."""
    effort: bool
    """Whether flow differs between cycles as it does where somebody breathes."""
    words: str
    """What follows."""


def structure_of(best: Best, residuals: np.ndarray) -> Structure:
    """Return the structure of residuals, shape (r,)."""
    repeats = _repeating(best, residuals)
    effort = _bursts(best, residuals)
    words = []
    if best.memory > STRUCTURE:
        words.append(
            f"residuals remember {best.memory:.1f} samples, so intervals were widened: the lung "
            "lacks something that the trace has"
        )
    if repeats > 0.0:
        words.append(f"{100.0 * repeats:.0f} % of their variance repeats itself in each cycle")
    if effort:
        words.append(
            "flow differs between cycles in smooth swings: the patient may breathe, and the fitted "
            "lung then takes part of the effort for its own"
        )
    return Structure(best.memory, repeats, effort, "; ".join(words) or "residuals look like noise")


def _repeating(best: Best, residuals: np.ndarray) -> float:
    """Return the share of variance between bins beyond what noise puts there."""
    bins, counts = best.misfit.bins, best.misfit.counts
    if best.misfit.cycles.count < 2 or not best.misfit.cycles.settled:
        return 0.0
    means = np.bincount(bins, weights=residuals) / counts
    within = residuals - means[bins]
    many = counts > 1
    freedom = within.size - counts.size
    if freedom < counts.size or many.sum() < 20:
        return 0.0
    noise = float(within @ within) / freedom
    between = float(np.sum(counts * means**2)) / counts.size
    chance = 4.0 * np.sqrt(2.0 / counts.size + 2.0 / freedom)
    if between <= noise * (1.0 + chance):
        return 0.0
    total = float(residuals @ residuals) / residuals.size
    return min(1.0, (between - noise) * counts.size / residuals.size / total)


def _bursts(best: Best, residuals: np.ndarray) -> bool:
    """Return whether residuals hold swings of tenths of a second that stand out of the noise."""
    width = max(round(0.3 / best.misfit.cycles.interval), 3)
    if residuals.size < 8 * width:
        return False
    if best.misfit.cycles.settled and best.misfit.cycles.count > 2:
        # what repeats itself is the lung's
        bins = best.misfit.bins
        residuals = residuals - (np.bincount(bins, weights=residuals) / best.misfit.counts)[bins]
    smooth = np.convolve(residuals, np.ones(width) / width, mode="same")
    neighbours = float(np.std(np.diff(residuals)) / np.sqrt(2.0))
    if np.std(smooth) * np.sqrt(width) < EFFORT * max(neighbours, 1e-6):
        return False
    high = 5.0 * neighbours / np.sqrt(width)
    peaks, _ = find_peaks(np.abs(smooth), height=high, distance=2 * width)
    return peaks.size >= 3
