"""The unit strings: spelled as UDUNITS spells them, shown as the bedside writes them.

Units that a user brings are converted once, at the edge (`conversion`), by a table of our own:
the general libraries of units read "cmH2O-1" as a difference, or do not know cmH2O.
"""

from __future__ import annotations

import re
from fractions import Fraction
from types import MappingProxyType
from typing import NamedTuple

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
        "mmHg min-1": "mmHg/min",
        "mmHg cmH2O-1": "mmHg/cmH₂O",
        "cmH2O mmHg-1": "cmH₂O/mmHg",
        "mL mmHg-1": "mL/mmHg",
        "mL min-1 mmHg-1": "mL/(min·mmHg)",
        "mmol L-1": "mmol/L",
        "mmol L-1 mmHg-1": "mmol/(L·mmHg)",
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


#: Exponents of kg, m, s and mol.
_Dimension = tuple[int, int, int, int]

_NUMBER: _Dimension = (0, 0, 0, 0)
_PRESSURE: _Dimension = (1, -1, -2, 0)
_VOLUME: _Dimension = (0, 3, 0, 0)
_TIME: _Dimension = (0, 0, 1, 0)
_RATE: _Dimension = (0, 0, -1, 0)
_LENGTH: _Dimension = (0, 1, 0, 0)
_MASS: _Dimension = (1, 0, 0, 0)
_AMOUNT: _Dimension = (0, 0, 0, 1)
_ENERGY: _Dimension = (1, 2, -2, 0)
_POWER: _Dimension = (1, 2, -3, 0)

#: What a user may write -> its size in kg, m, s and mol, and its dimension. The conventional
#: water column is 98.0665 Pa and the mercury column 133.322387415 Pa for each unit of length
#: (ISO 80000-4); all else follows from the metric prefixes.
_SPELLINGS: tuple[tuple[str, str, _Dimension], ...] = (
    ("1 dimensionless", "1", _NUMBER),
    ("% percent", "0.01", _NUMBER),
    ("Pa pascal", "1", _PRESSURE),
    ("hPa mbar millibar", "100", _PRESSURE),
    ("kPa", "1000", _PRESSURE),
    ("bar", "100000", _PRESSURE),
    ("cmH2O cmH₂O cm_H2O centimeter_H2O", "98.0665", _PRESSURE),
    ("mmH2O", "9.80665", _PRESSURE),
    ("mmHg mm_Hg millimeter_Hg", "133.322387415", _PRESSURE),
    ("torr Torr", "101325/760", _PRESSURE),
    ("L l liter litre liters litres dm3", "0.001", _VOLUME),
    ("dL dl", "0.0001", _VOLUME),
    ("mL ml milliliter millilitre cc", "0.000001", _VOLUME),
    ("uL ul µL μL", "0.000000001", _VOLUME),
    ("s sec second seconds", "1", _TIME),
    ("ms millisecond milliseconds", "0.001", _TIME),
    ("min minute minutes", "60", _TIME),
    ("h hr hour hours", "3600", _TIME),
    ("Hz hertz", "1", _RATE),
    ("m meter metre", "1", _LENGTH),
    ("dm", "0.1", _LENGTH),
    ("cm centimeter centimetre", "0.01", _LENGTH),
    ("mm millimeter millimetre", "0.001", _LENGTH),
    ("in inch inches", "0.0254", _LENGTH),
    ("kg kilogram", "1", _MASS),
    ("g gram", "0.001", _MASS),
    ("lb lbs pound pounds", "0.45359237", _MASS),
    ("mg milligram", "0.000001", _MASS),
    ("mol mole", "1", _AMOUNT),
    ("mmol", "0.001", _AMOUNT),
    ("J joule", "1", _ENERGY),
    ("mJ", "0.001", _ENERGY),
    ("W watt", "1", _POWER),
)

_KNOWN = MappingProxyType(
    {
        word: (Fraction(size), dimension)
        for words, size, dimension in _SPELLINGS
        for word in words.split()
    }
)

#: A unit and its power, as in s-1, s^-1, s**-1 or m3.
_FACTOR = re.compile(r"([^\W\d]+?(?:2O)?|%|1)(?:(?:\^|\*\*)?([+-]?\d+))?")

#: Bedside spelling -> UDUNITS spelling.
_SHOWN = MappingProxyType({shown: units for units, shown in DISPLAY.items()})

_RAISED = str.maketrans("⁰¹²³⁴⁵⁶⁷⁸⁹⁻", "0123456789-")

#: The most that a unit of ours could need; longer text is no unit.
_LONGEST = 60


