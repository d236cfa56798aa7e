"""What a limit is: an outcome, one or two bounds, and why; and limits that are judged together.

A bound is one side of a limit. Its margin is the signed distance to it, scaled by the limit's
width: positive inside. Sizes: n cases, k bounds.
"""

from __future__ import annotations

from collections.abc import Container, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal

import numpy as np

from ebbmap.array import some, where
from ebbmap.errors import EbbmapError
from ebbmap.registries.outcomes import outcome
from ebbmap.registries.steady import (
    BALANCES,
    RUNAWAY_MARGIN,
    RUNS_AWAY,
    Side,
    balances_of,
)

Severity = Literal["hard", "caution"]

COMMON = "common practice, no source"
ARDSNET = "NIH ARDS Network strategy"
ALKALAEMIA = (
    "above 7.60, severe alkalaemia, which narrows vessels of heart and brain: Adrogué and Madias, "
    "N Engl J Med 1998;338:107 (from memory)"
)


@dataclass(frozen=True)
class Bound:
    """One side of a limit.

    Parameters
    ----------
    outcome : str
        Registry name.
    side : {"low", "high"}
        Whether the outcome must not fall below or not rise above `value`.
    value, width : float
        The bound, and the distance that counts as a margin of one, in the outcome's unit.
    severity : {"hard", "caution"}
        Broken hard bounds make a case unsafe.
    why : str
        Source, or "common practice, no source".
    uncertainty : float, optional
        How far the bound may lie either way, in the outcome's unit; None where nobody says.
    """

    outcome: str
    side: Side
    value: float
    width: float
    severity: Severity
    why: str
    uncertainty: float | None = None

    @property
    def name(self) -> str:
        """Name in datasets: the outcome and the side."""
        return f"{self.outcome}_{self.side}"

    @property
    def sentence(self) -> str:
        """What is wrong when this bound is broken, for a reader."""
        if self.outcome in BALANCES and self.side == "low" and self.value == 0.0:
            return BALANCES[self.outcome]
        entry = outcome(self.outcome)
        word = "below" if self.side == "low" else "above"
        return f"{entry.long_name} {word} {entry.amount(self.value)}"

    def margin(self, values: np.ndarray) -> np.ndarray:
        """Signed distance to the bound over its width, positive inside, shape (n,)."""
        distance = values - self.value if self.side == "low" else self.value - values
        return distance / self.width

    @property
    def runs_away(self) -> tuple[str, ...]:
        """The balances without which this bound is surely broken."""
        side, balances = RUNS_AWAY.get(self.outcome, ("", ()))
        return balances if side == self.side else ()

    def margin_among(self, outcomes: Mapping[str, np.ndarray]) -> np.ndarray:
        """Return the margin, shape (n,): negative too where the outcome has run away.

        Without a steady state there is no number, but on the side to which the outcome runs the
        bound is surely broken: by a whole width, and what the balance lacks.

        Examples
        --------
        >>> acid = Limit("ph", "invented", low=7.2, width=0.4).bounds[0]
        >>> found = {"ph": np.array([7.4, np.nan]), "co2_balance": np.array([4.0, -0.25])}
        >>> acid.margin_among(found).round(2).tolist()
        [0.5, -1.25]
        """
        own = self.margin(outcomes[self.outcome])
        for name in self.runs_away:
            if name in outcomes and some(short := outcomes[name] < 0.0):
                own = where(short, RUNAWAY_MARGIN + outcomes[name], own)
        return own

    def spread(self, unstated: float) -> float:
        """Return how far the bound may lie either way, in widths; `unstated` if nobody says."""
        return unstated if self.uncertainty is None else self.uncertainty / self.width


@dataclass(frozen=True)
class Limit:
    """A range that an outcome must stay in.

    Parameters
    ----------
    outcome : str
        Registry name.
    why : str
        Source, or "common practice, no source". Never empty.
    low, high : float, optional
        Bounds in the outcome's unit; at least one.
    severity : {"hard", "caution"}
        `hard`: unsafe outside; `caution`: a warning.
    width : float, optional
        What counts as a margin of one; high - low, or the size of a single bound, if None.
    uncertainty : float, optional
        How far its bounds may lie either way, in the outcome's unit; None where nobody says.

    Raises
    ------
    EbbmapError
        If the limit is empty, reversed, without width or source, or of negative uncertainty.
        Whether there is such an outcome is seen where the limit is used: it may be one's own.
    """

    outcome: str
    why: str
    low: float | None = None
    high: float | None = None
    severity: Severity = "hard"
    width: float | None = None
    uncertainty: float | None = None

    def __post_init__(self) -> None:
        """Refuse a limit that cannot be meant."""
        given = [bound for bound in (self.low, self.high) if bound is not None]
        if not given:
            raise EbbmapError(f"a limit on {self.outcome} needs low or high; got neither. Add one.")
        if not all(np.isfinite(bound) for bound in given):
            raise EbbmapError(
                f"bounds of {self.outcome} must be finite; got {given}. Leave it out."
            )
        if len(given) == 2 and not given[0] < given[1]:
            raise EbbmapError(
                f"{self.outcome} must have low < high; got low {self.low:g}, high {self.high:g}. "
                "Swap them."
            )
        if not self.why:
            raise EbbmapError(f"the limit on {self.outcome} needs a source or 'common practice'.")
        if not self.scale > 0:
            raise EbbmapError(f"the limit on {self.outcome} needs a width > 0; give `width`.")
        if self.uncertainty is not None and not 0.0 <= self.uncertainty < np.inf:
            raise EbbmapError(
                f"the uncertainty of the limit on {self.outcome} must be >= 0; got "
                f"{self.uncertainty:g}. Leave it out if it is not known."
            )

    @property
    def scale(self) -> float:
        """Distance that counts as a margin of one."""
        if self.width is not None:
            return self.width
        if self.low is not None and self.high is not None:
            return self.high - self.low
        return abs(self.low if self.low is not None else self.high or 0.0)

    @property
    def bounds(self) -> tuple[Bound, ...]:
        """The one or two sides of this limit."""
        sides: tuple[tuple[Side, float | None], ...] = (("low", self.low), ("high", self.high))
        return tuple(
            Bound(self.outcome, side, value, self.scale, self.severity, self.why, self.uncertainty)
            for side, value in sides
            if value is not None
        )

    @property
    def sentence(self) -> str:
        """The limit in words, for captions.

        Examples
        --------
        >>> Limit("auto_peep", "invented", high=15.0).sentence
        'auto-PEEP at most 15 cmH₂O'
        """
        entry = outcome(self.outcome)
        if self.low is not None and self.high is not None:
            said = entry.range(self.low, self.high)
        elif self.low is not None:
            said = f"at least {entry.amount(self.low)}"
        elif self.high is not None:
            said = f"at most {entry.amount(self.high)}"
        mark = " (caution)" if self.severity == "caution" else ""
        return f"{entry.long_name} {said}{mark}"


