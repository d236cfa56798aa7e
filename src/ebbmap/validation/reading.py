"""One number read off the model, and how far it hangs on the lungs that were drawn.

Sizes: n lungs, m resamples.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, partial
from typing import Any

import numpy as np

#: Resamples of the lungs drawn, and the seed that draws them.
RESAMPLES, SEED = 500, 0

#: Percentiles of the resamples between which the interval lies.
ENDS = (2.5, 97.5)

Statistic = Callable[..., Any]


@dataclass(frozen=True)
class Reading:
    """A number of the model.

    Parameters
    ----------
    statistic : callable
        ``statistic(*columns)`` takes arrays of shape (..., n) to (...).
    columns : tuple of ndarray, shape (n,) each
        What was read in each lung; none where no lung was drawn.
    """

    statistic: Statistic
    columns: tuple[np.ndarray, ...] = ()

    @property
    def value(self) -> float:
        """The number."""
        return float(self.statistic(*self.columns))

    @property
    def lungs(self) -> int:
        """Lungs that were drawn for it; 0 if it hangs on none."""
        return self.columns[0].size if self.columns else 0

    def lungs_drawn(self) -> tuple[float, float]:
        """Return the interval that other draws of as many lungs would give; NaN without lungs.

        It knows nothing of how well the population itself is known.

        Examples
        --------
        >>> low, high = mean_of(np.arange(100.0)).lungs_drawn()
        >>> 42.0 < low < 49.5 < high < 57.0
        True
        """
        if not self.columns:
            return np.nan, np.nan
        rows = _rows(self.lungs)
        resampled = self.statistic(*(column[rows] for column in self.columns))
        low, high = np.percentile(resampled, ENDS)
        return float(low), float(high)


@cache
def _rows(n: int) -> np.ndarray:
    """Return the lungs of each resample, shape (m, n)."""
    return np.random.default_rng(SEED).integers(n, size=(RESAMPLES, n), dtype=np.int32)


def exact(value: float) -> Reading:
    """Return a number that hangs on no draw."""
    return Reading(lambda: np.asarray(value))


def mean_of(column: np.ndarray) -> Reading:
    """Return the mean over lungs."""
    return Reading(partial(np.mean, axis=-1), (column,))


def median_of(column: np.ndarray) -> Reading:
    """Return the median over lungs; a lung whose number is not known is left out."""
    return Reading(partial(np.nanmedian, axis=-1), (column,))
