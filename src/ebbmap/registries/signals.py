"""The registry of signals: what a lung model draws over time, each declared once.

Sizes: n cases, t time points; a signal has shape (n, t).
"""

from __future__ import annotations

from dataclasses import KW_ONLY, dataclass

from ebbmap.registries.quantity import check_entry
from ebbmap.registry import Registry
from ebbmap.units import display


@dataclass(frozen=True)
class Signal:
    """One quantity over time.

    Parameters
    ----------
    name, long_name, units : str
        Name in code and files, name in words, UDUNITS string.
    comment : str
        What a reader must know to read the curve.
    """

    name: str
    _: KW_ONLY
    long_name: str
    units: str
    comment: str = ""

    def __post_init__(self) -> None:
        """Refuse an entry that contradicts itself."""
        check_entry(self.name, self.units, "signal")

    @property
    def label(self) -> str:
        """Axis text: name in words and unit."""
        return f"{self.long_name} [{display(self.units)}]"


SIGNALS: Registry[Signal] = Registry(
    "signal",
    (
        Signal(
            "airway_pressure",
            long_name="airway pressure",
            units="cmH2O",
            comment="At the airway opening; the release begins at T high.",
        ),
        Signal(
            "alveolar_pressure",
            long_name="alveolar pressure",
            units="cmH2O",
            comment="With two compartments: volume over total compliance.",
        ),
        Signal("flow", long_name="flow", units="L s-1", comment="Positive into the lung."),
        Signal("volume", long_name="volume", units="mL", comment="Above the relaxation volume."),
        Signal(
            "alveolar_pressure_fast",
            long_name="alveolar pressure in the fast compartment",
            units="cmH2O",
        ),
        Signal(
            "alveolar_pressure_slow",
            long_name="alveolar pressure in the slow compartment",
            units="cmH2O",
        ),
        Signal(
            "open_fraction",
            long_name="open fraction",
            units="1",
            comment="Share of all units of the lung that are open.",
        ),
        Signal(
            "muscle_pressure",
            long_name="muscle pressure",
            units="cmH2O",
            comment="Of the inspiratory muscles; positive as it draws gas in.",
        ),
    ),
)

signal = SIGNALS.named
