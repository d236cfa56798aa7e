"""How well a lung explains cycles that its fit has not seen.

A fit to all cycles but one follows from the fit to all of them by its slopes, so nothing is fitted
again. Sizes: d unknowns (properties and disturbances), b bins, r samples.
"""

from __future__ import annotations

import numpy as np

from ebbmap.traces.misfit import Misfit

#: Groups of samples where there are fewer whole cycles than LEAST_CYCLES: tenths of the trace.
PIECES, LEAST_CYCLES = 10, 3


def held_out(misfit: Misfit, place: np.ndarray) -> float:
    """Return what is left of all flow, each group of samples without a fit to it [L2 s-2].

    A sum of squares.

    Parameters
    ----------
    misfit : Misfit
        With its disturbances.
    place : ndarray, shape (d,)
        The fit to all cycles.
    """
    left = misfit.sample_residuals(place)
    moved = _moves_of_flow(misfit, place)[misfit.bins]
    prior = _prior(misfit, place)
    groups = _groups(misfit)
    information = moved.T @ moved / misfit.noise**2 + prior
    total = 0.0
    for number in range(groups.max() + 1):
        out = groups == number
        pulled = moved[out].T @ left[out] / misfit.noise**2
        without = information - moved[out].T @ moved[out] / misfit.noise**2
        shift = np.linalg.lstsq(without, pulled, rcond=1e-10)[0]
        total += float(np.sum((left[out] + moved[out] @ shift) ** 2))
    return total


def _moves_of_flow(misfit: Misfit, place: np.ndarray) -> np.ndarray:
    """Return by how much the flow in each bin moves with each unknown, shape (b, d)."""
    here = misfit.flow(place[None])[0]
    box = misfit.scale.box
    width = 5e-4 * (box[1] - box[0])
    step = np.where(place + width > box[1], -width, width)
    beside = misfit.flow(place + np.diag(step))
    slopes = np.nan_to_num((beside - here) / step[:, None]).T
    added = np.zeros((here.size, 0)) if misfit.disturbances is None else misfit.disturbances
    return np.concatenate([slopes, added], axis=1)


def _prior(misfit: Misfit, place: np.ndarray) -> np.ndarray:
    """Return the prior's information on each unknown, shape (d, d)."""
    root = misfit.scale.prior_root()
    own = root.T @ root + np.diag(1.0 / misfit.scale.spread() ** 2)
    size = own.shape[0]
    whole = np.eye(size + misfit.supposed.flow.shape[1])
    whole[:size, :size] = own
    # an unknown at its wall stays there
    box = misfit.scale.box
    walls = np.flatnonzero((place <= box[0]) | (place >= box[1]))
    whole[walls, walls] += 1e9
    return whole


def _groups(misfit: Misfit) -> np.ndarray:
    """Return which samples are left out together, shape (r,)."""
    cycles, used = misfit.cycles, misfit.used
    if cycles.count >= LEAST_CYCLES:
        return cycles.number[used]
    time = cycles.time[used]
    order = np.argsort(np.argsort(time))
    pieces: np.ndarray = order * PIECES // order.size
    return pieces
