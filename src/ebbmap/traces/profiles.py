"""Profile likelihoods: how well any lung explains a trace that has one property at a value.

Sizes: n draws, d properties, q places of a profile, w suppositions.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ebbmap.kernels.descent import descend
from ebbmap.traces.best import Best
from ebbmap.traces.misfit import Misfit

#: Level of all intervals.
LEVEL = 0.9

#: Shares of the posterior below the places of a profile; one more lies so many of its standard
#: deviations beyond each end.
LADDER = (0.0, 0.01, 0.05, 0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 0.9, 0.95, 0.99, 1.0)
REACH = 1.5

#: How much more narrowly than its posterior a property is held; steps of each descent.
HOLD, STEPS = 8.0, 10

#: Suppositions less likely than this at the draws are not followed.
UNLIKELY = 0.01


class Profiles(NamedTuple):
    """How the best fit worsens as one property is held elsewhere; shape (d, q) each."""

    values: np.ndarray
    """Of the property, in registry units."""
    worse: np.ndarray
    """By how much -2 log likelihood rises; the prior counts too."""


def profiles(best: Best, places: np.ndarray) -> Profiles:
    """Return the profile likelihood of each property.

    Parameters
    ----------
    best : Best
        The best fit.
    places : ndarray, shape (n, d)
        Draws from the posterior, from which descents begin.

    Notes
    -----
    A property is held by one more residual that is HOLD times narrower than the posterior, which
    serves a property that moves and one that follows from several alike. Descents are made under
    each likely supposition of what is large beside the lung; the likelihood is that of all.
    """
    misfit, scale = best.misfit, best.misfit.scale
    table, log = scale.table(places), misfit.density(places)
    targets = _targets(table)
    if misfit.nodes(best.place[None]) is None:
        nearest = np.argmin(np.abs(table.T[:, None] - targets[:, :, None]), axis=2)
        reached = places[nearest.ravel()][None]
    else:
        width = np.maximum(np.std(table, axis=0), 1e-9) / HOLD
        off = (table.T[:, None] - targets[:, :, None]) / width[:, None, None]
        starts = places[np.argmax(log - 0.5 * off**2, axis=2).ravel()]
        reached = np.array([_held(one, starts, targets, width) for one in _likely(misfit, places)])
    worse = -2.0 * np.array([misfit.density(some) for some in reached])
    own = np.repeat(np.arange(targets.shape[0]), targets.shape[1])
    values = np.array([scale.table(some)[np.arange(own.size), own] for some in reached])
    followed = np.argmin(worse, axis=0)[None]
    values, worse = (np.take_along_axis(one, followed, axis=0)[0] for one in (values, worse))
    least = min(np.min(worse), -2.0 * np.max(log), -2.0 * misfit.density(best.place[None])[0])
    return Profiles(values.reshape(targets.shape), worse.reshape(targets.shape) - least)


def _targets(table: np.ndarray) -> np.ndarray:
    """Return where each property is held, shape (d, q): among draws, and beyond both ends."""
    spread = REACH * np.std(table, axis=0)
    ladder = np.quantile(table, LADDER, axis=0)
    return np.concatenate([ladder[:1] - spread, ladder, ladder[-1:] + spread]).T


def _likely(misfit: Misfit, places: np.ndarray) -> list[Misfit]:
    """Return the misfit under each supposition that is likely at the draws."""
    part = misfit.by_supposition(places)
    share = np.exp(part - np.max(part, axis=1, keepdims=True))
    share = np.mean(share / share.sum(axis=1, keepdims=True), axis=0)
    return [misfit.supposing(int(number)) for number in np.flatnonzero(share > UNLIKELY)]


def _held(misfit: Misfit, starts: np.ndarray, targets: np.ndarray, width: np.ndarray) -> np.ndarray:
    """Return lungs that fit best with one property held, shape (d * q, coordinates).

    All descend together, so each row carries its number, which tells what is held in it.
    """
    column = np.repeat(np.arange(targets.shape[0]), targets.shape[1])

    def residuals(rows: np.ndarray) -> np.ndarray:
        number = np.rint(rows[:, -1]).astype(int)
        held = misfit.scale.table(rows[:, :-1])[np.arange(number.size), column[number]]
        off = (held - targets.ravel()[number]) / width[column[number]]
        return np.concatenate([misfit.residuals(rows[:, :-1]), off[:, None]], axis=1)

    rows = np.concatenate([starts, np.arange(len(starts))[:, None]], axis=1)
    box = np.concatenate([misfit.scale.box, [[0.0], [len(starts) - 1.0]]], axis=1)
    free = np.ones(rows.shape, dtype=bool)
    free[:, -1] = False
    return descend(residuals, rows, box, free=free, steps=STEPS).place[:, :-1]
