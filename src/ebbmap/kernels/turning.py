"""Where a margin first changes its sign, along many ways at once.

Shape (...) is that of the ways.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

#: Times that a way doubles at most, and steps that narrow a turn.
DOUBLINGS, NARROWINGS = 12, 40

#: Width of a turn that is narrow enough, as a share of a step.
NARROW = 1e-6


def turning_points(
    margin: Callable[[np.ndarray], np.ndarray],
    slope: np.ndarray,
    step: np.ndarray,
    room: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Find the first change of sign: from the slope by doubling, then between two points.

    Parameters
    ----------
    margin : callable
        ``margin(size) -> margins``, shape (...) both: after going that far on every way; >= 0 is
        on one side, < 0 on the other, NaN is the end of a way.
    slope : ndarray, shape (...)
        Of the margin along each way at its start.
    step, room : ndarray, shape (...)
        A length that counts, > 0, and how far a way goes at most, >= 0.

    Returns
    -------
    before, beyond : ndarray, shape (...)
        The last length on the first side and the first one on the other, at most `NARROW` steps
        apart; NaN where the sign does not change.

    Examples
    --------
    >>> one, two = turning_points(
    ...     lambda size: 2.0 - size**2, np.zeros(1), np.ones(1), np.full(1, 5.0)
    ... )
    >>> one.round(4).tolist(), two.round(4).tolist()
    ([1.4142], [1.4142])
    """
    shape = np.shape(slope)
    near, far = np.zeros(shape), np.full(shape, np.nan)
    near_margin = margin(near)
    positive = near_margin >= 0.0
    with np.errstate(divide="ignore", invalid="ignore"):
        guess = -near_margin / slope
    # a hundredth more than the straight line says, so that a straight margin has turned there
    size = np.where(np.isfinite(guess) & (guess > 0.0), 1.01 * guess, step)
    size = np.minimum(np.maximum(size, 1e-3 * step), room)
    open_ways = np.isfinite(near_margin) & (room > 0.0)
    far_margin = np.full(shape, np.nan)
    for _ in range(DOUBLINGS):
        if not open_ways.any():
            break
        found = margin(np.where(open_ways, size, 0.0))
        known = open_ways & np.isfinite(found)
        turned = known & ((found >= 0.0) != positive)
        far, far_margin = np.where(turned, size, far), np.where(turned, found, far_margin)
        on = known & ~turned
        near, near_margin = np.where(on, size, near), np.where(on, found, near_margin)
        open_ways = on & (size < room)
        size = np.minimum(2.0 * size, room)
    turned = np.isfinite(far)
    for number in range(NARROWINGS):
        wide = turned & (far - near > NARROW * step)
        if not wide.any():
            break
        between = (near * far_margin - far * near_margin) / np.where(
            turned & (far_margin != near_margin), far_margin - near_margin, 1.0
        )
        # the straight line, then hard by the better end, so that both ends close in; every third
        # one halves what is left, so that no bent margin holds them up
        hard_by = 0.9 * NARROW * step
        beside = np.where(np.abs(near_margin) <= np.abs(far_margin), near + hard_by, far - hard_by)
        tried = (between, beside, np.full(shape, np.nan))[number % 3]
        inside = (tried > near) & (tried < far)
        tried = np.where(inside, tried, 0.5 * (near + far))
        found = margin(np.where(wide, tried, 0.0))
        beyond = wide & ~((found >= 0.0) == positive)
        before = wide & ~beyond
        far, far_margin = np.where(beyond, tried, far), np.where(beyond, found, far_margin)
        near, near_margin = np.where(before, tried, near), np.where(before, found, near_margin)
    return np.where(turned, near, np.nan), far