@dataclass(frozen=True)
class LimitSet:
    """Limits that are judged together."""

    name: str
    long_name: str
    limits: tuple[Limit, ...]

    @cached_property
    def hard(self) -> tuple[Bound, ...]:
        """Bounds that make a case unsafe when broken.

        Where the limits rest on a steady state and none of them is broken without one, as where
        pH only warns, that there is one is a bound too.
        """
        own = self._bounds("hard")
        return own + tuple(self._unsaid(own)) if own else ()

    @cached_property
    def caution(self) -> tuple[Bound, ...]:
        """Bounds that ask for caution when broken."""
        return self._bounds("caution")

    @property
    def outcomes(self) -> tuple[str, ...]:
        """The outcomes that must be known to judge a case."""
        own = [limit.outcome for limit in self.limits]
        return tuple(dict.fromkeys((*own, *(b for name in own for b in balances_of(name)))))

    @property
    def sentence(self) -> str:
        """Every limit in words, for captions."""
        return ", ".join(limit.sentence for limit in self.limits)

    def _unsaid(self, own: tuple[Bound, ...]) -> Iterator[Bound]:
        """Yield the bounds on steady states that the outcomes rest on and no own bound covers."""
        covered = {name for bound in own for name in (bound.outcome, *bound.runs_away)}
        for limit in STEADY_STATE.limits:
            if limit.outcome in self.outcomes and limit.outcome not in covered:
                yield from limit.bounds

    def _bounds(self, severity: Severity) -> tuple[Bound, ...]:
        every = (bound for limit in self.limits for bound in limit.bounds)
        return tuple(bound for bound in every if bound.severity == severity)


def combine(name: str, *sets: LimitSet) -> LimitSet:
    """Join limit sets into one.

    Raises
    ------
    EbbmapError
        If two hard limits of the sets bound the same outcome: which one holds is then unclear.

    Examples
    --------
    >>> one = LimitSet("one", "one", (Limit("auto_peep", COMMON, high=15.0),))
    >>> other = LimitSet("other", "other", (Limit("flow_ratio", COMMON, low=0.5),))
    >>> combine("both", one, other).outcomes
    ('auto_peep', 'flow_ratio')
    """
    limits = tuple(limit for one in sets for limit in one.limits)
    names = [bound.name for limit in limits for bound in limit.bounds if bound.severity == "hard"]
    for twice in {bound for bound in names if names.count(bound) > 1}:
        raise EbbmapError(f"the hard bound {twice} is set twice in {name!r}. Keep one of them.")
    return LimitSet(name, " + ".join(one.long_name for one in sets), limits)


#: That a body can come to rest at all; part of every verdict that knows of it.
STEADY_STATE = LimitSet(
    "steady_state",
    "a steady state of CO₂ and oxygen",
    tuple(
        Limit(name, f"{outcome(name).source}; {COMMON}", low=0.0, width=1.0) for name in BALANCES
    ),
)


def asks_for_steady_state(limits: LimitSet) -> bool:
    """Return whether a case can be told from these limits to have no steady state."""
    return not set(BALANCES).isdisjoint(limits.outcomes)


def with_steady_state(limits: LimitSet, known: Container[Any]) -> LimitSet:
    """Return limits that also ask for a steady state, as far as the balances are known.

    A set without a hard limit stays as it is: it judges no safety.

    Examples
    --------
    >>> one = LimitSet("one", "one", (Limit("auto_peep", COMMON, high=15.0),))
    >>> with_steady_state(one, {"co2_balance"}).outcomes
    ('auto_peep', 'co2_balance')
    """
    if not limits.hard:
        return limits
    named = {limit.outcome for limit in limits.limits}
    added = [
        one for one in STEADY_STATE.limits if one.outcome in known and one.outcome not in named
    ]
    return LimitSet(limits.name, limits.long_name, (*limits.limits, *added))
