"""Conditions on measured values: any of some boxes, each a range of some quantities.

Ranges know whether their ends belong to them, so that what lies between two rules is found
exactly, a single value included.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import reduce

import numpy as np

from ebbmap.array import falses
from ebbmap.errors import EbbmapError
from ebbmap.registries.outcomes import OUTCOMES, Outcome
from ebbmap.registries.parameters import PARAMETERS, Parameter
from ebbmap.units import display

#: Cells that a partition may have: more of them are no rule that a bedside follows.
MOST_CELLS = 2_000_000

#: Quantities of unit 1 that are no shares, and may exceed 1.
NO_SHARES = frozenset({"ph", "release_in_time_constants", "t_low_in_time_constants"})


@dataclass(frozen=True)
class Interval:
    """A range of one quantity.

    Parameters
    ----------
    low, high : float
        Its ends, in the registry's unit; infinite where it is open.
    low_in, high_in : bool
        Whether the ends belong to it.
    """

    low: float = -math.inf
    high: float = math.inf
    low_in: bool = False
    high_in: bool = False

    @property
    def empty(self) -> bool:
        """Whether no value lies in it."""
        return self.low > self.high or (
            self.low == self.high and not (self.low_in and self.high_in)
        )

    @property
    def bounded(self) -> bool:
        """Whether it has an end at all."""
        return self.low > -math.inf or self.high < math.inf

    def meet(self, other: Interval) -> Interval:
        """Return the range of values that lie in both.

        Examples
        --------
        >>> Interval(high=60.0).meet(Interval(low=60.0, low_in=True)).empty
        True
        """
        low, low_out = max((self.low, not self.low_in), (other.low, not other.low_in))
        high, high_in = min((self.high, self.high_in), (other.high, other.high_in))
        return Interval(low, high, not low_out, high_in)

    def covers(self, other: Interval) -> bool:
        """Return whether every value of another range lies in this one."""
        return other.empty or self.meet(other) == other

    def holds(self, values: np.ndarray) -> np.ndarray:
        """Return which values lie in it, shape (n,); NaN does not. Arrays of any engine."""
        above = values >= self.low if self.low_in else values > self.low
        below = values <= self.high if self.high_in else values < self.high
        return above & below

    def distance(self, other: Interval) -> float:
        """Return how far apart two ranges lie; 0 where they touch or meet."""
        return max(0.0, self.low - other.high, other.low - self.high)

    @property
    def below(self) -> Interval:
        """The values under it."""
        return Interval(high=self.low, high_in=not self.low_in)

    @property
    def above(self) -> Interval:
        """The values over it."""
        return Interval(low=self.high, low_in=not self.high_in)

    def written(self, name: str) -> str:
        """Return the range as the file writes it; nothing of ends that no value can pass.

        Examples
        --------
        >>> Interval(60.0, 80.0, True, True).written("pao2")
        'pao2 60 to 80 mmHg'
        """
        unit = display(unit_of(name))
        return self._put(name, name, lambda value: f"{value:g}", unit)

    def said(self, name: str) -> str:
        """Return the range as a reader says it.

        Examples
        --------
        >>> Interval(60.0, math.inf, True).said("pao2")
        'PaO₂ ≥ 60 mmHg'
        """
        entry = _entry(name)
        said = self._put(name, entry.short_name, entry.number, entry.said_units)
        return said.replace("<=", "≤").replace(">=", "≥")

    def _put(self, name: str, word: str, number: Callable[[float], str], unit: str) -> str:
        unit, whole = f" {unit}".rstrip(), possible(name)
        low, high = number(self.low), number(self.high)
        if self.low == self.high:
            return f"{word} = {low}{unit}"
        if self.low_in and self.high_in and math.isfinite(self.low + self.high):
            return f"{word} {low} to {high}{unit}"
        parts = []
        if self.low > whole.low or (self.low == whole.low and not self.low_in):
            parts.append(f"{word} {'>=' if self.low_in else '>'} {low}{unit}")
        if self.high < whole.high or (self.high < math.inf and not self.high_in):
            parts.append(f"{word} {'<=' if self.high_in else '<'} {high}{unit}")
        return " and ".join(parts)


ANY = Interval()


@dataclass(frozen=True)
class Box:
    """Ranges of several quantities that hold together; what is not named may be anything."""

    ranges: Mapping[str, Interval] = field(default_factory=dict)

    def along(self, name: str) -> Interval:
        """Return the range of a quantity."""
        return self.ranges.get(name, ANY)

    @property
    def empty(self) -> bool:
        """Whether no values lie in it."""
        return any(one.empty for one in self.ranges.values())

    def meet(self, other: Box) -> Box:
        """Return the box of values that lie in both."""
        names = {**self.ranges, **other.ranges}
        return Box({name: self.along(name).meet(other.along(name)) for name in names})

    def covers(self, other: Box) -> bool:
        """Return whether every point of another box lies in this one."""
        return other.empty or all(
            one.covers(other.along(name)) for name, one in self.ranges.items()
        )

    def written(self) -> str:
        """Return the box as the file writes it."""
        return self._joined(Interval.written)

    def said(self, unbounded: str = "any measured values") -> str:
        """Return the box as a reader says it; what is given if nothing can lie outside it."""
        return self._joined(Interval.said, unbounded)

    def _joined(
        self, put: Callable[[Interval, str], str], unbounded: str = "any measured values"
    ) -> str:
        words = [put(one, name) for name, one in self.ranges.items()]
        return " and ".join(word for word in words if word) or unbounded


@dataclass(frozen=True)
class Condition:
    """Any of some boxes.

    Parameters
    ----------
    boxes : tuple of Box
        None of them: it never holds. One without ranges: it always holds.
    """

    boxes: tuple[Box, ...]

    @property
    def quantities(self) -> tuple[str, ...]:
        """Every quantity that it looks at."""
        return tuple(dict.fromkeys(name for box in self.boxes for name in box.ranges))

    def holds(self, values: Mapping[str, np.ndarray]) -> np.ndarray:
        """Return for which cases it holds.

        Parameters
        ----------
        values : mapping of str to array, shape (n,)
            At least every quantity that it looks at, of any engine; what is not known yet is NaN
            and does not hold.

        Returns
        -------
        array of bool, shape (n,)
        """
        none: np.ndarray = falses(next(iter(values.values())))
        found = none
        for box in self.boxes:
            inside = ~none
            for name, one in box.ranges.items():
                inside = inside & one.holds(values[name])
            found = found | inside
        return found

    def meet(self, other: Condition) -> Condition:
        """Return the condition that both hold, empty boxes left out."""
        met = (one.meet(two) for one in self.boxes for two in other.boxes)
        return Condition(tuple(box for box in met if not box.empty))

    def written(self) -> str:
        """Return the condition as the file writes it."""
        return " or ".join(box.written() for box in self.boxes) or "never"

    def said(self) -> str:
        """Return the condition as a reader says it."""
        return " or ".join(box.said() for box in self.boxes) or "never"


ALWAYS = Condition((Box(),))


def unit_of(name: str) -> str:
    """Return the unit of a parameter or an outcome.

    Raises
    ------
    EbbmapError
        If there is neither of this name.
    """
    return _entry(name).units


def spoken(name: str) -> str:
    """Return the name of a parameter or an outcome as a reader says it.

    Raises
    ------
    EbbmapError
        If there is neither of this name.

    Examples
    --------
    >>> spoken("t_low"), spoken("pao2")
    ('T low', 'PaO₂')
    """
    return _entry(name).short_name


def amount(name: str, value: float) -> str:
    """Return a quantity's name and value, three digits and its unit.

    Examples
    --------
    >>> amount("paco2", 65.04), amount("t_low", 0.1), amount("spo2", 0.9)
    ('PaCO₂ 65 mmHg', 'T low 0.1 s', 'SpO₂ 90 %')
    """
    return f"{spoken(name)} {amount_alone(name, value)}"


def amount_alone(name: str, value: float) -> str:
    """Return a quantity's value with its unit, three digits."""
    return _entry(name).amount(value, 3)


