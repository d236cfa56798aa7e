"""The words of a policy file: conditions, steps and times with their units, made into values."""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import reduce
from math import isfinite

from ebbmap.errors import shortened, unknown_name
from ebbmap.policies.conditions import ALWAYS, Box, Condition, Interval, unit_of
from ebbmap.policies.language import MOVABLE
from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.units import conversion, display

#: Characters of the longest text of one condition or step, and boxes of one condition.
LONGEST, MOST_BOXES = 500, 32

#: Minutes of the longest time: ten days.
LONGEST_TIME = 14_400.0

_NUMBER = r"(\d+(?:\.\d+)?)"
_COMPARISON = re.compile(rf"(\w+)\s*(<=|>=|<|>|≤|≥)\s*{_NUMBER}\s*(\S.*)?")
_BETWEEN = re.compile(rf"(\w+)\s+{_NUMBER}\s+to\s+{_NUMBER}\s*(\S.*)?")
_STEP = re.compile(rf"(\w+)\s*([+\-−])\s*{_NUMBER}\s*(\S.*)?")
_AMOUNT = re.compile(rf"{_NUMBER}\s*(\S.*)?")


def condition_of(text: str) -> Condition:
    """Return the condition that a text states.

    Parameters
    ----------
    text : str
        Comparisons such as ``pao2 < 60 mmHg`` or ``flow_ratio 50 to 75 %`` (ends included),
        joined by ``and`` and ``or``, where ``and`` binds more closely; or ``always``.

    Raises
    ------
    ValueError
        If it cannot be read, a name is unknown, a unit is missing or wrong, or no value can meet
        it.

    Examples
    --------
    >>> condition_of("pao2 60 to 80 mmHg and paco2 > 8 kPa").written()
    'pao2 60 to 80 mmHg and paco2 > 60.0049 mmHg'
    """
    words = text.strip()
    if not words or len(words) > LONGEST:
        raise ValueError(
            f"must be a condition of at most {LONGEST} characters; got {shortened(text)}. "
            "Write 'pao2 < 60 mmHg and paco2 > 65 mmHg', or 'always'."
        )
    if words == "always":
        return ALWAYS
    boxes = tuple(_box(part) for part in re.split(r"\s+or\s+", words))
    if len(boxes) > MOST_BOXES:
        raise ValueError(f"must have at most {MOST_BOXES} parts joined by 'or'; got {len(boxes)}.")
    return Condition(boxes)


def box_of(texts: Iterable[str]) -> Box:
    """Return the box of comparisons that all hold, as `condition_of` reads them."""
    return reduce(Box.meet, (_box(text) for text in texts), Box())


def _box(text: str) -> Box:
    box = Box()
    for part in re.split(r"\s+and\s+", text.strip()):
        name, interval = _comparison(part.strip())
        box = box.meet(Box({name: interval}))
        if box.along(name).empty:
            raise ValueError(
                f"must be a condition that some value meets; got {shortened(text)}, which no "
                f"{name} does. Join the parts by 'or', or mend the numbers."
            )
    return box


def _comparison(text: str) -> tuple[str, Interval]:
    """Return the quantity and the range of one comparison."""
    if match := _BETWEEN.fullmatch(text):
        name, low, high, unit = match.groups()
        ends = (_value(name, low, unit, text), _value(name, high, unit, text))
        return name, Interval(*ends, True, True)
    match = _COMPARISON.fullmatch(text)
    if not match:
        raise ValueError(
            f"must be a comparison such as 'pao2 < 60 mmHg' or 'flow_ratio 50 to 75 %'; got "
            f"{shortened(text)}. Join several by 'and' or 'or'."
        )
    name, sign, number, unit = match.groups()
    value = _value(name, number, unit, text)
    closed = sign not in "<>"
    if sign in ("<", "<=", "≤"):
        return name, Interval(high=value, high_in=closed)
    return name, Interval(low=value, low_in=closed)


def step_of(text: str) -> tuple[str, float]:
    """Return the setting that a step moves, and by how much.

    Raises
    ------
    ValueError
        If it cannot be read, or moves what is no setting.

    Examples
    --------
    >>> step_of("p_high -2 cmH2O"), step_of("t_low +50 ms")
    (('p_high', -2.0), ('t_low', 0.05))
    """
    match = _STEP.fullmatch(text.strip()) if len(text) <= LONGEST else None
    if not match:
        raise ValueError(
            f"must be a step such as 'p_high +2 cmH2O'; got {shortened(text)}. Name the setting, "
            "the sign, the size and the unit."
        )
    name, sign, number, unit = match.groups()
    if name not in MOVABLE:
        raise ValueError(unknown_name("setting to move", name, MOVABLE))
    value = _value(name, number, unit, text)
    if not value:
        raise ValueError(f"must move by something; got {shortened(text)}. Drop the step.")
    return name, value if sign == "+" else -value


def minutes_of(text: str) -> float:
    """Return a time in minutes.

    Raises
    ------
    ValueError
        If it is no time with a unit, or longer than `LONGEST_TIME`.

    Examples
    --------
    >>> minutes_of("8 h"), minutes_of("30 min")
    (480.0, 30.0)
    """
    minutes = _amount(text, "s", "a time such as '30 min' or '8 h'") / 60.0
    if minutes > LONGEST_TIME:
        raise ValueError(f"must be at most {LONGEST_TIME / 60.0:g} h; got {shortened(text)}.")
    return minutes


def amount_of(name: str, text: str) -> float:
    """Return an amount of a quantity in the registry's unit."""
    shown = display(unit_of(name)) or "a plain number"
    return _amount(text, unit_of(name), f"an amount of {name} such as '1 {shown}'")


def _amount(text: str, wanted: str, expected: str) -> float:
    match = _AMOUNT.fullmatch(text.strip()) if len(text) <= LONGEST else None
    if not match:
        raise ValueError(f"must be {expected}; got {shortened(text)}.")
    return _converted(match[1], match[2], wanted, text)


def _value(name: str, number: str, unit: str | None, text: str) -> float:
    if name not in PARAMETERS and name not in OUTCOMES:
        raise ValueError(unknown_name("quantity", name, [*OUTCOMES, *MOVABLE]))
    return _converted(number, unit, unit_of(name), text)


def _converted(number: str, unit: str | None, wanted: str, text: str) -> float:
    """Return a number in the wanted unit; one of a pure number may be left out."""
    given = unit or ("1" if wanted == "1" else "")
    try:
        top, bottom = conversion(given, wanted)
    except ValueError as error:
        reason = str(error) if given else "it has no unit"
        raise ValueError(
            f"must have a unit that goes with {display(wanted) or 'a pure number'}; got "
            f"{shortened(text)}: {reason}."
        ) from None
    value = float(number) * top / bottom
    if not isfinite(value):
        raise ValueError(f"must be finite; got {shortened(text)}.")
    return value
