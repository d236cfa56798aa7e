"""Steps of pressure: both levels, when pressure passes from one to the other, and how fast.

Sizes: r samples, c cycles.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy.optimize import least_squares

from ebbmap.errors import EbbmapError
from ebbmap.traces.trace import Trace

#: Share of the step by which pressure must pass its middle to count, so that noise does not.
HYSTERESIS = 0.15

#: A step is at once if fewer than this many samples per step lie clear of both levels.
BETWEEN = 0.25

#: Shortest phase, in samples.
SHORTEST = 4


class Switches(NamedTuple):
    """When pressure steps, each shape (c + 1,) or (c,) [s]."""

    up: np.ndarray
    """T high begins; the last one ends the last cycle."""
    down: np.ndarray
    """The release begins."""


def levels_of(pressure: np.ndarray) -> tuple[float, float]:
    """Return both levels: the medians of what lies above and below the middle."""
    middle = 0.5 * sum(np.percentile(pressure, [2.0, 95.0]))
    high, low = pressure[pressure > middle], pressure[pressure <= middle]
    return float(np.median(high)), float(np.median(low[low < np.percentile(low, 80.0) + 1e-9]))


def switches_of(trace: Trace, high: float, low: float) -> Switches:
    """Return when pressure passes the middle of both levels, for whole cycles."""
    scaled = (trace.pressure - low) / (high - low) - 0.5
    state = np.zeros(scaled.size, dtype=bool)
    here = bool(scaled[0] > 0.0)
    for place, value in enumerate(scaled):
        if abs(value) > HYSTERESIS:
            here = bool(value > 0.0)
        state[place] = here
    change = np.flatnonzero(state[1:] != state[:-1])
    rising = state[change + 1]
    times = np.array([_crossing(trace.time, scaled, int(place)) for place in change])
    up, down = _with_ends(trace, times[rising], times[~rising], state)
    down = down[(down > up[0]) & (down < up[-1])] if up.size else down
    if up.size < 2 or down.size != up.size - 1:
        raise EbbmapError(
            f"{trace.where}: must hold at least one whole cycle, from one rise of pressure to the "
            f"next; got {up.size} rises between P low {low:.3g} and P high {high:.3g} cmH2O. "
            "Record longer."
        )
    shortest = min(np.min(down - up[:-1]), np.min(up[1:] - down))
    if shortest < SHORTEST * trace.interval:
        raise EbbmapError(
            f"{trace.where}: each phase must have at least {SHORTEST} samples; the shortest lasts "
            f"{shortest:.3g} s with a sample each {trace.interval:.3g} s. Sample faster."
        )
    return Switches(up, down)


def _with_ends(
    trace: Trace, up: np.ndarray, down: np.ndarray, state: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Add a rise at an end of the trace where the phase that it cuts is as long as the others."""
    half, begun, ended = 0.5 * trace.interval, trace.time[0], trace.time[-1]
    if not down.size:
        return up, down
    highs = down[down > up[0]][: up.size] - up[: np.sum(down > up[0])] if up.size else np.zeros(0)
    later = up[up > down[0]]
    lows = later - down[: later.size]
    alone = not up.size or not lows.size
    first, last = down[0] - begun, ended - down[-1]
    if state[0] and (first > np.mean(highs) - 3.0 * half if highs.size else alone):
        up = np.concatenate([[begun - half], up])
    if not state[-1] and (last > np.mean(lows) - 3.0 * half if lows.size else alone):
        up = np.concatenate([up, [ended + half]])
    return up, down


def _crossing(time: np.ndarray, scaled: np.ndarray, place: int) -> float:
    """Return when pressure passes the middle between two samples, or in the middle if at once."""
    one, other = scaled[place], scaled[place + 1]
    if abs(other - one) > 0.8 or one * other >= 0.0:
        return float(0.5 * (time[place] + time[place + 1]))
    return float(time[place] + (time[place + 1] - time[place]) * one / (one - other))


def valve_of(
    trace: Trace, switches: Switches, high: float, low: float
) -> tuple[bool, float, tuple[float, float], tuple[float, float]]:
    """Return how pressure steps.

    Whether at once; the valve's time constant [s]; by how much it begins before the middle of a
    rise and of a fall [s]; the standard errors of the constant and of that.
    """
    times = np.concatenate([switches.up, switches.down])
    falls = np.concatenate([np.zeros(switches.up.size), np.ones(switches.down.size)])
    near = np.abs(trace.time[:, None] - times) < 1.0
    sample, step = np.nonzero(near)
    own = np.argmin(np.abs(trace.time[:, None] - times), axis=1)
    sample, step = sample[own[sample] == step], step[own[sample] == step]
    since = trace.time[sample] - times[step]
    gone = (trace.pressure[sample] - low) / (high - low)
    gone = np.where(falls[step] == 1.0, 1.0 - gone, gone)
    late = np.abs(since) > 0.5 * np.max(np.abs(since))
    noise = float(1.4826 * np.median(np.abs(gone[late] - np.round(gone[late]))))
    clear = np.maximum(5.0 * noise, 0.04)
    if np.sum((gone > clear) & (gone < 1.0 - clear)) < BETWEEN * times.size:
        return True, 0.0, (0.0, 0.0), (0.0, 0.0)

    def misfit(values: np.ndarray) -> np.ndarray:
        begun = np.where(falls[step] == 1.0, values[1], values[0])
        left = np.exp(-np.maximum(since - begun, 0.0) / values[2])
        off: np.ndarray = 1.0 - left - gone
        return off

    first = np.array([-0.05, -0.05, 0.07])
    fit = least_squares(misfit, first, bounds=([-1.0, -1.0, 1e-4], [0.5, 0.5, 2.0]))
    variance = 2.0 * fit.cost / max(since.size - 3, 1)
    doubts = np.sqrt(np.diag(np.linalg.pinv(fit.jac.T @ fit.jac)) * variance)
    delay = (-float(fit.x[0]), -float(fit.x[1]))
    return False, float(fit.x[2]), delay, (float(doubts[2]), float(max(doubts[:2])))
