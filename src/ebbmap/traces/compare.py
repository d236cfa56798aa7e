"""Which lung model explains a trace better: told by cycles that a fit has not seen.

A fit to all cycles but one follows from the fit to all of them by its slopes, so nothing is fitted
again. Sizes: d unknowns (properties and disturbances), r samples, g groups of samples left out.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
from scipy.stats import chi2

from ebbmap.traces.best import Best
from ebbmap.traces.models import RIVALS
from ebbmap.traces.posterior import approximate_draws

#: Groups of samples where there are fewer whole cycles than LEAST_CYCLES: tenths of the trace.
PIECES, LEAST_CYCLES = 10, 3

#: Probability by which a fit may seem better by chance and is still called better.
BY_CHANCE = 0.005

#: Standard errors by which what was left out must be explained better, where the fit itself is
#: not clearly better.
ERRORS = 2.5


class Score(NamedTuple):
    """How well a lung model explains samples that its fit has not seen."""

    held_out: np.ndarray
    """Sum of squares of each group left out [L2 s-2], shape (g,)."""
    within: float
    """Sum of squares of the fit itself, and of what the disturbances cost [L2 s-2]."""
    unknowns: int
    """Properties that the trace determines at least in part."""
    samples: float
    """Samples that count as independent."""


def score_of(best: Best) -> Score:
    """Return how well a lung explains what a fit without it would not have seen.

    Parameters
    ----------
    best : Best
        The fit to all cycles.
    """
    misfit = best.misfit
    left = misfit.sample_residuals(best.place)
    moved = _moves_of_flow(best)[misfit.bins]
    prior = _prior(best)
    groups = _groups(best)
    information = moved.T @ moved / misfit.noise**2 + prior
    held_out = []
    for number in range(groups.max() + 1):
        out = groups == number
        pulled = moved[out].T @ left[out] / misfit.noise**2
        without = information - moved[out].T @ moved[out] / misfit.noise**2
        shift = np.linalg.lstsq(without, pulled, rcond=1e-10)[0]
        held_out.append(float(np.sum((left[out] + moved[out] @ shift) ** 2)))
    memory = (misfit.noise / best.noise) ** 2
    # what each disturbance needs to be counts as misfit too
    off = best.found - misfit.centre
    total = float(left @ left) + misfit.noise**2 * float(off @ off)
    return Score(np.array(held_out), total, _determined(best), left.size / memory)


def _moves_of_flow(best: Best) -> np.ndarray:
    """Return by how much the flow in each bin moves with each unknown, shape (b, d)."""
    misfit = best.misfit
    here = misfit.flow(best.place[None])[0]
    box = misfit.scale.box
    width = 5e-4 * (box[1] - box[0])
    step = np.where(best.place + width > box[1], -width, width)
    beside = misfit.flow(best.place + np.diag(step))
    slopes = np.nan_to_num((beside - here) / step[:, None]).T
    added = np.zeros((here.size, 0)) if misfit.disturbances is None else misfit.disturbances
    return np.concatenate([slopes, added], axis=1)


def _prior(best: Best) -> np.ndarray:
    """Return the prior's information on each unknown, shape (d, d)."""
    root = best.misfit.scale.prior_root()
    own = root.T @ root + np.diag(1.0 / best.misfit.scale.spread() ** 2)
    size = own.shape[0]
    whole = np.eye(size + best.found.size)
    whole[:size, :size] = own
    # an unknown at its wall stays there
    box = best.misfit.scale.box
    walls = np.flatnonzero((best.place <= box[0]) | (best.place >= box[1]))
    whole[walls, walls] += 1e9
    return whole


def _groups(best: Best) -> np.ndarray:
    """Return which samples are left out together, shape (r,)."""
    cycles, used = best.misfit.cycles, best.misfit.used
    if cycles.count >= LEAST_CYCLES:
        return cycles.number[used]
    time = cycles.time[used]
    order = np.argsort(np.argsort(time))
    pieces: np.ndarray = order * PIECES // order.size
    return pieces


def _determined(best: Best) -> int:
    """Return how many combinations of the properties the trace determines."""
    scaled = best.slopes[:, :] * best.misfit.scale.spread()
    size = np.linalg.svd(scaled, compute_uv=False)
    return max(int(np.sum(size > 3.0)), 1)


def is_better(one: Score, other: Score) -> bool:
    """Return whether a score is better than another by more than chance makes it.

    It must explain better what it has not seen; and either the fit itself is better than its
    further unknowns make it by chance, or the cycles left out agree among themselves that it is.
    """
    gain = other.held_out - one.held_out
    if np.sum(gain) <= 0.0:
        return False
    fitted = one.samples * np.log(max(other.within, 1e-300) / max(one.within, 1e-300))
    if fitted > chi2.isf(BY_CHANCE, max(one.unknowns - other.unknowns, 1)):
        return True
    error = np.std(gain, ddof=1) * np.sqrt(gain.size) if gain.size > 1 else np.inf
    return bool(np.sum(gain) > ERRORS * error and gain.size >= 2 * LEAST_CYCLES)


def static_compliance(best: Best, *, draws: int = 600) -> tuple[float, float, float]:
    """Return lower end, median and upper end of static compliance [mL cmH2O-1].

    By the normal approximation; of both compartments together where a lung has two.
    """
    places = approximate_draws(best, draws)
    whole = best.misfit.parameters(places)["compliance"]
    lower, middle, upper = np.quantile(whole, [0.05, 0.5, 0.95])
    return float(lower), float(middle), float(upper)


def disagreeing(name: str, bests: Mapping[str, Best], scores: Mapping[str, Score]) -> list[str]:
    """Return rivals that explain the trace as well as a lung, with another static compliance.

    Parameters
    ----------
    name : str
        The lung that was asked for.
    bests, scores : mapping of str to Best, of str to Score
        Of it and of its rivals.
    """
    _, here, _ = static_compliance(bests[name])
    found = []
    for rival in (one for one in bests if one != name):
        lower, _, upper = static_compliance(bests[rival])
        as_good = np.sum(scores[rival].held_out) <= np.sum(scores[name].held_out)
        if as_good and not lower <= here <= upper:
            found.append(rival)
    return found


def better_lung(name: str, scores: Mapping[str, Score]) -> str | None:
    """Return the simplest lung that explains the trace as well as any and better than this one.

    Parameters
    ----------
    name : str
        The lung that was asked for.
    scores : mapping of str to Score
        Of it and of its rivals.

    Returns
    -------
    str or None
        None where no lung is better by more than chance.
    """
    rivals = [one for one in RIVALS if one in scores and one != name]
    better = [one for one in rivals if is_better(scores[one], scores[name])]
    for one in better:
        if not any(is_better(scores[other], scores[one]) for other in better if other != one):
            return one
    return better[-1] if better else None
