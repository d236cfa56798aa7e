"""The settled cycle of the tube lung: one unknown number, found on whole arrays.

The one unknown is the pressure above P low that a release starts from, `height` [cmH2O]. What the
release lets fall must equal what T high raises. The height at the end of a phase changes with
that at its start by the factor last flow / first flow, so the slope is exact and free, and so is
the curvature: Halley's method (Newton's with the curvature). Sizes: n cases.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from ebbmap.array import (
    absolute,
    broadcast_to,
    few,
    is_plain,
    maximum,
    minimum,
    some,
    where,
    zeros_like,
)
from ebbmap.lungs.tube.phase import STEP, Airway, Decay, Phase, follow

#: Passes over all cases, and the share of cases below which the rest is not worth another pass:
#: what has not settled by then is solved by itself within a bracket.
PASSES = 6
FEW = 0.05

#: Bracketed steps for the few that are left; bisection alone needs about 50.
BRACKETED_STEPS = 120


class Settled(NamedTuple):
    """A settled cycle; each shape (n,)."""

    fill: Phase
    release: Phase
    height: np.ndarray
    """Pressure above P low that the release starts from [cmH2O]."""
    settled: Any
    """Whether it was found, of bool."""


class Guess(NamedTuple):
    """Where a search for the settled cycle stands; fields as in `Settled`."""

    fill: Decay | Phase | None
    release: Decay | Phase | None
    height: np.ndarray


def find_settled(drop: np.ndarray, insp: Airway, exp: Airway) -> Settled:
    """Find the settled cycle.

    Parameters
    ----------
    drop : ndarray, shape (n,)
        P high less P low [cmH2O].
    insp, exp : Airway
        What T high and the release run through.
    """
    guess = _first_guess(drop, insp, exp)
    height = guess.height
    fill, release, opening, moving = _run(guess, drop, insp, exp)
    for _ in range(PASSES):
        step = _halley_step(fill, release)
        loose = (absolute(step) > STEP * minimum(height, opening)) | moving
        height = minimum(maximum(height + step, 0.125 * height), drop)
        fill, release, opening, moving = _run(Guess(fill, release, height), drop, insp, exp)
        if few(loose, FEW):
            break
    if not some(loose):
        return Settled(fill, release, height, True)
    if not is_plain(loose):
        return Settled(fill, release, height, ~loose)

    def rest(value: np.ndarray) -> np.ndarray:
        left: np.ndarray = broadcast_to(value, np.shape(loose))[loose]
        return left

    alone = _bracketed(rest(height), rest(drop), Airway(*map(rest, insp)), Airway(*map(rest, exp)))
    return Settled(
        Phase(*(_patched(*pair, loose) for pair in zip(fill, alone.fill, strict=True))),
        Phase(*(_patched(*pair, loose) for pair in zip(release, alone.release, strict=True))),
        _patched(height, alone.height, loose),
        _patched(True, alone.settled, loose),
    )


def _run(
    guess: Guess, drop: np.ndarray, insp: Airway, exp: Airway
) -> tuple[Phase, Phase, np.ndarray, np.ndarray]:
    """Run the release, then T high, from a guess: both, what drives T high, what still moves."""
    release, moving_exp = follow(exp, guess.height, guess.release)
    opening = drop - guess.height + release.fall
    fill, moving_insp = follow(insp, opening, guess.fill)
    return fill, release, opening, moving_exp | moving_insp


def _first_guess(drop: np.ndarray, insp: Airway, exp: Airway) -> Guess:
    """Guess height and decays: a linear lung, resistances at half the flow P high drives."""
    fill, release = (_half_flow_decay(airway, drop) for airway in (insp, exp))
    height = drop * (fill.spent / (fill.spent + fill.left * release.spent))
    return Guess(fill, release, height)


def _half_flow_decay(airway: Airway, drop: np.ndarray) -> Decay:
    """Return the decay of a linear phase, resistance at half the flow `drop` drives."""
    flow = airway.initial_flow(drop)
    slower = 1.0 + 0.5 * airway.resistance_quadratic * flow / airway.resistance
    return Decay.by(airway.length / slower)


def _halley_step(fill: Phase, release: Phase) -> np.ndarray:
    """Return the step of the height towards the settled cycle [cmH2O]."""
    slope = release.spent + fill.spent * release.left
    newton = (fill.fall - release.fall) / slope
    curvature = release.left**2 * _bend(fill) - fill.left * _bend(release)
    step: np.ndarray = newton / maximum(1.0 + 0.5 * newton * curvature / slope, 0.5)
    return step


def _bend(phase: Phase) -> np.ndarray:
    """Return how last / first flow changes with the pressure at the start [cmH2O-1]."""
    excess_slope = 2.0 * phase.resistance_quadratic / (phase.resistance**2 * (1.0 + phase.excess))
    bend: np.ndarray = phase.left * phase.spent * excess_slope / (1.0 + phase.excess * phase.left)
    return bend


def _bracketed(height: np.ndarray, drop: np.ndarray, insp: Airway, exp: Airway) -> Settled:
    """Settle the few cases that the passes over all left, each within a shrinking bracket.

    What T high raises less what the release lets fall only shrinks as the height grows, so its
    sign says on which side the solution lies.
    """
    low, high, settled = zeros_like(height), drop, np.zeros(np.shape(height), dtype=bool)
    for _ in range(BRACKETED_STEPS):
        fill, release, opening, _ = _run(Guess(None, None, height), drop, insp, exp)
        if np.all(settled):
            break
        step = _halley_step(fill, release)
        settled = absolute(step) <= STEP * minimum(height, opening)
        low, high = where(step >= 0.0, height, low), where(step <= 0.0, height, high)
        inside = (height + step > low) & (height + step < high)
        # a step that has become small is right even if rounding takes it across the bracket
        height = where(inside | settled, minimum(height + step, drop), 0.5 * (low + high))
    return Settled(fill, release, height, settled)


def _patched(whole: np.ndarray | bool, part: np.ndarray | bool, mask: np.ndarray) -> np.ndarray:
    """Return `whole` with `part` put in where a mask is true."""
    patched = np.array(broadcast_to(whole, np.shape(mask)))
    patched[mask] = part
    return patched
