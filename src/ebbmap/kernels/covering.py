"""A sequence of boxes that cover an event: each is sought where the ones before do not reach.

Sizes: n cases, d properties, b boxes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import bdtrc

from ebbmap.kernels.boxes import Box, find_box, inside

#: Events that must be left for a further box: any few cases fit one.
LEAST_EVENTS = 20

#: How many times as dense as what is left a box must be.
LEAST_LIFT = 1.5


@dataclass(frozen=True)
class Covering:
    """Boxes in the order in which they were found.

    Parameters
    ----------
    boxes : tuple of Box
        The b boxes; coverage, density and support are those among the cases that were left.
    quasi_p : ndarray, shape (b, d, 2)
        For each restricted edge, the chance that a random draw from the box without it has as
        many events as the box; NaN where an edge is not restricted.
    coverage, density : ndarray, shape (b,)
        Of all boxes up to this one together, on all cases.
    """

    boxes: tuple[Box, ...]
    quasi_p: np.ndarray
    coverage: np.ndarray
    density: np.ndarray


def find_covering(
    values: npt.ArrayLike, events: npt.ArrayLike, *, density: float = 0.9, most: int = 3
) -> Covering:
    """Cover an event by several boxes, each sought among the cases outside those before.

    Parameters
    ----------
    values : array_like, shape (n, d)
        Properties of the cases.
    events : array_like of bool, shape (n,)
        Whether the event holds.
    density : float
        Share of a box that must be events, as in `find_box`.
    most : int
        Boxes at most. The sequence ends earlier where fewer than `LEAST_EVENTS` events are left,
        or where a box is hardly denser than all that is left.

    Returns
    -------
    Covering

    Raises
    ------
    EbbmapError, DesignMismatchError
        As `find_box`.

    Notes
    -----
    A quasi-p value is of the cases that the box was fitted to, and so too small: it can show
    that an edge is not needed, not that it is.

    References
    ----------
    .. [1] Bryant BP, Lempert RJ. Technol Forecast Soc Change 2010;77:34-49,
       doi:10.1016/j.techfore.2009.08.002

    Examples
    --------
    >>> x = np.random.default_rng(0).random((4000, 2))
    >>> corners = (x < 0.25).all(axis=1) | (x > 0.75).all(axis=1)
    >>> [round(float(c), 1) for c in find_covering(x, corners).coverage]
    [0.5, 1.0]
    """
    x, happens = np.asarray(values, float), np.asarray(events, bool)
    left = np.ones(len(x), bool)
    boxes: list[Box] = []
    chances: list[np.ndarray] = []
    reached: list[tuple[float, float]] = []
    while len(boxes) < most and (not boxes or happens[left].sum() >= LEAST_EVENTS):
        box = find_box(x[left], happens[left], density=density)
        if boxes and box.density < LEAST_LIFT * happens[left].mean():
            break
        boxes.append(box)
        chances.append(quasi_p(x[left], happens[left], box))
        left &= ~inside(x, box.lower, box.upper)
        covered = happens & ~left
        reached.append((covered.sum() / happens.sum(), covered.sum() / (~left).sum()))
    coverage, dense = np.array(reached).T
    return Covering(tuple(boxes), np.stack(chances), coverage, dense)


def quasi_p(x: np.ndarray, happens: np.ndarray, box: Box) -> np.ndarray:
    """Return the quasi-p value of each edge of a box, shape (d, 2); see `Covering`."""
    chosen = inside(x, box.lower, box.upper)
    hits, size = int(happens[chosen].sum()), int(chosen.sum())
    found = np.full((x.shape[1], 2), np.nan)
    for j, side in np.argwhere(np.isfinite(np.stack([box.lower, box.upper], axis=1))):
        lower, upper = box.lower.copy(), box.upper.copy()
        (upper if side else lower)[j] = np.inf if side else -np.inf
        share = float(happens[inside(x, lower, upper)].mean())
        found[j, side] = bdtrc(hits - 1, size, share) if hits else 1.0
    return found
