"""What can be set and what can be measured at the bedside, and in what steps."""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import MappingProxyType

#: Steps in which a setting is set or a measurement is read, in registry units: common practice,
#: no source.
STEPS: Mapping[str, float] = MappingProxyType(
    {
        "p_high": 1.0,
        "p_low": 1.0,
        "t_high": 0.1,
        "t_low": 0.05,
        "t_low_in_time_constants": 0.05,
        "t_low_rule_taken": 1.0,
        "t_high_in_time_constants": 0.5,
        "release_frequency": 1.0,
        "release_share": 0.01,
        "p_low_share": 0.05,
        "fio2": 0.05,
        "compliance": 1.0,
        "resistance_exp": 1.0,
        "time_constant_exp": 0.05,
        "predicted_body_weight": 1.0,
    }
)

#: What the values 0 and 1 of a choice are called, and what both together are.
CHOICES: Mapping[str, tuple[str, str, str]] = MappingProxyType(
    {"t_low_rule_taken": ("the first rule", "the second rule", "either rule")}
)

#: Properties of a patient that are measured or known before the mode begins.
MEASURED = ("compliance", "resistance_exp", "time_constant_exp", "predicted_body_weight")

#: A value this near to a step lies on it.
_NEAR = 1e-6


def on_step(name: str, value: float) -> float:
    """Return the nearest value that can be set or read; unchanged where no step is known.

    Examples
    --------
    >>> on_step("t_low", 0.4125), on_step("p_high", 18.6), on_step("cardiac_output", 5.123)
    (0.4, 19.0, 5.123)
    """
    step = STEPS.get(name)
    return value if step is None else round(round(value / step) * step, 9)


def say_value(name: str, value: float) -> str:
    """Return a value as it can be set or read, in words.

    Examples
    --------
    >>> say_value("t_low", 0.4125), say_value("t_low_rule_taken", 0.0)
    ('0.4', 'the first rule')
    """
    value = on_step(name, value)
    return CHOICES[name][int(value)] if name in CHOICES else f"{value:g}"


def range_on_steps(name: str, low: float, high: float) -> tuple[float, float] | None:
    """Return the ends of a range drawn in to values that can be set; None if none lies within.

    Examples
    --------
    >>> range_on_steps("t_low", 0.392, 0.46), range_on_steps("p_high", 16.2, 16.8)
    ((0.4, 0.45), None)
    """
    step = STEPS.get(name)
    if step is None or not (math.isfinite(low) and math.isfinite(high)):
        return low, high
    first, last = math.ceil(low / step - _NEAR), math.floor(high / step + _NEAR)
    return (round(first * step, 9), round(last * step, 9)) if first <= last else None


def say_range(name: str, low: float, high: float) -> str:
    """Return a range as it can be set, in words; a single value as it is.

    Examples
    --------
    >>> say_range("t_low", 0.392, 0.46), say_range("p_high", 16.2, 16.8)
    ('0.4 to 0.45', 'about 16, narrower than one step')
    >>> say_range("p_high", 17.5, 17.5), say_range("t_low_rule_taken", 0.0, 1.0)
    ('17.5', 'either rule')
    """
    if name in CHOICES:
        return CHOICES[name][2] if low <= 0.5 < high else say_value(name, low)
    if low == high:
        return f"{low:.3g}"
    ends = range_on_steps(name, low, high)
    if ends is None:
        return f"about {on_step(name, (low + high) / 2.0):g}, narrower than one step"
    return f"{ends[0]:g}" if ends[0] == ends[1] else f"{ends[0]:g} to {ends[1]:g}"
