"""How much each limit decides: shares without it, and over what is not known of where it lies.

A margin is the signed distance to a bound in widths of its limit. Sizes: k bounds, n cases.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Dropped:
    """What each hard bound does to the cases that are safe.

    Parameters
    ----------
    safe : ndarray of bool, shape (n,)
        Cases that surely break no bound.
    without : ndarray of bool, shape (k, n)
        Cases that are safe where this bound does not count.
    broken, most, alone : ndarray of bool, shape (k, n)
        Cases that surely break this bound; that break it by more than any other; that break no
        other for sure.
    """

    safe: np.ndarray
    without: np.ndarray
    broken: np.ndarray
    most: np.ndarray
    alone: np.ndarray

    @property
    def gained(self) -> np.ndarray:
        """Cases that only this bound keeps from being safe, shape (k, n)."""
        gained: np.ndarray = self.without & ~self.safe
        return gained


def drop_each(margins: np.ndarray, clear: np.ndarray) -> Dropped:
    """Return what becomes of the cases where each bound is dropped, one at a time.

    Parameters
    ----------
    margins : ndarray, shape (k, n)
        Of the hard bounds; NaN where not known.
    clear : ndarray of bool, shape (n,)
        Whether caution limits leave a case determined.

    Examples
    --------
    The first case breaks one bound, the second both, the third none:

    >>> found = drop_each(np.array([[-1.0, -1.0, 1.0], [1.0, -2.0, 1.0]]), np.ones(3, bool))
    >>> found.without.tolist()
    [[True, False, True], [False, False, True]]
    """
    kept, broken = margins >= 0, margins < 0
    lost = (~kept).sum(axis=0)
    known = np.where(np.isnan(margins), np.inf, margins)
    least = known.argmin(axis=0) == np.arange(len(margins))[:, None]
    return Dropped(
        safe=(lost == 0) & clear,
        without=(lost - ~kept == 0) & clear,
        broken=broken,
        most=broken & least,
        alone=broken & (broken.sum(axis=0) == 1),
    )


@dataclass(frozen=True)
class Shifted:
    """Cases that are safe with bounds moved inward and outward by what is not known of them.

    Parameters
    ----------
    tight, loose : ndarray of bool, shape (k, n)
        With one bound moved and the others where they are.
    all_tight, all_loose : ndarray of bool, shape (n,)
        With all bounds moved.
    averaged : ndarray, shape (n,)
        Probability of being safe where every bound lies anywhere in its range, evenly and
        independently of the others.
    """

    tight: np.ndarray
    loose: np.ndarray
    all_tight: np.ndarray
    all_loose: np.ndarray
    averaged: np.ndarray


def shift_each(margins: np.ndarray, clear: np.ndarray, spread: np.ndarray) -> Shifted:
    """Return what becomes of the cases where bounds lie elsewhere in their ranges.

    Parameters
    ----------
    margins : ndarray, shape (k, n)
        Of the hard bounds; NaN where not known, which is never safe.
    clear : ndarray of bool, shape (n,)
        Whether caution limits leave a case determined.
    spread : ndarray, shape (k,)
        How far each bound may lie either way, in widths of its limit, >= 0.

    Examples
    --------
    A case half a range inside its only bound is safe with three quarters of what it may be:

    >>> found = shift_each(np.array([[0.1, -0.3]]), np.ones(2, bool), np.array([0.2]))
    >>> found.tight.tolist(), found.averaged.round(3).tolist()
    ([[False, False]], [0.75, 0.0])
    """
    reach = np.asarray(spread, float)[:, None]
    others = (~(margins >= 0)).sum(axis=0) - ~(margins >= 0) == 0
    tight, loose = margins - reach >= 0, margins + reach >= 0
    return Shifted(
        tight=tight & others & clear,
        loose=loose & others & clear,
        all_tight=tight.all(axis=0) & clear,
        all_loose=loose.all(axis=0) & clear,
        averaged=kept_probability(margins, spread).prod(axis=0) * clear,
    )


def kept_probability(margins: np.ndarray, spread: np.ndarray) -> np.ndarray:
    """Return how likely each bound is kept where it lies anywhere in its range, shape (k, ...).

    Parameters
    ----------
    margins : ndarray, shape (k, ...)
        NaN counts as broken.
    spread : ndarray, shape (k,)
        In widths, >= 0; 0 is a bound that is known.

    Examples
    --------
    >>> kept_probability(np.array([[0.1, 0.1]]), np.array([0.2])).tolist()
    [[0.75, 0.75]]
    """
    column = np.reshape(np.asarray(spread, float), (-1, *[1] * (margins.ndim - 1)))
    reach = np.broadcast_to(column, margins.shape)
    known = np.where(np.isnan(margins), -np.inf, margins)
    inside = np.divide(known, reach, out=np.where(known >= 0, 1.0, -1.0), where=reach > 0)
    return np.clip((inside + 1.0) / 2.0, 0.0, 1.0)
