"""One published finding: what somebody measured, what it allows, and how the model is asked."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from inspect import getdoc
from typing import Literal, get_args

import numpy as np

from ebbmap.errors import EbbmapError, unknown_name
from ebbmap.validation.reading import Reading

Interval = tuple[float, float]

#: How we know a number: "read", in the paper or its abstract; "transcription", in another text
#: that copies the paper; "memory", from memory; "derived", our arithmetic on numbers read.
Grade = Literal["read", "transcription", "memory", "derived"]

#: What may come of holding the model beside a finding.
VERDICTS = ("agrees", "set by it", "disagrees", "not comparable")


def of_mean(mean: float, sd: float, n: int) -> Interval:
    """Return two standard errors on either side of a mean.

    Examples
    --------
    >>> [round(x, 3) for x in of_mean(0.69, 0.218, 12)]
    [0.564, 0.816]
    """
    error = 2.0 * sd / n**0.5
    return mean - error, mean + error


def of_median(median: float, low: float, high: float, n: int) -> Interval:
    """Return the notch of a median with its quartiles.

    References
    ----------
    .. [1] 1.57 IQR / sqrt(n): McGill et al., Am Stat 1978;32:12 (from memory).

    Examples
    --------
    >>> [round(x, 1) for x in of_median(54, 44, 64, 138)]
    [51.3, 56.7]
    """
    notch = 1.57 * (high - low) / n**0.5
    return median - notch, median + notch


def of_share(count: int, n: int) -> Interval:
    """Return two standard errors on either side of a share of patients.

    Examples
    --------
    >>> [round(x, 2) for x in of_share(40, 100)]
    [0.3, 0.5]
    """
    share = count / n
    return of_mean(share, (share * (1.0 - share)) ** 0.5, n)


@dataclass(frozen=True)
class Finding:
    """One published finding.

    Parameters
    ----------
    name, source, grade : str
        What was measured, by whom, and how we know (`Grade`).
    interval : (float, float)
        What the paper allows: a stated interval, else `of_mean` or `of_median`.
    measure : callable, optional
        ``measure() -> Reading``: the model's number, measured as the paper did. Everything is
        read when it is called. None where the two cannot be compared.
    units : str
        Unit of both.
    fitted : bool
        Whether the model was set by this very number, so that agreement proves nothing.
    note : str
        What was assumed to compare the two.
    why : str
        Why they disagree or cannot be compared, in one phrase.

    Raises
    ------
    EbbmapError
        If the grade is unknown, the interval is reversed, or nothing says why the two cannot be
        compared.
    """

    name: str
    source: str
    grade: Grade
    interval: Interval
    measure: Callable[[], Reading] | None
    units: str = "1"
    fitted: bool = False
    note: str = ""
    why: str = ""

    def __post_init__(self) -> None:
        """Refuse a finding that cannot be told."""
        if self.grade not in get_args(Grade):
            raise EbbmapError(unknown_name("grade", self.grade, get_args(Grade)))
        if not (self.source and self.interval[0] < self.interval[1]):
            raise EbbmapError(
                f"{self.name!r} must have a source and an interval with low < high; got "
                f"{self.source!r}, {self.interval}. Correct the finding."
            )
        if self.measure is None and not self.why:
            raise EbbmapError(f"{self.name!r} has no way to measure the model. Say why.")

    @property
    def how(self) -> str:
        """How the model was measured: the first line of its function's text, and its arguments."""
        if self.measure is None:
            return ""
        asked = self.measure if isinstance(self.measure, partial) else partial(self.measure)
        text = (getdoc(asked.func) or "").partition("\n")[0]
        text = text.removeprefix("Return ").removesuffix(".")
        given = ", ".join(str(word).replace("_", " ") for word in asked.args)
        return f"{text}: {given}" if given else text

    def verdict(self, value: float) -> str:
        """Return what a number of the model makes of the finding; NaN never agrees.

        Examples
        --------
        >>> heart = Finding("pulse", "invented", "memory", (60.0, 80.0), None, why="invented")
        >>> heart.verdict(70.0)
        'not comparable'
        """
        if self.measure is None:
            return "not comparable"
        if not self.interval[0] <= value <= self.interval[1]:
            return "disagrees"
        return "set by it" if self.fitted else "agrees"

    def reached(self, value: float, *intervals: np.ndarray) -> bool:
        """Return whether a number, with all that its intervals leave open, reaches the finding.

        Parameters
        ----------
        value : float
            The model's number.
        *intervals : ndarray, shape (2,)
            Lower and upper end of each; NaN where there is none. Their parts below and above the
            number add up as those of independent errors do.

        Examples
        --------
        >>> heart = Finding("pulse", "invented", "memory", (60.0, 80.0), None, why="invented")
        >>> drawn, known = np.array([52.0, 58.0]), np.array([48.0, 58.0])
        >>> heart.reached(55.0, drawn, known), heart.reached(55.0, drawn, known + [0.0, 4.0])
        (False, True)
        """
        apart = np.nan_to_num(np.array([np.asarray(pair) - value for pair in intervals]))
        below, above = np.sqrt((apart**2).sum(axis=0)) if len(intervals) else (0.0, 0.0)
        low, high = self.interval
        return bool(value - below <= high and value + above >= low)

    def distance(self, value: float | np.ndarray) -> float | np.ndarray:
        """Return how far a number lies from the middle of the interval [half its width]."""
        low, high = self.interval
        return (value - 0.5 * (low + high)) / (0.5 * (high - low))
