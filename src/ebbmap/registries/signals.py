"""The registry of signals: what a lung model draws over time, each declared once.

Sizes: n cases, t time points; a signal has shape (n, t).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from ebbmap.errors import EbbmapError, unknown_name
from ebbmap.units import UNITS, display


@dataclass(frozen=True)
class Signal:
    """One quantity over time.

    Parameters
    ----------
    name, symbol, long_name, units : str
        Name in code and files, symbol (TeX), name in words, UDUNITS string.
    comment : str
        What a reader must know to read the curve.
    """

    name: str
    symbol: str
    long_name: str
    units: str
    comment: str = ""

    def __post_init__(self) -> None:
        """Refuse an entry that contradicts itself."""
        if self.units not in UNITS:
            raise EbbmapError(f"registry entry {self.name!r} is inconsistent.")

    @property
    def label(self) -> str:
        """Axis text: name in words and unit."""
        return f"{self.long_name} [{display(self.units)}]"


_ALL = (
    Signal(
        "airway_pressure",
        r"P_\mathrm{aw}",
        "airway pressure",
        "cmH2O",
        comment="At the airway opening; the release begins at T high.",
    ),
    Signal(
        "alveolar_pressure",
        r"P_\mathrm{A}",
        "alveolar pressure",
        "cmH2O",
        comment="With two compartments: volume over total compliance.",
    ),
    Signal("flow", r"\dot V", "flow", "L s-1", comment="Positive into the lung."),
    Signal("volume", r"V", "volume", "mL", comment="Above the relaxation volume."),
    Signal(
        "alveolar_pressure_fast",
        r"P_\mathrm{A,fast}",
        "alveolar pressure in the fast compartment",
        "cmH2O",
    ),
    Signal(
        "alveolar_pressure_slow",
        r"P_\mathrm{A,slow}",
        "alveolar pressure in the slow compartment",
        "cmH2O",
    ),
    Signal(
        "open_fraction",
        "x",
        "open fraction",
        "1",
        comment="Share of all units of the lung that are open.",
    ),
)

SIGNALS: Mapping[str, Signal] = MappingProxyType({s.name: s for s in _ALL})


def signal(name: str) -> Signal:
    """Return the registry entry of a name.

    Raises
    ------
    EbbmapError
        If no signal has this name; the message gives the nearest one.

    Examples
    --------
    >>> signal("flow").units
    'L s-1'
    """
    if name not in SIGNALS:
        raise EbbmapError(unknown_name("signal", name, SIGNALS))
    return SIGNALS[name]
