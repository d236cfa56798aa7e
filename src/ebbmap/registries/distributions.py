"""Distributions of one property, as functions of a standard normal score."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, get_args

import numpy as np
from scipy.special import ndtr, ndtri

from ebbmap.array import clip, exp
from ebbmap.errors import EbbmapError, unknown_name
from ebbmap.registries.parameters import parameter
from ebbmap.special import normal_cdf, normal_quantile
from ebbmap.units import display

Confirmed = Literal["read", "transcription", "derived", "memory, uncertain", "assumption"]
Family = Literal["normal", "lognormal", "uniform"]

#: Unit-cube coordinates are kept this far from 0 and 1, where a normal score is infinite.
EDGE = 2.0**-40

#: What low and high must leave of a distribution: less is no cut, but another distribution.
LEAST_LEFT = 1e-6


@dataclass(frozen=True)
class Marginal:
    """Distribution of one property, as a function of a standard normal score.

    Parameters
    ----------
    family : {"normal", "lognormal", "uniform"}
        Shape.
    centre, spread : float
        Mean and SD of a normal; median and log-SD of a lognormal; low and high of a uniform.
    low, high : float
        Where a normal or a lognormal is cut off.
    confirmed : {"read", "transcription", "derived", "memory, uncertain", "assumption"}
        How far the source was confirmed.
    source : str
        Where centre and spread come from. Never empty.

    Raises
    ------
    EbbmapError
        If the numbers cannot be a distribution.
    """

    family: Family
    centre: float
    spread: float
    source: str
    confirmed: Confirmed = "assumption"
    low: float = -np.inf
    high: float = np.inf

    def __post_init__(self) -> None:
        """Refuse a family that is not known, and numbers that cannot be a distribution."""
        if self.family not in get_args(Family):
            raise EbbmapError(
                f"{unknown_name('family', self.family, get_args(Family))} A distribution that is "
                "cut off is a normal or a lognormal with low or high."
            )
        if not (np.isfinite(self.centre) and np.isfinite(self.spread) and self.source):
            raise EbbmapError("a distribution needs finite numbers and a source.")
        if self.confirmed not in get_args(Confirmed):
            raise EbbmapError(unknown_name("confirmed", self.confirmed, get_args(Confirmed)))
        if self.family == "uniform" and not self.centre < self.spread:
            raise EbbmapError(
                f"a uniform must have low < high; got {self.centre:g}, {self.spread:g}. Swap them."
            )
        if self.family != "uniform" and not self.spread > 0:
            raise EbbmapError(f"a spread must be > 0; got {self.spread:g}. Fix the value instead.")
        if self.family == "lognormal" and not self.centre > 0:
            raise EbbmapError(f"a lognormal's median must be > 0; got {self.centre:g}.")
        if not self.low < self.high:
            raise EbbmapError(f"must have low < high; got {self.low:g}, {self.high:g}. Swap them.")
        if self._is_cut and self.family == "uniform":
            raise EbbmapError("a uniform has its own ends. Drop low and high.")
        if self._is_cut and self._kept[1] - self._kept[0] < LEAST_LEFT:
            raise EbbmapError(
                f"low {self.low:g} and high {self.high:g} must leave some of the distribution; "
                f"they leave less than {LEAST_LEFT:g} of it. Move them, or its centre."
            )

    @property
    def _is_cut(self) -> bool:
        return not (np.isinf(self.low) and np.isinf(self.high))

    @property
    def _kept(self) -> Any:
        """Shares of the whole distribution below `low` and below `high`."""
        return ndtr(self._whole_score(np.array([self.low, self.high])))

    def _whole_score(self, value: Any) -> Any:
        """Return the score in the normal or lognormal before it is cut off."""
        if self.family == "lognormal":
            with np.errstate(divide="ignore"):
                return np.log(np.maximum(value, 0.0) / self.centre) / self.spread
        return (value - self.centre) / self.spread

    def at(self, score: np.ndarray) -> Any:
        """Return the property at standard normal scores, any shape.

        Examples
        --------
        >>> float(Marginal("lognormal", 36.0, 0.33, "invented").at(np.array(0.0)))
        36.0
        """
        if self.family == "uniform":
            return self.centre + (self.spread - self.centre) * normal_cdf(score)
        if self._is_cut:
            floor, roof = self._kept
            score = normal_quantile(floor + (roof - floor) * normal_cdf(score))
        if self.family == "lognormal":
            drawn = self.centre * exp(self.spread * score)
        else:
            drawn = self.centre + self.spread * score
        return clip(drawn, self.low, self.high) if self._is_cut else drawn

    def score(self, value: np.ndarray) -> Any:
        """Return the standard normal score of a property, the inverse of `at`.

        Examples
        --------
        >>> float(Marginal("normal", 0.5, 0.1, "invented").score(np.array(0.6)).round(6))
        1.0
        """
        if self.family == "uniform":
            share = (value - self.centre) / (self.spread - self.centre)
        elif self._is_cut:
            floor, roof = self._kept
            share = (ndtr(self._whole_score(value)) - floor) / (roof - floor)
        else:
            return self._whole_score(value)
        return ndtri(np.clip(share, EDGE, 1.0 - EDGE))

    def outside(self, low: float, high: float, *, mean: Any = 0.0, sd: Any = 1.0) -> Any:
        """Return the probability of a value below `low` or above `high`.

        Parameters
        ----------
        low, high : float
            Ends, in the property's unit.
        mean, sd : array_like, shape (...)
            Of the normal score, where it is known in part.

        Returns
        -------
        float or ndarray, shape (...)

        Examples
        --------
        >>> round(float(Marginal("normal", 66.0, 11.0, "invented").outside(20.0, 150.0)), 7)
        1.45e-05
        """
        least, most = (
            (self.centre, self.spread) if self.family == "uniform" else (self.low, self.high)
        )
        below = -np.inf if low <= least else self.score(np.minimum(low, most))
        above = np.inf if high >= most else self.score(np.maximum(high, least))
        return ndtr((below - mean) / sd) + ndtr((mean - above) / sd)

    def say(self, name: str) -> str:
        """Say the distribution of a parameter in words, for captions.

        Examples
        --------
        >>> Marginal("uniform", 18.0, 28.0, "invented").say("p_high")
        'P high evenly between 18 and 28 cmH₂O'
        """
        entry = parameter(name)
        unit = display(entry.units)
        if self.family == "uniform":
            text = f"evenly between {self.centre:g} and {self.spread:g}"
        elif self.family == "lognormal":
            text = f"lognormal, median {self.centre:g} and log-SD {self.spread:g}"
        else:
            text = f"normal, {self.centre:g} +/- {self.spread:g}"
        ends = [f"from {self.low:g}"] if np.isfinite(self.low) else []
        ends += [f"up to {self.high:g}"] if np.isfinite(self.high) else []
        return " ".join([entry.long_name, text, *ends, unit]).rstrip()
