"""What the registry holds of each parameter.

Hard bounds (`low`, `high`) say what can be computed and make sense at all; a value outside them
is an error. The usual range is where adult practice lies; sweeps and axes start from it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import KW_ONLY, dataclass
from functools import cache
from inspect import signature
from typing import Literal

from ebbmap.errors import EbbmapError, unknown_name
from ebbmap.registries.quantity import Quantity, check_entry
from ebbmap.units import Slip, display, likely_slip

Kind = Literal["setting", "lung property", "patient", "gas exchange"]

RANGES = "common practice, no source: plausible adult range"

CHELUCCI = "Chelucci et al., Eur Respir J 1993;6:785"


@dataclass(frozen=True)
class Parameter(Quantity):
    """One input of the model.

    Parameters
    ----------
    name, long_name, units : str
        Name in code and files, name in words, UDUNITS string.
    bounds : tuple of float
        Hard bounds (low, high), both inclusive.
    usual : tuple of float
        Where adult practice lies (low, high).
    default : float
        Used where a caller names no value.
    kind : {"setting", "lung property", "patient", "gas exchange"}
        Chosen, given by the lung, given by the person, or how gas, blood and air meet.
    source : str
        Where the usual range comes from.
    choices : tuple of str
        For a category: the words, coded 0, 1, ... in this order.
    other_unit : tuple of (str, float), optional
        A unit often used by mistake and the factor that converts from it.
    short_name : str
        Name for legends and ticks; the name in words if empty.
    """

    name: str
    _: KW_ONLY
    long_name: str
    units: str
    bounds: tuple[float, float]
    usual: tuple[float, float]
    default: float
    kind: Kind
    source: str
    choices: tuple[str, ...] = ()
    other_unit: tuple[str, float] | None = None
    short_name: str = ""

    def __post_init__(self) -> None:
        """Refuse an entry that contradicts itself."""
        object.__setattr__(self, "short_name", self.short_name or self.long_name)
        check_entry(self.name, self.units, self.source)
        if not self.low <= self.usual_low <= self.default <= self.usual_high <= self.high:
            raise EbbmapError(
                f"registry entry {self.name!r} is inconsistent: must have low <= usual low <= "
                "default <= usual high <= high."
            )

    @property
    def low(self) -> float:
        """Least legal value."""
        return self.bounds[0]

    @property
    def high(self) -> float:
        """Greatest legal value."""
        return self.bounds[1]

    @property
    def usual_low(self) -> float:
        """Lower end of adult practice."""
        return self.usual[0]

    @property
    def usual_high(self) -> float:
        """Upper end of adult practice."""
        return self.usual[1]

    def say(self, value: float) -> str:
        """Say a value in words, for captions: name, number and unit."""
        if self.choices:
            return f"{self.name} {self.choices[int(value)]}"
        return f"{self.long_name} {self.amount(value, 4)}"

    def code(self, value: object) -> object:
        """Return the number for a category's word; any other value unchanged."""
        if isinstance(value, str) and self.choices:
            if value not in self.choices:
                raise EbbmapError(unknown_name(self.name, value, self.choices))
            return float(self.choices.index(value))
        return value

    def complaint(self, value: float) -> str | None:
        """Return the sentence for one value that cannot be, or None if it is legal."""
        if self.low <= value <= self.high:
            return None
        unit = display(self.units)
        text = f"{self.name} must be between {self.low:g} and {self.high:g} {unit}; got {value:g}"
        if self.other_unit is not None:
            other, factor = self.other_unit
            if self.usual_low <= value * factor <= self.usual_high:
                return f"{text}. This looks like {other}: {value * factor:g} {unit}?"
        if slip := self.slip(value):
            return f"{text}. This looks like {slip.other}: {slip.value:.4g} {unit}?"
        return text

    def slip(self, value: float) -> Slip | None:
        """Return the unit that a value was probably written in instead, if there is one.

        Examples
        --------
        >>> from ebbmap.registries.parameters import parameter
        >>> parameter("p_high").slip(2.5).said
        '25.49 cmH₂O, which is 2.5 kPa'
        """
        return None if self.choices else likely_slip(self.units, value, self.usual)


@cache
def inputs_of(function: Callable[..., object]) -> tuple[str, ...]:
    """Return the argument names of a function: the names of what it needs."""
    return tuple(signature(function).parameters)
