"""What goes wrong in a case: unsafe at all, release too short, emptied too far, or one limit.

A limit that a case breaks blames a side of the axis: too low where more of the axis would bring
that case nearer to the limit, too high where less would. This is decided for every case by itself,
since a margin may rise to a peak and fall again, in each lung at another place.
Sizes: n cases, k hard bounds of a rule, e events (three and k).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from ebbmap.cases.evaluate import evaluate
from ebbmap.cases.question import Question
from ebbmap.kernels.judging import Judgement, bound_margins, judge
from ebbmap.lungs import lung_model
from ebbmap.registries.limits import LimitSet
from ebbmap.registries.parameters import PARAMETERS

#: Events of every rule; those of single bounds follow, by the name of the bound.
UNSAFE, TOO_LOW, TOO_HIGH = "unsafe", "too_low", "too_high"

#: A bound whose margin changes less than this [1], by e-fold of the axis or up to its ends, blames
#: neither side.
NO_TREND = 1e-3

#: Relative step along the axis by which the side is found [1]: far above the solvers' errors.
NUDGE = 1e-3

_RELEASE = {TOO_LOW: "release too short", TOO_HIGH: "release too long"}


@dataclass(frozen=True)
class Events:
    """What goes wrong in n cases under one rule.

    Parameters
    ----------
    names : tuple of str
        `UNSAFE`, `TOO_LOW`, `TOO_HIGH`, then every hard bound.
    happens : ndarray of bool, shape (n, e)
        Whether each event surely holds.
    known : ndarray of bool, shape (n, e)
        Whether each event is known to hold or not to hold: being unsafe is, wherever a bound is
        broken or all are kept; a bound is, wherever its outcome is known.
    side : ndarray of int8, shape (n, k)
        1 where a bound is broken because the axis is too low, -1 because it is too high, 0 where
        it is not broken or neither side is to blame.
    """

    names: tuple[str, ...]
    happens: np.ndarray
    known: np.ndarray
    side: np.ndarray


def event_words(event: str, along: str) -> str:
    """Return an event in words.

    Examples
    --------
    >>> event_words("too_low", "t_low"), event_words("too_high", "p_high")
    ('release too short', 'P high too high')
    """
    if event == UNSAFE:
        return "unsafe"
    if along in ("t_low", "t_low_in_time_constants") and event in _RELEASE:
        return _RELEASE[event]
    return f"{PARAMETERS[along].long_name} {event.replace('_', ' ')}"


def find_events(
    question: Question,
    cases: Mapping[str, np.ndarray],
    outcomes: Mapping[str, np.ndarray],
    *,
    along: str,
    ends: tuple[float, float],
) -> dict[str, Events]:
    """Find what goes wrong in solved cases, under every rule of a question.

    Parameters
    ----------
    question : Question
        Lung model and rules.
    cases : mapping of str to ndarray, shape (n,) or ()
        Every value of the cases, that of the axis among them.
    outcomes : mapping of str to ndarray, shape (n,)
        Every outcome that the rules need, of these cases.
    along : str
        The axis that is too low or too high.
    ends : tuple of float
        Its lowest and highest value.

    Returns
    -------
    dict of str to Events
        By rule.

    Notes
    -----
    Unsafe cases are solved again a small step along the axis, towards the middle of it. A broken
    bound whose margin does not move there, such as that on an alveolar ventilation of zero, is
    solved at both ends of the axis: the side is that of the end which is nearer to the limit, and
    neither if both are or none is.
    """
    model = lung_model(question.lung)
    judged = {
        rule: judge(limits, {name: outcomes[name] for name in limits.outcomes})
        for rule, limits in question.rules.items()
    }
    n = next(iter(judged.values())).verdict.size
    full = {name: np.broadcast_to(np.asarray(value), (n,)) for name, value in cases.items()}

    def solve(place: np.ndarray, rows: np.ndarray) -> Mapping[str, np.ndarray]:
        own = {name: value[rows] for name, value in full.items()}
        return evaluate(model, {**own, along: place}, question.outcomes).outcomes

    sides = _sides(judged, question.rules, solve, full[along], ends)
    return {rule: events_of(one, sides[rule]) for rule, one in judged.items()}


def events_of(judged: Judgement, side: np.ndarray) -> Events:
    """Sort judged cases by what goes wrong in them.

    Parameters
    ----------
    judged : Judgement
        Of n cases.
    side : ndarray of int8, shape (k, n)
        To which side of the axis each broken bound points.

    Examples
    --------
    >>> from ebbmap.registries.limits import limit_set
    >>> judged = judge(limit_set("flow_ratio"), {"flow_ratio": np.array([0.9, 0.6])})
    >>> found = events_of(judged, np.array([[-1, -1], [1, 1]]))
    >>> [name for name, holds in zip(found.names, found.happens[0]) if holds]
    ['unsafe', 'too_low', 'flow_ratio_high']
    """
    broken, known = judged.bound_broken, judged.bound_known
    low, high = (broken & (side > 0)).any(axis=0), (broken & (side < 0)).any(axis=0)
    every = known.all(axis=0)
    sure = [broken.any(axis=0) | every, low | every, high | every]
    happens = np.stack([broken.any(axis=0), low, high, *broken], axis=-1)
    names = (UNSAFE, TOO_LOW, TOO_HIGH, *(bound.name for bound in judged.hard))
    return Events(
        names, happens, np.stack([*sure, *known], axis=-1), np.where(broken, side, 0).T.astype(int)
    )


def _sides(
    judged: Mapping[str, Judgement],
    rules: Mapping[str, LimitSet],
    solve: Callable[[np.ndarray, np.ndarray], Mapping[str, np.ndarray]],
    here: np.ndarray,
    ends: tuple[float, float],
) -> dict[str, np.ndarray]:
    """Return the side of the axis that each broken bound points to, by rule, shape (k, n)."""
    sides = {rule: np.zeros(one.bound_margin.shape, dtype=np.int8) for rule, one in judged.items()}
    rows = np.flatnonzero(np.any([one.unsafe for one in judged.values()], axis=0))
    if not rows.size:
        return sides
    place = here[rows]
    inward = np.where(place < 0.5 * (ends[0] + ends[1]), NUDGE, -NUDGE)
    moved = solve(place + inward * np.where(place != 0, np.abs(place), ends[1] - ends[0]), rows)
    flat = np.zeros(rows.size, dtype=bool)
    for rule, limits in rules.items():
        now = judged[rule].bound_margin[:, rows]
        slope = (bound_margins(limits.hard, moved) - now) / inward
        sides[rule][:, rows] = np.where(np.abs(slope) >= NO_TREND, np.sign(slope), 0)
        flat |= ((now < 0) & (sides[rule][:, rows] == 0)).any(axis=0)
    rows = rows[flat]
    if not rows.size:
        return sides
    at_ends = [solve(np.full(rows.size, end), rows) for end in ends]
    for rule, limits in rules.items():
        now = judged[rule].bound_margin[:, rows]
        # the comparison with an unknown margin is False: that end is not known to be better
        low, high = (bound_margins(limits.hard, end) - now >= NO_TREND for end in at_ends)
        own = sides[rule][:, rows]
        sides[rule][:, rows] = np.where(own == 0, high.astype(np.int8) - low, own)
    return sides
