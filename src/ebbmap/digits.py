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


def percent(value: float, decimals: int) -> str:
    """Return a share in per cent to some decimals, negative for tens; never 0 or 100 by rounding.

    Examples
    --------
    >>> percent(0.004, 0), percent(0.0, 0), percent(0.998, 0), percent(0.44, -1)
    ('<1', '0', '>99', '40')
    """
    least = 0.5 * 10.0**-decimals / 100.0
    if decimals <= 0 and 0.0 < value < 0.005:
        return "<1"
    if decimals <= 0 and 0.995 < value < 1.0:
        return ">99"
    if 0.0 < value < least or 1.0 - least < value < 1.0:
        decimals = 0
    return f"{round(100.0 * value, decimals):.{max(decimals, 0)}f}"


def share_decimals(*intervals: Sequence[float]) -> int:
    """Return the decimals of a share in per cent; see `share_text`."""
    known = [pair for pair in intervals if all(map(isfinite, pair))]
    borne = [decimals_borne(100.0 * low, 100.0 * high) for low, high in known]
    return min([*borne, 1 if len(known) > 1 else 0])
