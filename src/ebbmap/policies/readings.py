"""What is measured of a cohort, when, and with what error, by any engine. Sizes: n patients.

Random numbers are counted, not drawn in turn: those of a reading in a minute depend on the seed,
the group, the patient, the quantity and the minute, and on nothing that happened before.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np

from ebbmap.array import clip, falses, minimum, on_steps, sqrt, square
from ebbmap.engines.draws import normals_at
from ebbmap.engines.masked import for_some
from ebbmap.policies.conditions import possible
from ebbmap.policies.language import Reading


class Chances(NamedTuple):
    """What the random numbers of readings depend on.

    Parameters
    ----------
    key : array of uint32, shape (2,)
        Of seed and group.
    numbers : array of uint32, shape (n,)
        Numbers of the patients in their group.
    """

    key: Any
    numbers: Any


class Measured(NamedTuple):
    """What is known of measurements, by quantity, shape (n,) each.

    Parameters
    ----------
    due : dict of str to array
        Minute of the next measurement.
    arrives, pending : dict of str to array
        Minute at which the last one becomes known, infinite once it is, and its value.
    known : dict of str to array
        What the bedside knows; NaN before the first value.
    """

    due: dict[str, Any]
    arrives: dict[str, Any]
    pending: dict[str, Any]
    known: dict[str, Any]


def unmeasured(readings: tuple[Reading, ...], n: int) -> Measured:
    """Return what is known of n patients before anything is measured."""
    return Measured(
        {one.name: np.full(n, float(min(one.every, one.after_change))) for one in readings},
        {one.name: np.full(n, math.inf) for one in readings},
        {one.name: np.full(n, math.nan) for one in readings},
        {one.name: np.full(n, math.nan) for one in readings},
    )


def take(
    readings: tuple[Reading, ...],
    chances: Chances,
    minute: Any,
    now: Mapping[str, Any],
    active: Any,
    measured: Measured,
) -> tuple[Measured, Any]:
    """Measure what is due, and return what is known then and who has a new value.

    Parameters
    ----------
    readings : tuple of Reading
        What is measured.
    chances : Chances
        Of the patients.
    minute : int
        Since the mode began.
    now : mapping of str to array, shape (n,)
        True values.
    active : array of bool, shape (n,)
        Who is measured at all.
    measured : Measured
        So far; arrays of NumPy are written in place.

    Returns
    -------
    measured : Measured
    fresh : array of bool, shape (n,)
    """
    parts: dict[str, tuple[Any, ...]] = {}
    fresh = falses(active)
    for number, one in enumerate(readings):
        due, arrives, pending, known = (part[one.name] for part in measured)

        def read(_: Any, given: Any, number: int = number, one: Reading = one) -> Any:
            value = _read(one, number, chances.key, minute, *given)
            return minute + max(one.every, one.delay), minute + one.delay, value

        due, arrives, pending = for_some(
            (due <= minute) & active,
            read,
            (due, arrives, pending),
            (now[one.name], chances.numbers),
        )
        arrived = arrives <= minute
        known, arrives = for_some(arrived, _arrive, (known, arrives), pending)
        parts[one.name] = due, arrives, pending, known
        fresh = fresh | arrived
    columns = [{name: part[place] for name, part in parts.items()} for place in range(4)]
    return Measured(*columns), fresh & active


def _arrive(_: Any, value: Any) -> tuple[Any, float]:
    """Return a value as known, and when the next one arrives."""
    return value, math.inf


def _read(one: Reading, number: int, key: Any, minute: Any, true: Any, patients: Any) -> Any:
    """Return what is read of true values, shape (n,)."""
    if one.error or one.error_share:
        spread = sqrt(square(one.error) + square(one.error_share * true))
        true = true + normals_at(key, number, patients, minute) * spread
    if one.round_to:
        true = on_steps(true, one.round_to)
    bounds = possible(one.name)
    return clip(true, bounds.low, bounds.high)


def after_change(
    readings: tuple[Reading, ...], minute: Any, changed: Any, measured: Measured
) -> Measured:
    """Bring forward what is measured after a change, for the patients of a mask, shape (n,)."""
    due = {}
    for one in readings:
        due[one.name] = measured.due[one.name]
        if one.after_change < math.inf:
            soon = minute + one.after_change
            due[one.name] = for_some(changed, minimum, due[one.name], soon)
    return measured._replace(due=due)
