"""What goes wrong in a case: unsafe at all, too slow to empty, emptied too far, or one limit.

A limit whose margin rises along an axis is broken because the axis is too low there (a release
that is too short for the lung), one whose margin falls because it is too high.
Sizes: n cases, k hard bounds of a rule, e events (three and k).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ebbmap.cases import Question, middle_lung
from ebbmap.limits import LimitSet, bound_margins
from ebbmap.parameters import PARAMETERS
from ebbmap.populations import Population
from ebbmap.simulate import simulate

#: Events of every rule; those of single bounds follow, by the name of the bound.
UNSAFE, TOO_LOW, TOO_HIGH = "unsafe", "too_low", "too_high"

#: A bound whose margin changes less than this along the whole axis blames neither side.
NO_TREND = 1e-3

_RELEASE = {TOO_LOW: "too slow to empty", TOO_HIGH: "empties too far"}


@dataclass(frozen=True)
class Events:
    """What goes wrong in n cases under one rule.

    Parameters
    ----------
    names : tuple of str
        `UNSAFE`, `TOO_LOW`, `TOO_HIGH`, then every hard bound.
    happens : ndarray of bool, shape (..., e)
        Whether each event holds.
    known : ndarray of bool, shape (...)
        False where an outcome that the rule needs is not known; no event holds there.
    """

    names: tuple[str, ...]
    happens: np.ndarray
    known: np.ndarray


def event_words(event: str, along: str) -> str:
    """Say an event in words.

    Examples
    --------
    >>> event_words("too_low", "t_low"), event_words("too_high", "p_high")
    ('too slow to empty', 'P high too high')
    """
    if event == UNSAFE:
        return "unsafe"
    if along in ("t_low", "t_low_in_time_constants") and event in _RELEASE:
        return _RELEASE[event]
    return f"{PARAMETERS[along].long_name} {event.replace('_', ' ')}"


def trends(
    question: Question, group: Population | None, limits: LimitSet, along: str, grid: np.ndarray
) -> np.ndarray:
    """Tell whether each hard bound's margin rises (1), falls (-1) or stays (0) along an axis.

    Returns shape (k,). Read from the middle lung between the ends of the axis.
    """
    ends = np.array([np.min(grid), np.max(grid)])
    middle = middle_lung(question, group, {along: ends})
    samples = {n: m for n, m in question.samples.items() if n != along}
    middle |= {name: float(m.at(np.array(0.0))) for name, m in samples.items()}
    solved = simulate(question.lung, outcomes=limits.outcomes, **middle)
    margins = bound_margins(limits.hard, {n: solved[n].values for n in limits.outcomes})
    change = margins[:, 1] - margins[:, 0]
    return np.where(np.abs(change) < NO_TREND, 0.0, np.sign(change))


def find_events(limits: LimitSet, trend: np.ndarray, outcomes: Mapping[str, np.ndarray]) -> Events:
    """Find what goes wrong in solved cases.

    Parameters
    ----------
    limits : LimitSet
        The rule.
    trend : ndarray, shape (k,)
        Of its hard bounds (`trends`).
    outcomes : mapping of str to ndarray, shape (...)
        Every outcome that the hard bounds need.

    Examples
    --------
    >>> from ebbmap.limits import limit_set
    >>> rule = limit_set("flow_ratio")
    >>> found = find_events(rule, np.array([-1.0, 1.0]), {"flow_ratio": np.array([0.9, 0.6])})
    >>> [name for name, holds in zip(found.names, found.happens[0]) if holds]
    ['unsafe', 'too_low', 'flow_ratio_high']
    """
    margins = bound_margins(limits.hard, outcomes)
    known = np.isfinite(margins).all(axis=0)
    broken = (margins < 0) & known
    sides = [broken.any(axis=0), broken[trend > 0].any(axis=0), broken[trend < 0].any(axis=0)]
    names = (UNSAFE, TOO_LOW, TOO_HIGH, *(bound.name for bound in limits.hard))
    return Events(names, np.stack([*sides, *broken], axis=-1), known)