def _entry(name: str) -> Parameter | Outcome:
    entry = PARAMETERS.get(name) or OUTCOMES.get(name)
    if entry is None:
        raise EbbmapError(f"{name!r} must be a parameter or an outcome. See `ebbmap describe`.")
    return entry


def possible(name: str) -> Interval:
    """Return the values that a quantity can have: a parameter's bounds, a share's 0 to 1."""
    if name in PARAMETERS:
        return Interval(PARAMETERS[name].low, PARAMETERS[name].high, True, True)
    high = 1.0 if unit_of(name) == "1" and name not in NO_SHARES else math.inf
    return Interval(0.0, high, True, high < math.inf)


def possible_part(condition: Condition) -> Condition:
    """Return a condition without what no quantity can be."""
    bounds = Box({name: possible(name) for name in condition.quantities})
    return condition.meet(Condition((bounds,)))


class Partition:
    """Cells of measured values within which no condition changes.

    Each threshold is a cell of its own, and so is each range between two.

    Parameters
    ----------
    boxes : iterable of Box
        All that may tell two points apart.
    names : tuple of str
        Quantities to cut along.

    Raises
    ------
    EbbmapError
        If there are too many cells.
    """

    def __init__(self, boxes: Iterable[Box], names: tuple[str, ...]) -> None:
        listed = list(boxes)
        self.names = names
        self.cells = {name: _cells(name, [box.along(name) for box in listed]) for name in names}
        self.shape = tuple(len(self.cells[name]) for name in names)
        if math.prod(self.shape) > MOST_CELLS:
            raise EbbmapError(
                f"the conditions on {', '.join(names)} must cut at most {MOST_CELLS:,} cells; got "
                f"{math.prod(self.shape):,}. Use fewer thresholds."
            )

    def inside(self, condition: Condition) -> np.ndarray:
        """Return the cells that lie in a condition, shape `shape`; each lies in it or out of it."""
        found = np.zeros(self.shape, bool)
        for box in condition.boxes:
            if set(box.ranges) <= set(self.names):
                sides = [
                    [box.along(name).covers(cell) for cell in self.cells[name]]
                    for name in self.names
                ]
                found |= reduce(np.logical_and.outer, [np.array(side, bool) for side in sides])
        return found

    def boxes(self, cells: np.ndarray) -> Iterator[Box]:
        """Yield boxes that together are the given cells, each grown as far as it goes."""
        left = cells.copy()
        while left.any():
            start = tuple(int(i) for i in np.argwhere(left)[0])
            span = [slice(i, i + 1) for i in start]
            for axis, length in enumerate(self.shape):
                while span[axis].stop < length:
                    wider = [*span]
                    wider[axis] = slice(span[axis].stop, span[axis].stop + 1)
                    if not left[tuple(wider)].all():
                        break
                    span[axis] = slice(span[axis].start, span[axis].stop + 1)
            left[tuple(span)] = False
            yield self._box(span)

    def _box(self, span: list[slice]) -> Box:
        """Return the box of a block of cells, without what spans all that is possible."""
        ranges = {}
        for name, cut, length in zip(self.names, span, self.shape, strict=True):
            if cut.stop - cut.start < length:
                first, last = self.cells[name][cut.start], self.cells[name][cut.stop - 1]
                ranges[name] = _hull(name, first, last)
        return Box(ranges)


def _cells(name: str, ranges: list[Interval]) -> list[Interval]:
    """Return the cells along one quantity, from low to high."""
    whole = possible(name)
    inner = {end for one in ranges for end in (one.low, one.high) if whole.low < end < whole.high}
    ends = [whole.low, *sorted(inner), whole.high]
    cells = [Interval(ends[0], ends[0], True, True)] if whole.low_in else []
    for low, high in itertools.pairwise(ends):
        cells.append(Interval(low, high))
        if high < whole.high or whole.high_in:
            cells.append(Interval(high, high, True, True))
    return cells


def _hull(name: str, first: Interval, last: Interval) -> Interval:
    """Return the range from one cell to another, open where it reaches what is possible."""
    whole = possible(name)
    to_low = first.low == whole.low and first.low_in == whole.low_in
    to_high = last.high == whole.high and last.high_in == whole.high_in
    return Interval(
        -math.inf if to_low else first.low,
        math.inf if to_high else last.high,
        first.low_in and not to_low,
        last.high_in and not to_high,
    )
