"""Where the steps of a cycle lie: evenly, as efforts fall anywhere, and closer after a switch.

Sizes: n cases, k steps in a phase of the cycle.
"""

from __future__ import annotations

import numpy as np

from ebbmap.lungs.stepped import effort

#: Steps in an effort's length, and the fewest in T high and in the release.
IN_EFFORT, FEWEST = 8, 20

#: Shares of the steps that crowd behind a switch as long as the lung's quick decay lasts and as
#: long as the valve does, and over how many of their time constants.
CROWDED, OVER = (0.25, 0.25), 1.5

#: What is left for steps that lie evenly.
EVEN = 1.0 - sum(CROWDED)

#: Shortest decay that steps crowd for, as a share of the phase: a faster one is over at once.
SHORTEST = 1e-3

#: Steps of Newton's method that invert the density of steps, from the left: none overshoots.
INVERTING = 10


def counts(
    duration: np.ndarray, effort_rate: np.ndarray, effort_duration: np.ndarray
) -> np.ndarray:
    """Return how many steps each phase of a case needs.

    Parameters
    ----------
    duration : ndarray, shape (2, n)
        T high and T low [s].
    effort_rate, effort_duration : ndarray, shape (n,)
        [min-1] and [s].

    Returns
    -------
    ndarray of int, shape (2, n)

    Examples
    --------
    >>> counts(np.array([[5.0], [0.5]]), np.array([20.0]), np.array([1.0])).ravel().tolist()
    [80, 20]
    """
    wanted = IN_EFFORT * duration / (EVEN * effort.length(effort_rate, effort_duration))
    return np.maximum(np.ceil(wanted), FEWEST).astype(int)


def edges(
    duration: np.ndarray, decays: tuple[np.ndarray, np.ndarray], steps: np.ndarray
) -> np.ndarray:
    """Return the times between the steps of a phase [s], shape (k + 1, n).

    Parameters
    ----------
    duration : ndarray, shape (n,)
        Of the phase [s].
    decays : tuple of two ndarrays, shape (n,)
        Time constants of the lung's quick decay and of the valve [s].
    steps : ndarray of int, shape (n,)
        How many steps a case has; the greatest number is laid, the rest without length.

    Examples
    --------
    >>> decays = np.array([0.3]), np.array([0.03])
    >>> edges(np.array([1.0]), decays, np.array([4])).round(2).ravel().tolist()
    [0.0, 0.06, 0.26, 0.59, 1.0]
    """
    last = int(steps.max())
    place = np.minimum(np.arange(last + 1)[:, None] / steps, 1.0)
    short = [OVER * np.maximum(decay, SHORTEST * duration) for decay in decays]
    whole = [-np.expm1(-duration / part) for part in short]
    time = np.zeros(place.shape)
    for _ in range(INVERTING):
        passed, density = EVEN * time / duration, EVEN / duration
        for share, part, all_of_it in zip(CROWDED, short, whole, strict=True):
            left = np.exp(-time / part)
            passed = passed + share * (1.0 - left) / all_of_it
            density = density + share * left / (part * all_of_it)
        time = np.clip(time + (place - passed) / density, 0.0, duration)
    return np.where(place < 1.0, time, duration)
