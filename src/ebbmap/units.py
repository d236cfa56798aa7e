"""The unit strings: spelled as UDUNITS spells them, shown as the bedside writes them."""

from __future__ import annotations

from types import MappingProxyType

#: UDUNITS spelling (datasets, registries) -> bedside spelling (figures, tables).
DISPLAY = MappingProxyType(
    {
        "1": "fraction",
        "cmH2O": "cmH₂O",
        "mL": "mL",
        "mL kg-1": "mL/kg",
        "L min-1": "L/min",
        "L s-1": "L/s",
        "s": "s",
        "min-1": "/min",
        "mL cmH2O-1": "mL/cmH₂O",
        "cmH2O s L-1": "cmH₂O·s/L",
        "cmH2O s2 L-2": "cmH₂O·s²/L²",
        "cmH2O-1": "/cmH₂O",
        "cm": "cm",
        "kg": "kg",
    }
)

#: Every unit string that a registry entry or a dataset variable may carry.
UNITS = frozenset(DISPLAY)

ML_PER_L = 1000.0
L_PER_ML = 1.0 / ML_PER_L
S_PER_MIN = 60.0


def display(units: str) -> str:
    """Return the bedside spelling of a unit string, for example "mL/cmH₂O".

    Raises
    ------
    ValueError
        If `units` is not in the vocabulary.

    Examples
    --------
    >>> display("L s-1")
    'L/s'
    """
    if units not in UNITS:
        raise ValueError(f"units must be one of {', '.join(sorted(UNITS))}; got {units!r}.")
    return DISPLAY[units]
