"""Draws from a posterior with curved ridges and valleys: a mixture of normals that learns.

Lungs that descended from all over the prior, under every supposition of what is large beside them,
are the first centres. Around each lies a normal as narrow as the trace makes it there under one
supposition, drawn by how likely each is, and no wider than what bends its ridge; lungs are drawn
from all of them together, weighted by posterior over mixture, and the weightiest are the next
centres
(population Monte Carlo: Cappe et al., J Comput Graph Stat 2004;13:907, from memory). The sizes of
the weights say how many independent draws all this is worth.
Sizes: n draws, k centres, d properties.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ebbmap.kernels.descent import slopes_of
from ebbmap.traces.best import Best
from ebbmap.traces.valleys import descended

#: Draws from the prior, how many of them descend, and steps of each descent.
SPREAD, DESCENTS, STEPS = 3000, 96, 25

#: Centres, draws around them in a round, rounds, and how many of the last rounds count.
CENTRES, DRAWN, ROUNDS, COUNTED = 200, 3000, 8, 3

#: How far a normal reaches where the trace says nothing, in prior standard deviations: for even
#: and odd centres.
REACHES = (0.2, 0.5)

#: Degrees of freedom of the normals' tails, and how much wider than the trace makes them they are.
TAILS, WIDER = 6.0, 1.2

#: Draws that must share the weight for centres; halvings that find the power which makes it so.
SHARED, HALVINGS = 150, 50


class Weighted(NamedTuple):
    """Lungs with weights."""

    places: np.ndarray
    """Coordinates, shape (n, d)."""
    weight: np.ndarray
    """Shape (n,), 1 in sum."""

    @property
    def effective(self) -> float:
        """How many independent draws they are worth."""
        return float(1.0 / np.sum(self.weight**2))


def draw_mixture(best: Best, rng: np.random.Generator) -> Weighted:
    """Draw lungs from the posterior, wherever in the prior they lie.

    Parameters
    ----------
    best : Best
        The best fit, of a lung with a fast kernel.
    rng : Generator
        Of every draw.
    """
    centres = _first(best, rng)
    rounds = []
    for _ in range(ROUNDS):
        drawn, log = _round(best, centres, rng)
        rounds.append(Weighted(drawn, _shares(log)))
        centres = drawn[often(rng, _tempered(log, SHARED), CENTRES)]
    kept = rounds[-COUNTED:]
    total = sum(one.effective for one in kept)
    return Weighted(
        np.concatenate([one.places for one in kept]),
        np.concatenate([one.weight * one.effective / total for one in kept]),
    )


def often(rng: np.random.Generator, weight: np.ndarray, size: int) -> np.ndarray:
    """Return indices as often as their weights say, in the order of chance (systematic)."""
    ladder = (np.arange(size) + rng.random()) / size
    index = np.minimum(np.searchsorted(np.cumsum(weight), ladder), weight.size - 1)
    return rng.permutation(index)


def _first(best: Best, rng: np.random.Generator) -> np.ndarray:
    """Return lungs that explain the trace, reached from all over the prior, shape (k, d)."""
    misfit, scale = best.misfit, best.misfit.scale
    places = scale.drawn(rng, SPREAD)
    weight = _tempered(misfit.density(places), DESCENTS)
    starts = places[np.unique(often(rng, weight, DESCENTS))]
    count = misfit.supposed.costs.size
    starts = np.concatenate([starts, np.repeat(best.place[None], count, axis=0)])
    ends = descended(misfit, starts, np.arange(len(starts)) % count, steps=STEPS).place
    ends = np.array([scale.in_order(place) for place in ends])
    return ends[often(rng, _tempered(misfit.density(ends), DESCENTS // 4), CENTRES)]


def _round(
    best: Best, centres: np.ndarray, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Return lungs drawn around centres, shape (n, d), and the logarithms of their weights."""
    misfit, scale = best.misfit, best.misfit.scale
    precision = _precision(best, centres, rng)
    root = np.linalg.cholesky(np.linalg.inv(precision))
    size = centres.shape[1]
    around = rng.permutation(np.arange(DRAWN) % len(centres))
    normal = np.einsum("nij,nj->ni", root[around], rng.standard_normal((DRAWN, size)))
    heavy = np.sqrt(TAILS / rng.chisquare(TAILS, DRAWN))[:, None]
    places = centres[around] + normal * heavy
    places = places[scale.within(places)]
    off = places[:, None] - centres
    square = np.einsum("nkd,kde,nke->nk", off, precision, off, optimize=True)
    part = 0.5 * np.linalg.slogdet(precision)[1]
    log = part - 0.5 * (TAILS + size) * np.log1p(square / TAILS)
    most = log.max(axis=1, keepdims=True)
    mixture = most[:, 0] + np.log(np.mean(np.exp(log - most), axis=1))
    return places, misfit.density(places) - mixture


def _precision(best: Best, centres: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return the precision of the normal around each centre, shape (k, d, d)."""
    misfit, scale = best.misfit, best.misfit.scale
    free = np.ones(centres.shape, dtype=bool)
    slopes = slopes_of(misfit.flow, centres, misfit.flow(centres), scale.box, free)
    slopes *= misfit.weight[:, None]
    likely = misfit.by_supposition(centres)
    likely = np.exp(likely - likely.max(axis=1, keepdims=True))
    ladder = np.cumsum(likely, axis=1) / likely.sum(axis=1, keepdims=True)
    supposed = np.sum(rng.random((len(centres), 1)) > ladder[:, :-1], axis=1)
    root = scale.prior_root()
    reach = np.where(np.arange(len(centres)) % 2 == 0, *REACHES)[:, None] * scale.spread()
    whole = misfit.supposed.information(slopes, supposed) + root.T @ root
    return (whole + np.eye(reach.shape[1]) / reach[:, None] ** 2) / WIDER


def _shares(log: np.ndarray) -> np.ndarray:
    weight: np.ndarray = np.exp(log - log.max())
    return weight / weight.sum()


def _tempered(log: np.ndarray, least: float) -> np.ndarray:
    """Return weights of which at least so many count: all to the same power, 1 at most."""
    low, high = 0.0, 1.0
    if 1.0 / np.sum(_shares(log) ** 2) >= least:
        return _shares(log)
    known = np.isfinite(log)
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        enough = 1.0 / np.sum(_shares(middle * log[known]) ** 2) >= least
        low, high = (middle, high) if enough else (low, middle)
    weight = np.zeros(log.size)
    weight[known] = _shares(low * log[known])
    return weight
