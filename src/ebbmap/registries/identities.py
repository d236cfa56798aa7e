"""What limits say of each other in a linear lung that T high fills, by algebra.

There one number, the flow ratio r, and P high - P low, here d, settle the end of a release:
auto-PEEP = r d, exhaled fraction = 1 - r, driving pressure = (1 - r) d, and the release volume is
compliance times that. So every bound on these is a bound a + b / d on r, they bound one quantity,
and two of them exclude each other where the one from below lies above the one from above.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import product

import numpy as np

from ebbmap.registries.bounds import Bound, Limit, LimitSet
from ebbmap.registries.steady import Side

#: How the sentences name what they hold for.
WHERE = "in a linear lung that T high fills"


@dataclass(frozen=True)
class RatioBound:
    """A bound as one on the flow ratio: at least, or at most, `constant` + `per_pressure` / d.

    Parameters
    ----------
    bound : Bound
        What was bounded.
    side : {"low", "high"}
        Side of the flow ratio.
    constant, per_pressure : float
        Its value [1], and what is added per P high - P low [cmH2O].
    """

    bound: Bound
    side: Side
    constant: float
    per_pressure: float

    def at(self, difference: float) -> float:
        """Return the bound on the flow ratio at P high - P low [cmH2O]."""
        return self.constant + self.per_pressure / difference


def ratio_bounds(bounds: Iterable[Bound], known: Mapping[str, float]) -> list[RatioBound]:
    """Return the bounds that are bounds on the flow ratio.

    Parameters
    ----------
    bounds : iterable of Bound
        Any bounds.
    known : mapping of str to float
        Values of parameters: `p_low` is needed for the end-release pressure, `compliance` and
        `predicted_body_weight` for volumes; bounds that need what is not known are left out.

    Examples
    --------
    >>> acute = Limit("auto_peep", "invented", high=10.0).bounds
    >>> [(one.side, one.at(20.0)) for one in ratio_bounds(acute, {})]
    [('high', 0.5)]
    """
    p_low, compliance = known.get("p_low"), known.get("compliance")
    weight = known.get("predicted_body_weight")
    # outcome -> (constant, per pressure) of the flow ratio at the bound's value v
    forms: dict[str, Callable[[float], tuple[float, float]]] = {
        "flow_ratio": lambda v: (v, 0.0),
        "exhaled_fraction": lambda v: (1.0 - v, 0.0),
        "auto_peep": lambda v: (0.0, v),
        "driving_pressure": lambda v: (1.0, -v),
    }
    if p_low is not None:
        forms["end_release_pressure"] = lambda v: (0.0, v - p_low)
    if compliance:
        forms["release_volume"] = lambda v: (1.0, -v / compliance)
        if weight:
            forms["release_volume_per_kg"] = lambda v: (1.0, -v * weight / compliance)
    falling = ("exhaled_fraction", "driving_pressure", "release_volume", "release_volume_per_kg")
    other: dict[Side, Side] = {"low": "high", "high": "low"}
    return [
        RatioBound(
            bound,
            other[bound.side] if bound.outcome in falling else bound.side,
            *forms[bound.outcome](bound.value),
        )
        for bound in bounds
        if bound.outcome in forms
    ]


def excluded_between(low: RatioBound, high: RatioBound) -> tuple[float, float]:
    """Return the P high - P low between which two bounds exclude each other [cmH2O].

    Examples
    --------
    >>> rule = Limit("flow_ratio", "invented", low=0.5).bounds
    >>> acute = Limit("auto_peep", "invented", high=10.0).bounds
    >>> excluded_between(*ratio_bounds((*rule, *acute), {}))
    (20.0, inf)
    """
    slope = low.constant - high.constant
    offset = high.per_pressure - low.per_pressure
    # they do where slope x d > offset
    if slope == 0:
        return (0.0, np.inf) if offset < 0 else (np.inf, np.inf)
    place = offset / slope
    if slope > 0:
        return max(place, 0.0), np.inf
    return (0.0, place) if place > 0 else (np.inf, np.inf)


def exclusions_by_algebra(
    bounds: Iterable[Bound], difference: float, known: Mapping[str, float]
) -> list[tuple[str, ...]]:
    """Return the smallest sets of bounds that no T low keeps, at P high - P low [cmH2O].

    Intervals of one number exclude each other in pairs, or alone where they leave 0 to 1.

    Examples
    --------
    >>> both = (Limit("flow_ratio", "invented", low=0.5), Limit("auto_peep", "invented", high=10.0))
    >>> bounds = [bound for limit in both for bound in limit.bounds]
    >>> exclusions_by_algebra(bounds, 24.0, {}), exclusions_by_algebra(bounds, 18.0, {})
    ([('flow_ratio_low', 'auto_peep_high')], [])
    """
    every = ratio_bounds(bounds, known)
    alone = [
        one
        for one in every
        if (one.at(difference) >= 1.0 if one.side == "low" else one.at(difference) <= 0.0)
    ]
    rest = [one for one in every if one not in alone]
    pairs = [(a, b) for a, b in _pairs(rest) if a.at(difference) > b.at(difference)]
    names = [one.bound.name for one in every]
    return [(one.bound.name,) for one in alone] + [
        tuple(sorted((a.bound.name, b.bound.name), key=names.index)) for a, b in pairs
    ]


def identity_sentences(limits: LimitSet, known: Mapping[str, float]) -> Iterator[str]:
    """Yield which hard limits exclude each other, by algebra, and where.

    Parameters
    ----------
    limits : LimitSet
        The limits.
    known : mapping of str to float
        As in `ratio_bounds`; with `p_high` and `p_low` only what holds there is said.

    Examples
    --------
    >>> both = LimitSet("both", "both", (Limit("flow_ratio", "invented", low=0.5),
    ...                                  Limit("auto_peep", "invented", high=10.0)))
    >>> print(*identity_sentences(both, {}))
    flow ratio at least 50 % and auto-PEEP at most 10 cmH₂O exclude each other where P high \
