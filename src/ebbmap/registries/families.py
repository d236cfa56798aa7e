"""More distributions of one property: any that has quantiles, and those read off a table.

Sizes: r rows, m parts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
from scipy.special import ndtr, ndtri

from ebbmap.errors import EbbmapError
from ebbmap.registries.distributions import EDGE, LEAST_LEFT, Confirmed, Marginal

#: Points at which a distribution without a formula for its quantiles is kept.
POINTS = 4001

#: Factor of Silverman's rule for the width of a kernel.
SILVERMAN = 0.9


@dataclass(frozen=True)
class Shaped(Marginal):
    """Distribution of one property by its quantiles.

    `family` names it, `centre` is its median and `spread` its standard deviation.

    Parameters
    ----------
    distribution : object
        With ``ppf(shares)`` and ``cdf(values)``, as frozen distributions of scipy.stats.
    """

    distribution: Any = field(default=None, compare=False)

    def __post_init__(self) -> None:
        """Refuse a distribution without quantiles, or one of which too little is left."""
        if not (callable(getattr(self.distribution, "ppf", None)) and self.source):
            raise EbbmapError("a distribution needs quantiles (ppf, cdf) and a source.")
        if not (np.isfinite(self.centre) and np.isfinite(self.spread) and self.spread > 0.0):
            raise EbbmapError(
                f"a distribution must have a finite median and a spread > 0; got {self.centre:g} "
                f"and {self.spread:g}. Take another."
            )
        if not self.low < self.high or self._ends[1] - self._ends[0] < LEAST_LEFT:
            raise EbbmapError(
                f"low {self.low:g} and high {self.high:g} must leave some of the distribution. "
                "Move them."
            )

    @property
    def _ends(self) -> Any:
        """Shares of the whole distribution below `low` and below `high`."""
        return self.distribution.cdf(np.array([self.low, self.high]))

    def at(self, score: np.ndarray) -> Any:
        """Return the property at standard normal scores, any shape."""
        floor, roof = self._ends
        share = np.clip(ndtr(score), EDGE, 1.0 - EDGE)
        return np.clip(self.distribution.ppf(floor + (roof - floor) * share), self.low, self.high)

    def score(self, value: np.ndarray) -> Any:
        """Return the standard normal score of a property, the inverse of `at`."""
        floor, roof = self._ends
        share = (self.distribution.cdf(value) - floor) / (roof - floor)
        return ndtri(np.clip(share, EDGE, 1.0 - EDGE))

    def say(self, name: str) -> str:
        """Describe the distribution of a parameter in words, for captions."""
        plain = Marginal("normal", self.centre, self.spread, self.source).say(name)
        return plain.replace("normal,", f"{self.family}, median").replace("+/-", "and SD")


class Interpolated(NamedTuple):
    """A distribution by its scores at some values; both increasing."""

    scores: np.ndarray
    values: np.ndarray

    def ppf(self, share: np.ndarray) -> np.ndarray:
        """Return quantiles."""
        return np.interp(ndtri(np.clip(share, EDGE, 1.0 - EDGE)), self.scores, self.values)

    def cdf(self, value: np.ndarray) -> Any:
        """Return shares below values."""
        return ndtr(np.interp(value, self.values, self.scores, left=-np.inf, right=np.inf))


def shaped(
    distribution: Any,
    source: str,
    *,
    family: str = "scipy",
    confirmed: Confirmed = "assumption",
    low: float = -np.inf,
    high: float = np.inf,
) -> Shaped:
    """Return the distribution of a property by its quantiles.

    Parameters
    ----------
    distribution : object
        With ``ppf`` and ``cdf``, such as ``scipy.stats.gamma(3.0, scale=4.0)``.
    source, confirmed, low, high
        As in `Marginal`.
    family : str
        What it is called in tables.

    Examples
    --------
    >>> from scipy import stats
    >>> one = shaped(stats.gamma(4.0, scale=3.0), "invented for this example", family="gamma")
    >>> round(float(one.at(one.score(10.0))), 9)
    10.0
    """
    if not callable(getattr(distribution, "ppf", None)):
        raise EbbmapError("a distribution must have ppf and cdf, as scipy.stats.gamma(3.0) has.")
    ladder = distribution.ppf((np.arange(999) + 0.5) / 999)
    return Shaped(
        family,  # type: ignore[arg-type]
        float(distribution.ppf(0.5)),
        float(np.std(ladder)),
        source,
        confirmed,
        low,
        high,
        distribution,
    )


def _stats() -> Any:
    """Return scipy.stats, which takes half a second to load and which few files need."""
    from scipy import stats

    return stats


def gamma(mean: float, sd: float) -> Any:
    """Return a gamma distribution by mean and SD."""
    if not (mean > 0.0 and sd > 0.0):
        raise EbbmapError(f"a gamma must have mean and sd > 0; got {mean:g}, {sd:g}.")
    return _stats().gamma((mean / sd) ** 2, scale=sd**2 / mean)


def beta(low: float, high: float, mean: float, sd: float) -> Any:
    """Return a beta distribution between two ends by mean and SD."""
    if not low < mean < high:
        raise EbbmapError(f"a beta must have low < mean < high; got {low:g}, {mean:g}, {high:g}.")
    share, spread = (mean - low) / (high - low), sd / (high - low)
    size = share * (1.0 - share) / spread**2 - 1.0
    if not size > 0.0:
        most = (high - low) * np.sqrt(share * (1.0 - share))
        raise EbbmapError(f"a beta with this mean must have sd < {most:.3g}; got {sd:g}.")
    return _stats().beta(share * size, (1.0 - share) * size, loc=low, scale=high - low)


def triangular(low: float, mode: float, high: float) -> Any:
    """Return a triangular distribution."""
    if not (low <= mode <= high and low < high):
        raise EbbmapError(
            f"a triangular must have low <= mode <= high; got {low:g}, {mode:g}, {high:g}."
        )
    return _stats().triang((mode - low) / (high - low), loc=low, scale=high - low)


def mixture(parts: Sequence[Any], weights: Sequence[float]) -> Interpolated:
    """Return a mixture of distributions, each with ``cdf`` and ``ppf``.

    Examples
    --------
    >>> from scipy import stats
    >>> both = mixture([stats.norm(20.0, 2.0), stats.norm(40.0, 2.0)], [1.0, 1.0])
    >>> round(float(both.cdf(30.0)), 3)
    0.5
    """
    share = np.asarray(weights, dtype=float)
    if len(parts) != share.size or not np.all(share > 0.0):
        raise EbbmapError("a mixture must have one weight > 0 for each part.")
    ends = np.array([[part.ppf(EDGE), part.ppf(1.0 - EDGE)] for part in parts])
    ladder = (np.arange(POINTS) + 0.5) / POINTS
    own = [part.ppf(ladder) for part in parts]
    values = np.unique(np.concatenate([*own, ends.ravel()]))
    below = sum(w * part.cdf(values) for w, part in zip(share / share.sum(), parts, strict=True))
    return _interpolated(values, below)


def kernel(values: np.ndarray, weights: np.ndarray | None = None) -> Interpolated:
    """Return the smoothed distribution of measured values, by the logarithm where all are > 0.

    Notes
    -----
    Normal kernels; width by Silverman's rule from the lesser of SD and quartiles.
    """
    positive = bool(np.all(values > 0.0))
    seen = np.log(values) if positive else np.asarray(values, dtype=float)
    weight = np.ones(seen.size) if weights is None else np.asarray(weights, dtype=float)
    weight = weight / weight.sum()
    width = kernel_width(seen, weight)
    places = np.linspace(seen.min() - 7.0 * width, seen.max() + 7.0 * width, POINTS)
    below = ndtr((places[:, None] - seen) / width) @ weight
    return _interpolated(np.exp(places) if positive else places, below)


def kernel_width(values: np.ndarray, weight: np.ndarray) -> float:
    """Return the width of a kernel by Silverman's rule."""
    mean = weight @ values
    sd = float(np.sqrt(weight @ (values - mean) ** 2))
    quartiles = np.quantile(values, [0.25, 0.75])
    spread = min(sd, (quartiles[1] - quartiles[0]) / 1.349) or sd
    if not spread > 0.0:
        raise EbbmapError(f"values must differ; all are {values[0]:g}. Fix the property instead.")
    effective = 1.0 / float(np.sum(weight**2))
    return float(SILVERMAN * spread * effective**-0.2)


def _interpolated(values: np.ndarray, below: np.ndarray) -> Interpolated:
    scores = ndtri(np.clip(below, EDGE, 1.0 - EDGE))
    rising = np.concatenate([[True], np.diff(scores) > 0.0])
    return Interpolated(scores[rising], values[rising])