def conversion(given: str, wanted: str) -> tuple[float, float]:
    """Return what turns values of one unit into another: multiply, then divide.

    Parameters
    ----------
    given : str
        UDUNITS spelling, the bedside's, or with "/", "^" or raised figures as people write them.
    wanted : str
        Of the vocabulary.

    Returns
    -------
    tuple of float
        Numerator and denominator: two exact steps where one factor would be rounded.

    Raises
    ------
    ValueError
        If `given` is not known, or measures something else than `wanted`.

    Examples
    --------
    >>> conversion("ms", "s"), conversion("L cmH2O-1", "mL cmH2O-1")
    ((1.0, 1000.0), (1000.0, 1.0))
    >>> top, bottom = conversion("kPa", "cmH2O")
    >>> round(2.0 * top / bottom, 4)
    20.3943
    """
    if given == wanted:
        return 1.0, 1.0
    (size, dimension), (target, same) = _parsed(_SHOWN.get(given, given)), _parsed(wanted)
    if dimension != same:
        raise ValueError(f"{given!r} cannot be converted to {wanted!r}")
    factor = size / target
    return float(factor.numerator), float(factor.denominator)


class Slip(NamedTuple):
    """A value that was probably written in another unit."""

    value: float
    units: str
    given: float
    other: str

    @property
    def said(self) -> str:
        """The value in its own unit, and in the one that was probably meant."""
        return f"{self.value:.4g} {display(self.units)}".rstrip() + (
            f", which is {self.given:g} {self.other}"
        )


#: Units in which values are often written by mistake, for each unit of a registry.
_MISTAKEN = MappingProxyType(
    {
        "1": ("%",),
        "cmH2O": ("kPa",),
        "mmHg": ("kPa",),
        "mL": ("L",),
        "mL kg-1": ("L/kg",),
        "L min-1": ("mL/min",),
        "mL min-1": ("L/min",),
        "L s-1": ("L/min",),
        "s": ("ms",),
        "kg": ("lb", "g"),
        "cm": ("m", "in"),
        "mL cmH2O-1": ("L/cmH2O", "mL/kPa"),
        "cmH2O s L-1": ("cmH2O s/mL", "kPa s/L"),
        "g dL-1": ("g/L",),
    }
)

#: How far outside its usual range a value lies, as a factor, before its unit is doubted.
DOUBTED = 1.4


def mistaken(units: str) -> tuple[str, ...]:
    """Return the units in which values of a unit are often written by mistake."""
    return _MISTAKEN.get(units, ())


def likely_slip(units: str, value: float, usual: tuple[float, float] | None) -> Slip | None:
    """Return the unit in which an unusual value would be usual, if there is one.

    Parameters
    ----------
    units : str
        Unit in which the value should be.
    value : float
        As it was written.
    usual : tuple of float, optional
        Where values usually lie; nothing is found without.

    Examples
    --------
    >>> likely_slip("kg", 154.0, (40.0, 90.0)).said
    '69.85 kg, which is 154 lb'
    >>> likely_slip("kg", 70.0, (40.0, 90.0)) is None
    True
    """
    if usual is None:
        return None
    low, high = usual
    least, most = (low / DOUBTED if low > 0.0 else low * DOUBTED), high * DOUBTED
    if value == 0.0 or least <= value <= most:
        return None
    for other in mistaken(units):
        top, bottom = conversion(other, units)
        if low <= value * top / bottom <= high:
            return Slip(value * top / bottom, units, value, other)
    return None


def _parsed(text: str) -> tuple[Fraction, _Dimension]:
    """Size and dimension of a unit."""
    size, total = Fraction(1), [0, 0, 0, 0]
    plain = text.translate(_RAISED).strip()
    words = re.split(r"([\s·.*/]+)", plain.replace("**", "^")) if len(plain) <= _LONGEST else [""]
    sign = 1
    for word in words:
        if word and not word.strip(" ·.*/\t"):
            sign = -1 if "/" in word else 1
            continue
        match = _FACTOR.fullmatch(word)
        known = _KNOWN.get(word) or (_KNOWN.get(match[1]) if match else None)
        # a power of three is the most that a unit of the registries has
        power = int(match[2] or 1) if known and match and word not in _KNOWN else 1
        if known is None or abs(power) > 3:
            raise ValueError(f"{text[:_LONGEST]!r} is not a unit that is known here")
        size *= known[0] ** (sign * power)
        total = [a + sign * power * b for a, b in zip(total, known[1], strict=True)]
    return size, (total[0], total[1], total[2], total[3])