- P low is above 20 cmH₂O
    >>> list(identity_sentences(both, {"p_high": 18.0, "p_low": 0.0}))
    []
    """
    here = known["p_high"] - known["p_low"] if {"p_high", "p_low"} <= set(known) else None
    for low, high in _pairs(ratio_bounds(limits.hard, known)):
        begin, end = excluded_between(low, high)
        if not begin < end or (here is not None and not begin < here < end):
            continue
        said = f"{kept_sentence(low.bound)} and {kept_sentence(high.bound)} exclude each other"
        place = f"above {begin:g}" if np.isinf(end) else f"below {end:g}"
        everywhere = begin == 0.0 and np.isinf(end)
        where = "" if everywhere else f" where P high - P low is {place} cmH₂O"
        yield said + where + (f"; it is {here:g}" if here is not None and where else "")


def alike_sentence(limits: LimitSet, known: Mapping[str, float]) -> str:
    """Return which hard limits bound one quantity, by algebra; empty if fewer than two do.

    Examples
    --------
    >>> both = LimitSet("both", "both", (Limit("flow_ratio", "invented", low=0.5),
    ...                                  Limit("auto_peep", "invented", high=10.0)))
    >>> alike_sentence(both, {})
    'flow ratio at least 50 %, auto-PEEP at most 10 cmH₂O bound one quantity'
    """
    found = ratio_bounds(limits.hard, known)
    if len({one.bound.outcome for one in found}) < 2:
        return ""
    return f"{', '.join(kept_sentence(one.bound) for one in found)} bound one quantity"


def algebra_sentences(limits: LimitSet, known: Mapping[str, float]) -> Iterator[str]:
    """Yield which hard limits bound one quantity and which exclude each other, and for what.

    Examples
    --------
    >>> from ebbmap.registries.limits import limit_set
    >>> print(*algebra_sentences(limit_set("auto_peep"), {"p_low": 0.0}))
    in a linear lung that T high fills, P low 0: auto-PEEP at most 15 cmH₂O, alveolar pressure at \
end of release at least 5 cmH₂O bound one quantity
    """
    at = f", P low {known['p_low']:g}" if "p_low" in known else ""
    if alike := alike_sentence(limits, known):
        yield f"{WHERE}{at}: {alike}"
    for said in identity_sentences(limits, known):
        yield f"{WHERE}{at}: {said}"


def identity_words(limits: LimitSet, known: Mapping[str, float]) -> str:
    """Return all that algebra says of limits in one sentence; empty if nothing."""
    said = list(identity_sentences(limits, known))
    return f"{WHERE}: {'; '.join(said)}" if said else ""


def kept_sentence(bound: Bound) -> str:
    """Return what holds while a bound is kept, for a reader.

    Examples
    --------
    >>> kept_sentence(Limit("flow_ratio", "invented", low=0.5).bounds[0])
    'flow ratio at least 50 %'
    """
    low, high = (bound.value if bound.side == side else None for side in ("low", "high"))
    return Limit(bound.outcome, bound.why, low, high, width=bound.width).sentence


def _pairs(bounds: list[RatioBound]) -> Iterator[tuple[RatioBound, RatioBound]]:
    """Yield every bound from below with every one from above, of different outcomes."""
    sides = ([one for one in bounds if one.side == side] for side in ("low", "high"))
    yield from ((a, b) for a, b in product(*sides) if a.bound.outcome != b.bound.outcome)
