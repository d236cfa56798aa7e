"""How many digits of a number its intervals bear: the one place where shares become words."""

from __future__ import annotations

from collections.abc import Sequence
from math import floor, inf, isfinite, log10

#: Decimals of a number whose interval is a point.
MOST_DECIMALS = 6


def decimals_borne(low: float, high: float) -> int:
    """Return to how many decimals a number may be written whose interval is known.

    Negative for tens and hundreds.

    Notes
    -----
    Half of the interval has two digits where these are below 36, else one: the rule of the
    Particle Data Group (from memory).

    Examples
    --------
    >>> decimals_borne(0.24, 0.55), decimals_borne(0.30, 0.41), decimals_borne(10.0, 100.0)
    (2, 2, -1)
    """
    half = 0.5 * abs(high - low)
    if not 0.0 < half < inf:
        return MOST_DECIMALS
    place = floor(log10(half))
    return min(MOST_DECIMALS, (1 if half / 10.0**place < 3.55 else 0) - place)


def share_text(value: float, *intervals: Sequence[float]) -> str:
    """Return a share in per cent, to the last digit that the widest of its intervals bears.

    Parameters
    ----------
    value : float
        A share, 0 to 1.
    *intervals : sequence of float
        Ends of each, lower and upper; NaN where not known. Whole per cent where there is none,
        or where only one is known: what is not known of the populations would be as wide.

    Examples
    --------
    >>> share_text(0.3617, (0.30, 0.41), (0.24, 0.55)), share_text(0.0178, (0.0171, 0.0186))
    ('36 %', '2 %')
    >>> share_text(0.3617, (0.361, 0.362), (0.355, 0.368)), share_text(0.36, (0.0, 0.9))
    ('36.2 %', '40 %')
    """
    if not isfinite(value):
        return "–"
    decimals = share_decimals(*intervals)
    return f"{percent(value, decimals)} %"


def exact_share(value: float) -> str:
    """Return a share that somebody stated in per cent, with every digit of it.

    Examples
    --------
    >>> exact_share(0.75), exact_share(0.125), exact_share(0.999)
    ('75 %', '12.5 %', '99.9 %')
    """
    return f"{100.0 * value:.6g} %"


def points_text(difference: float) -> str:
    """Return a difference of shares that somebody stated, in points.

    Examples
    --------
    >>> points_text(0.01), points_text(0.025)
    ('1 point', '2.5 points')
    """
    points = f"{100.0 * difference:.6g}"
    return f"{points} point" if points == "1" else f"{points} points"


def percent(value: float, decimals: int) -> str:
    """Return a share in per cent to some decimals, negative for tens; never 0 or 100 by rounding.

    Examples
    --------
    >>> percent(0.004, 0), percent(0.0, 0), percent(0.998, 0), percent(0.44, -1), percent(1e-4, 1)
    ('<1', '0', '>99', '40', '<0.1')
    >>> percent(0.005, 0), percent(0.9996, 1), percent(0.03, -1)
    ('<1', '>99.9', '3')
    """
    if decimals < 0 and _rounds_to_an_end(value, decimals):
        decimals = 0
    shown = max(decimals, 0)
    if decimals >= 0 and _rounds_to_an_end(value, decimals):
        step = 10.0**-shown
        return f"<{step:.{shown}f}" if value < 0.5 else f">{100.0 - step:.{shown}f}"
    return f"{round(100.0 * value, decimals):.{shown}f}"


def _rounds_to_an_end(value: float, decimals: int) -> bool:
    """Return whether a share that is neither 0 nor 1 would be written as one of them."""
    least = 0.5 * 10.0**-decimals / 100.0
    return 0.0 < value <= least or 1.0 - least <= value < 1.0


def share_decimals(*intervals: Sequence[float]) -> int:
    """Return the decimals of a share in per cent; see `share_text`."""
    known = [pair for pair in intervals if all(map(isfinite, pair))]
    borne = [decimals_borne(100.0 * low, 100.0 * high) for low, high in known]
    return min([*borne, 1 if len(known) > 1 else 0])
