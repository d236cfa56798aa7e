"""Draws from the posterior of a lung, by what its shape asks for.

A mixture of normals proposes lungs (`mixture.py`): two parts make ridges and valleys, and what is
large beside a lung makes valleys of its own. Where too few of them carry the weight, many walkers
that start among them (emcee, Goodman and Weare's stretch) go on. Of a lung without a fast kernel
the normal approximation at the best fit, with heavier tails, proposes a few; their weights under
the posterior itself say whether that serves.
Sizes: n draws, d properties.
"""

from __future__ import annotations

from typing import NamedTuple

import emcee
import numpy as np

from ebbmap.traces.best import Best
from ebbmap.traces.mixture import draw_mixture, often
from ebbmap.traces.models import Scale

#: Draws that are kept; of a lung without a fast kernel, proposed in each round, and rounds.
KEPT, PROPOSED, IMPROVED = 1000, 240, 3

#: Degrees of freedom of the proposal's tails.
TAILS = 6.0

#: Effective share of the proposals from which their weights suffice.
SUFFICES = 0.15

#: Walkers, and steps of which the second half is kept.
WALKERS, STEPS = 240, 80

#: What the draws are called.
WEIGHTED, MIXED = "weighted normal approximation", "weighted mixture of normals"
WALKED = "ensemble sampler"

#: Effective draws from which those of the mixture suffice.
ENOUGH = 100.0

#: Tries to place a proposal within the box, before what was found has to do.
TRIES = 200


class Draws(NamedTuple):
    """Lungs that share what the data leave open."""

    places: np.ndarray
    """Coordinates, shape (n, d)."""
    method: str
    """How they were drawn."""
    effective: float
    """How many independent draws they are worth."""


def draw_posterior(best: Best, *, seed: int) -> Draws:
    """Draw lungs from the posterior.

    Parameters
    ----------
    best : Best
        The best fit.
    seed : int
        Of every draw.
    """
    rng = np.random.default_rng(seed)
    if best.misfit.nodes(best.place[None]) is not None:
        found = draw_mixture(best, rng)
        drawn = found.places[often(rng, found.weight, KEPT)]
        if found.effective < ENOUGH:
            return _walked(best, drawn, rng)
        return Draws(drawn, MIXED, found.effective)
    centre, root = _approximation(best)
    for _ in range(IMPROVED):
        places = _proposed(rng, centre, root, best.misfit.scale, PROPOSED)
        weight = _weights(best, places, centre, root)
        effective = float(1.0 / np.sum(weight**2))
        if effective > SUFFICES * places.shape[0]:
            return Draws(places[often(rng, weight, KEPT)], WEIGHTED, effective)
        centre, root = _moments(places, weight, root)
    return Draws(places[often(rng, weight, KEPT)], f"{WEIGHTED}, coarse", effective)


def _approximation(best: Best) -> tuple[np.ndarray, np.ndarray]:
    """Return centre and root of the covariance of the normal approximation."""
    spread = best.misfit.scale.spread()
    information = best.slopes.T @ best.slopes + np.diag(1.0 / spread**2)
    return best.place, np.linalg.cholesky(np.linalg.inv(information) * 1.2)


def _moments(
    places: np.ndarray, weight: np.ndarray, root: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return centre and root of weighted lungs, drawn towards the last proposal's if few count."""
    centre = weight @ places
    off = places - centre
    covariance = (off * weight[:, None]).T @ off
    few = 1.0 / np.sum(weight**2) / (10.0 * places.shape[1])
    kept = min(few, 1.0)
    mixed = kept * covariance + (1.0 - kept) * root @ root.T
    return centre, np.linalg.cholesky(mixed * 1.2 + 1e-12 * np.diag(np.diag(root @ root.T)))


def _proposed(
    rng: np.random.Generator, centre: np.ndarray, root: np.ndarray, scale: Scale, size: int
) -> np.ndarray:
    """Return lungs from a normal with heavy tails that are possible, shape (n, d)."""
    kept: list[np.ndarray] = []
    for _ in range(TRIES):
        normal = rng.standard_normal((size, centre.size)) @ root.T
        heavy = np.sqrt(TAILS / rng.chisquare(TAILS, size))[:, None]
        places = centre + normal * heavy
        kept.append(places[scale.within(places)])
        if sum(map(len, kept)) >= size:
            break
    return np.concatenate(kept)[:size]


def _weights(best: Best, places: np.ndarray, centre: np.ndarray, root: np.ndarray) -> np.ndarray:
    scaled = np.linalg.solve(root, (places - centre).T)
    proposal = -0.5 * (TAILS + centre.size) * np.log1p(np.sum(scaled**2, axis=0) / TAILS)
    log = best.misfit.density(places) - proposal
    weight: np.ndarray = np.exp(log - log.max())
    return weight / weight.sum()


def _walked(best: Best, begun: np.ndarray, rng: np.random.Generator) -> Draws:
    """Return draws of walkers that begin among weighted lungs."""
    box = best.misfit.scale.box
    walkers = begun[rng.choice(begun.shape[0], WALKERS, replace=False)]
    blur = 0.05 * np.std(begun, axis=0) + 1e-6 * (box[1] - box[0])
    walkers = np.clip(walkers + blur * rng.standard_normal(walkers.shape), *box)
    state = np.random.RandomState(int(rng.integers(2**31))).get_state()
    sampler = emcee.EnsembleSampler(
        WALKERS,
        walkers.shape[1],
        best.misfit.density,
        vectorize=True,
        moves=[(emcee.moves.DEMove(), 0.7), (emcee.moves.StretchMove(), 0.3)],
    )
    sampler.random_state = state
    sampler.run_mcmc(walkers, STEPS, skip_initial_state_check=True)
    chain = sampler.get_chain(discard=STEPS // 2)
    flat = chain.reshape(-1, chain.shape[2])
    places = flat[rng.choice(flat.shape[0], KEPT, replace=False)]
    return Draws(places, WALKED, float(flat.shape[0] / _memory(chain)))


def _memory(chain: np.ndarray) -> float:
    """Return how many steps of walkers, shape (steps, walkers, d), count as one."""
    off = chain - chain.mean(axis=(0, 1))
    variance = np.maximum(np.mean(off**2, axis=(0, 1)), 1e-300)
    lags = range(1, chain.shape[0] // 2)
    fades = np.array([np.mean(off[lag:] * off[:-lag], axis=(0, 1)) / variance for lag in lags])
    kept = np.cumprod(fades > 0.0, axis=0)
    return float(np.max(1.0 + 2.0 * np.sum(fades * kept, axis=0)))
