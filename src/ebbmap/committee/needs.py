"""What a group needs, in words that follow from certificates and intervals alone."""

from __future__ import annotations

from ebbmap.committee.verdict import EXCLUDED

#: From the mildest to the gravest. Boxes are searched for on a grid, so that none being found
#: does not say that there is none; too few lungs with a safe setting does.
HOLDS = "a box inside the draft holds"
OTHER = "a box outside the draft holds"
RULE = "no box found that holds, though enough lungs have a safe setting of their own"
UNSETTLED = "no box found that holds, and it is open whether enough lungs have a safe setting"
EXCLUSION = "no box holds and too few lungs have a safe setting at all: exclusion"
NOBODY = "nobody gets the mode"


def what_holds(inside: str, outside: str, own: tuple[float, float], wanted: float) -> str:
    """Return what a group needs, in words.

    Parameters
    ----------
    inside, outside : str
        Certificates of the largest box inside the draft, and over the usual ranges.
    own : tuple of float
        Interval of the share of lungs with a safe setting of their own.
    wanted : float
        Share of lungs that must be served.

    Examples
    --------
    >>> what_holds("unsafe", "unsafe", (0.86, 0.90), 0.8) == RULE
    True
    >>> what_holds("unsafe", "unsafe", (0.53, 0.81), 0.8) == UNSETTLED
    True
    """
    if inside == EXCLUDED:
        return NOBODY
    if "safe" in (inside, outside):
        return HOLDS if inside == "safe" else OTHER
    if own[0] >= wanted:
        return RULE
    return EXCLUSION if own[1] < wanted else UNSETTLED
