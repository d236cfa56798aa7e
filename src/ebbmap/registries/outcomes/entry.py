"""What the registry holds of each outcome."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import KW_ONLY, dataclass

from ebbmap.errors import EbbmapError
from ebbmap.registries.parameters import PARAMETERS, check_entry
from ebbmap.units import bracketed

CLOSED_FORM = "single-compartment closed form"


@dataclass(frozen=True)
class Outcome:
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
    """

    name: str
    _: KW_ONLY
    long_name: str
    units: str
    source: str
    compute: Callable[..., object] | None = None
    comment: str = ""

    def __post_init__(self) -> None:
        """Refuse an entry that contradicts itself."""
        if self.name in PARAMETERS:
            raise EbbmapError(
                f"registry entry {self.name!r} is inconsistent: a parameter has this name."
            )
        check_entry(self.name, self.units, self.source)

    @property
    def label(self) -> str:
        """Axis text: name in words and unit."""
        return bracketed(self.long_name, self.units)
