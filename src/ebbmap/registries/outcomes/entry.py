"""What the registry holds of each outcome."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import KW_ONLY, dataclass
from math import inf

from ebbmap.errors import EbbmapError
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.quantity import Quantity, check_entry
from ebbmap.units import display, likely_slip

CLOSED_FORM = "single-compartment closed form"


@dataclass(frozen=True)
class Outcome(Quantity):
    """One result of a cycle.

    Parameters
    ----------
    name, long_name, units : str
        Name in code and files, name in words, UDUNITS string.
    source : str
        Where the definition comes from.
    compute : callable or None
        Function of parameters and other outcomes, by name; None if the lung model solves it.
    comment : str
        What a reader must know to read the number.
    bounds : tuple of float
        Between which any lung stays (low, high): a limit outside them is never met, or never
        broken.
    usual : tuple of float, optional
        Where values of adults lie (low, high), by which a slip of the unit is recognised.
    short_name : str
        Name in sentences and on narrow columns; the name in words if empty.
    """

    name: str
    _: KW_ONLY
    long_name: str
    units: str
    source: str
    compute: Callable[..., object] | None = None
    comment: str = ""
    bounds: tuple[float, float] = (-inf, inf)
    usual: tuple[float, float] | None = None
    short_name: str = ""

    def __post_init__(self) -> None:
        """Refuse an entry that contradicts itself."""
        object.__setattr__(self, "short_name", self.short_name or self.long_name)
        if self.name in PARAMETERS:
            raise EbbmapError(
                f"registry entry {self.name!r} is inconsistent: a parameter has this name."
            )
        check_entry(self.name, self.units, self.source)
        low, high = self.usual or self.bounds
        if not self.bounds[0] <= low < high <= self.bounds[1]:
            raise EbbmapError(
                f"registry entry {self.name!r} is inconsistent: must have low <= usual low < usual "
                "high <= high."
            )

    def complaint(self, value: float, *, unit_stated: bool = False) -> str | None:
        """Return why a limit cannot be meant to lie at a value, or None if it can.

        Parameters
        ----------
        value : float
            In the unit of this outcome.
        unit_stated : bool
            Whether the unit was written beside the number: then only what no lung reaches is
            refused.

        Examples
        --------
        >>> from ebbmap.registries.outcomes import outcome
        >>> print(outcome("spo2").complaint(88.0))
        arterial oxygen saturation lies between 0 and 1; got 88. Did you mean 0.88, which is 88 %?
        """
        low, high = self.bounds
        unit = display(self.units)
        slip = likely_slip(self.units, value, self.usual)
        guess = f" Did you mean {slip.said}?" if slip else ""
        if not low <= value <= high:
            ends = f"{low:g} and {high:g} {unit}".rstrip()
            rest = guess or " Mend the number."
            return f"{self.long_name} lies between {ends}; got {value:g}.{rest}"
        if slip and not unit_stated and self.usual is not None:
            usual = f"{self.usual[0]:g} to {self.usual[1]:g} {unit}".rstrip()
            stated = f"{value:g} {unit}".rstrip()
            return (
                f"{self.long_name} is usually {usual}; got {value:g}.{guess} If not, write "
                f"'{stated}' with its unit."
            )
        return None
