"""Cases that could not be solved: how many, and whether they gather in a region."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ebbmap.kernels.boxes import find_box
from ebbmap.kernels.contrast import LEAST_CASES, contrast_events
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.units import display

#: Cases that are looked at: enough to see a region, quick to search.
LOOKED_AT = 20_000

#: A box that holds this share of the failures is a region; the densest that does is named. A
#: slanted border, such as P high above P low, leaves a box half full.
REGION_COVERAGE, REGION_DENSITIES = 0.8, (0.8, 0.4, 0.2)


def locate_failures(
    names: Sequence[str], cases: np.ndarray, failed: np.ndarray, *, seed: int = 0
) -> str:
    """Say where the failed cases lie.

    Parameters
    ----------
    names : sequence of str
        The d parameters.
    cases : ndarray, shape (n, d)
        Their values.
    failed : ndarray of bool, shape (n,)
        Which cases failed.
    seed : int
        Seed of the subset that is looked at where there are many cases.

    Returns
    -------
    str
        A region, a tendency, or that no parameter sets the failures apart.

    Examples
    --------
    >>> x = np.random.default_rng(0).random((2000, 1)) * 30.0
    >>> locate_failures(["p_low"], x, x[:, 0] > 25.0)
    'they gather in a region: P low above 24 cmH₂O (100 % of them, density 0.82)'
    """
    if not failed.any():
        return "none failed"
    rng = np.random.default_rng(seed)
    if failed.size > LOOKED_AT:
        rows = rng.choice(failed.size, LOOKED_AT, replace=False)
        cases, failed = cases[rows], failed[rows]
    if min(failed.sum(), (~failed).sum()) < LEAST_CASES:
        return "too few on one side to say whether they gather in a region"
    apart = contrast_events(cases, failed[:, None], resamples=2, rng=rng)
    distance = apart.distance[0]
    if not (distance > apart.noise[0]).any():
        return "no parameter sets them apart: they are scattered"
    for density in REGION_DENSITIES:
        box = find_box(cases, failed, density=density)
        if box.coverage >= REGION_COVERAGE and box.density >= density:
            return (
                f"they gather in a region: {range_words(names, box.lower, box.upper)} "
                f"({100 * box.coverage:.0f} % of them, density {box.density:.2f})"
            )
    top = int(distance.argmax())
    word = "high" if apart.direction[0, top] > 0 else "low"
    return (
        f"no simple region; most often at {word} {PARAMETERS[names[top]].long_name} "
        f"(distance {distance[top]:.2f})"
    )


def range_words(names: Sequence[str], lower: np.ndarray, upper: np.ndarray) -> str:
    """Return the ranges of a box in words.

    Examples
    --------
    >>> range_words(["t_low", "compliance"], np.array([-np.inf, 40.0]), np.array([0.9, 60.0]))
    'T low below 0.9 s and compliance between 40 and 60 mL/cmH₂O'
    """
    parts = []
    for name, low, high in zip(names, lower, upper, strict=True):
        entry = PARAMETERS[name]
        unit = "" if entry.units == "1" else f" {display(entry.units)}"
        if np.isfinite(low) and np.isfinite(high):
            parts.append(f"{entry.long_name} between {low:.3g} and {high:.3g}{unit}")
        elif np.isfinite(low):
            parts.append(f"{entry.long_name} above {low:.3g}{unit}")
        elif np.isfinite(high):
            parts.append(f"{entry.long_name} below {high:.3g}{unit}")
    return " and ".join(parts) or "no restriction"
