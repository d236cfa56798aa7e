"""A policy as plain values: start, measurements, rules, when to stop, how to wean.

How patients answer to it is in `physiology`. Nothing here knows of files: `ebbmap.files.policy`
builds it from what a committee writes. Times are in minutes, settings and measured values in the
registry's units.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Self

import numpy as np

from ebbmap.array import absolute, maximum, minimum, on_steps, to_digits, where
from ebbmap.committee.draft import SETTINGS
from ebbmap.committee.protocol import Protocol
from ebbmap.engines import Engine
from ebbmap.policies.conditions import Box, Condition
from ebbmap.policies.physiology import Body, Drift

#: What a rule may move.
MOVABLE = (*SETTINGS, "fio2")

#: What follows from settings alone: nobody has to measure it.
SET_RATE = "release_rate"

#: Settings closer than this are the same.
ROUNDING = 1e-9

#: Digits behind the point of what can be set; further ones are rounding's.
DIGITS = 9

#: What conditions may look at without a measurement.
KNOWN_SETTINGS = (*MOVABLE, SET_RATE)


@dataclass(frozen=True)
class Reading:
    """A quantity that is measured.

    Parameters
    ----------
    name : str
        Outcome that is measured.
    every, delay : float
        Time between two measurements, and until a value is known [min].
    after_change : float
        Time after a change of settings at which it is measured besides [min]; infinite: never.
    error, error_share : float
        Standard deviation of the error, in the quantity's unit and as a share of the value.
    round_to : float
        Step to which it is rounded; 0: not at all.
    line : int
        Line of the file.
    """

    name: str
    every: float
    delay: float = 0.0
    after_change: float = math.inf
    error: float = 0.0
    error_share: float = 0.0
    round_to: float = 0.0
    line: int = 0

    def spread(self, value: float) -> float:
        """Return the standard deviation of a reading at a value, rounding included."""
        parts = (self.error, self.error_share * value, self.round_to / math.sqrt(12.0))
        return math.hypot(*parts)


@dataclass(frozen=True)
class Rule:
    """What is changed when a condition on measured values holds.

    Parameters
    ----------
    name : str
        What the source or the project calls it.
    when : Condition
        When it begins to act.
    moves : mapping of str to float
        By how much each setting moves.
    rows : mapping of str to tuple of float
        Instead of moves: settings of a table's rows, the next of which is taken.
    until : Box or None
        A range of one quantity with one end. Once begun the rule acts until this is reached, as
        long as what `when` says of other quantities holds; None: it acts while `when` holds.
    caps : Box
        Settings, and the release rate, past which it does not move.
    wait : float
        Time before any rule acts again [min].
    again : float
        Time before this rule acts again [min].
    takes_back : bool
        Whether it takes back a step of weaning, and acts only where one was made.
    line : int
        Line of the file.
    source, own : str
        Where it comes from, and what of it is the project's own.
    """

    name: str
    when: Condition
    moves: Mapping[str, float]
    rows: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    until: Box | None = None
    caps: Box = field(default_factory=Box)
    wait: float = 0.0
    again: float = 0.0
    takes_back: bool = False
    line: int = 0
    source: str = ""
    own: str = ""

    @property
    def going(self) -> Condition:
        """When it acts once it has begun: `when`, and as far beyond as `until` lets it."""
        if self.until is None:
            return self.when
        ((name, target),) = self.until.ranges.items()
        short = target.below if target.high == math.inf else target.above
        return Condition(tuple(Box({**box.ranges, name: short}) for box in self.when.boxes))

    @property
    def directions(self) -> dict[str, float]:
        """Return the way each setting goes: 1 or -1."""
        ways = {name: math.copysign(1.0, by) for name, by in self.moves.items() if by}
        for name, column in self.rows.items():
            if column[0] != column[-1]:
                ways[name] = math.copysign(1.0, column[-1] - column[0])
        return ways

    @property
    def capped(self) -> bool:
        """Whether a cap may stop it altogether: every setting that it moves has one ahead."""
        return SET_RATE in self.caps.ranges or all(
            math.isfinite(self.cap_ahead(name)) for name in self.directions
        )

    def cap_ahead(self, name: str) -> float:
        """Return the cap that a setting moves towards, infinite if there is none."""
        cap = self.caps.along(name)
        return cap.high if self.directions[name] > 0 else cap.low

    def moved(self, settings: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
        """Return what the rule makes of settings.

        Parameters
        ----------
        settings : mapping of str to ndarray, shape (n,)
            All that can be moved.

        Returns
        -------
        dict of str to ndarray, shape (n,)
            The settings that it moves. A step ends at a cap and never turns back from beyond it;
            where the release rate would pass its cap further, nothing moves.
        """
        steps = self._row_steps(settings) if self.rows else self.moves
        new = {}
        for name, by in steps.items():
            present, cap = settings[name], self.caps.along(name)
            up = minimum(present + by, maximum(present, cap.high))
            down = maximum(present + by, minimum(present, cap.low))
            new[name] = where(by > 0.0, up, down)
        return self._within_rate(settings, new)

    def _row_steps(self, settings: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
        """Return the steps to the next row of the table, shape (n,) each; 0 past the last one.

        The next row is the first that lies ahead by its first setting, or by its second one where
        the first is the same.
        """
        ways = self.directions
        steps = {name: 0.0 * settings[name] for name in self.rows}
        for row in reversed(range(len(next(iter(self.rows.values()))))):
            ahead: Any = False
            same: Any = True
            for name, column in self.rows.items():
                further = (column[row] - settings[name]) * ways.get(name, 0.0)
                ahead = ahead | same & (further > ROUNDING)
                same = same & (absolute(further) <= ROUNDING)
            for name, column in self.rows.items():
                steps[name] = where(ahead, column[row] - settings[name], steps[name])
        return steps

    def _within_rate(
        self, settings: Mapping[str, np.ndarray], new: dict[str, np.ndarray]
    ) -> dict[str, np.ndarray]:
        cap = self.caps.along(SET_RATE)
        if not cap.bounded:
            return new
        before, after = release_rate(settings), release_rate({**settings, **new})
        past = (after > cap.high) & (after > before) | (after < cap.low) & (after < before)
        return {name: where(past, settings[name], value) for name, value in new.items()}


def release_rate(settings: Mapping[str, np.ndarray]) -> Any:
    """Return the releases per minute of set times [min-1], shape (n,)."""
    return 60.0 / (settings["t_high"] + settings["t_low"])


@dataclass(frozen=True)
class Criterion:
    """When a patient leaves the mode.

    Parameters
    ----------
    when : Condition
        On measured values.
    lasting : float
        How long it must hold [min].
    words : str
        What the bedside calls it.
    line : int
        Line of the file.
    """

    when: Condition
    lasting: float
    words: str
    line: int = 0


@dataclass(frozen=True)
class Mend:
    """How other numbers in the same rules are searched.

    Parameters
    ----------
    evaluations : int
        Candidates that are simulated at most.
    patients : int
        Drawn from each group for the search.
    """

    evaluations: int
    patients: int


@dataclass(frozen=True, kw_only=True)
class Policy:
    """A policy that passed every check of its file.

    Parameters
    ----------
    file : str
        Its file, as the user named it.
    protocol : Protocol
        Whom it is for, what counts as safe, and its start as a draft.
    goal : Box
        Measured values at which nothing needs to be done.
    readings : tuple of Reading
        What is measured.
    rules : tuple of Rule
        The most urgent first; weaning is the last.
    criteria : tuple of Criterion
        When a patient leaves the mode.
    wean : Rule or None
        One of the rules.
    weaned : Condition or None
        Where weaning ends.
    body : Body
        How patients answer in time.
    dial : mapping of str to float
        Step in which each setting can be set; exact where it is not named.
    hours : int
        How long patients are followed.
    disease : tuple of Drift
        How patients improve or worsen.
    mend : Mend or None
        Whether other numbers in the same rules are searched.
    reversal : float
        A setting moved up and down again within this time oscillates [min].
    source : str
        The one source.
    goal_line, start_line : int
        Lines of the file.
    leaves_out, own : tuple of str
        What the source does not say, and what is the project's own.
    """

    file: str
    protocol: Protocol
    goal: Box
    readings: tuple[Reading, ...]
    rules: tuple[Rule, ...]
    criteria: tuple[Criterion, ...] = ()
    wean: Rule | None = None
    weaned: Condition | None = None
    body: Body = field(default_factory=Body)
    dial: Mapping[str, float] = field(default_factory=dict)
    hours: int = 48
    disease: tuple[Drift, ...] = ()
    mend: Mend | None = None
    reversal: float = 240.0
    source: str = ""
    goal_line: int = 0
    start_line: int = 0
    leaves_out: tuple[str, ...] = ()
    own: tuple[str, ...] = ()

    def solved_by(self, engine: Engine | None) -> Self:
        """Return the same policy by another engine; see `Protocol.solved_by`."""
        return replace(self, protocol=self.protocol.solved_by(engine))

    @property
    def measured(self) -> dict[str, Reading]:
        """What is measured, by name."""
        return {reading.name: reading for reading in self.readings}

    @property
    def outcomes(self) -> tuple[str, ...]:
        """Every outcome that is measured or judged."""
        names = (*self.measured, *self.protocol.limits.outcomes)
        return tuple(dict.fromkeys(names))

    def on_dial(self, name: str, values: np.ndarray) -> np.ndarray:
        """Return values of a setting as they can be set; arrays of any engine."""
        step = self.dial.get(name)
        return values if step is None else to_digits(on_steps(values, step), DIGITS)
