"""How large analyses are that draw a design at every place of an axis."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from math import comb
from typing import Any

from ebbmap.analyses.common.factors import factors_of
from ebbmap.analyses.common.sizes import Size, places_of, solved_outcomes
from ebbmap.analyses.options import Axes
from ebbmap.cases.question import Question

#: Times that a design doubles at most, as sizes, where no budget is given.
GROWTH = 16

#: Base rows of a design, at least.
LEAST_SIZE = 16

#: Seconds of resampling by base row, resample, outcome and index (measured: 8,192 rows, 15
#: outcomes, 12 factors with second order and 1,000 resamples take 1.0 s).
_RESAMPLING_SECONDS = 1.0 / (8192 * 1000 * 15 * (12 + comb(12, 2)))


def design_size(rows: Callable[[Any, int], int]) -> Callable[[Question, Any, Axes], Size]:
    """Return the size of an analysis, from the rows of its design: ``rows(options, factors)``."""

    def size(question: Question, options: Any, axes: Axes) -> Size:
        outcomes = len(solved_outcomes(question, options))
        total, largest, seconds = 0, 0, 0.0
        for group in question.groups():
            d = len(factors_of(question, group, options.along, options.outcomes).names)
            here = rows(options, d)
            total, largest = total + here, max(largest, here)
            if getattr(options, "second_order", None) is not None:
                indices = d + (comb(d, 2) if options.second_order else 0)
                seconds += largest_design(options) * options.resamples * outcomes * indices
        places = places_of(options, axes)
        # solved rows are kept for a larger design
        kept = places * total * outcomes if hasattr(options, "stopping_width") else 0
        return Size(places * total, largest, kept, places * seconds * _RESAMPLING_SECONDS)

    return size


def largest_design(options: Any) -> int:
    """Return the base rows of a Sobol design when it has grown as far as it may."""
    if options.stopping_width is None:
        return int(options.base_size)
    return int(options.max_base_size or GROWTH * options.base_size)


def smaller_design(smaller: Mapping[str, Any], larger: Mapping[str, Any]) -> bool:
    """Return whether the rows of a Sobol design are the first rows of another one.

    Parameters
    ----------
    smaller, larger : mapping
        Options of two designs, as JSON knows them.

    Examples
    --------
    >>> one = {"base_size": 64, "stopping_width": None, "max_base_size": None}
    >>> two = {**one, "base_size": 256}
    >>> smaller_design(one, two), smaller_design(two, one)
    (True, False)
    """
    grows = ("base_size", "stopping_width", "max_base_size")
    if {**smaller, **dict.fromkeys(grows)} != {**larger, **dict.fromkeys(grows)}:
        return False
    before, now = smaller["stopping_width"], larger["stopping_width"]
    narrower = before is None or (now is not None and now <= before)
    return bool(narrower and smaller["base_size"] <= larger["base_size"])
