"""The unit strings: spelled as UDUNITS spells them, shown as the bedside writes them."""

from __future__ import annotations

from types import MappingProxyType

#: UDUNITS spelling (datasets, registries) -> bedside spelling (figures, tables).
DISPLAY = MappingProxyType(
    {
        "1": "",
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
        "mL min-1": "mL/min",
        "mL min-1 kg-1": "mL/(min·kg)",
        "mmHg": "mmHg",
        "mL mmHg-1": "mL/mmHg",
        "mL min-1 mmHg-1": "mL/(min·mmHg)",
        "mmol L-1": "mmol/L",
        "g dL-1": "g/dL",
        "mL dL-1": "mL/dL",
        "J min-1": "J/min",
    }
)

#: Every unit string that a registry entry or a dataset variable may carry.
UNITS = frozenset(DISPLAY)

ML_PER_L = 1000.0
L_PER_ML = 1.0 / ML_PER_L
S_PER_MIN = 60.0
CMH2O_PER_MMHG = 1.35951


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


def bracketed(name: str, units: str) -> str:
    """Return axis text: a name and its unit in brackets, or the name alone for a pure number.

    Examples
    --------
    >>> bracketed("T low", "s"), bracketed("pH", "1")
    ('T low [s]', 'pH')
    """
    shown = display(units)
    return f"{name} [{shown}]" if shown else name
