"""Numbers, names and lines of the short answers.

An answer is a sequence of lines, each no wider than asked; words are never cut apart.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Iterator, Mapping
from types import MappingProxyType

import numpy as np
import xarray as xr

from ebbmap.registries.bounds import Bound
from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.registries.parameters import PARAMETERS, SPONTANEOUS
from ebbmap.registries.steady import BALANCES

#: An answer is read in lines of at most this many columns, however wide the terminal is.
WIDEST = 100

#: Decimals by unit: no finer than a bedside shows.
_DECIMALS: Mapping[str, int] = MappingProxyType(
    {"cmH2O": 1, "mL": 0, "mL kg-1": 1, "L s-1": 2, "s": 2, "mmHg": 0, "L min-1": 1, "min-1": 0}
)

#: Names that a bedside writes short.
_SHORT: Mapping[str, str] = MappingProxyType(
    {
        "paco2": "PaCO₂",
        "pao2": "PaO₂",
        "spo2": "SpO₂",
        "ph": "pH",
        "fio2": "FiO₂",
        "closed_fraction": "lung closed",
        "end_high_pressure": "alveolar pressure at end of T high",
        "end_high_transpulmonary_pressure": "transpulmonary at end of T high",
        "end_release_pressure": "alveolar pressure at end of release",
        "alveolar_ventilation": "alveolar ventilation",
        "mean_airway_pressure": "mean airway",
        "time_constant_exp": "emptying time constant",
        "release_volume_per_kg": "release volume",
        "trapped_volume": "gas that stays",
        SPONTANEOUS: "own breathing",
    }
)

#: What stands for no change: a change that the digits shown cannot show.
NO_CHANGE = "="


def name_of(name: str) -> str:
    """Return a parameter or an outcome as it is called at the bedside."""
    entry = PARAMETERS.get(name) or OUTCOMES[name]
    return _SHORT.get(name, entry.long_name)


def units_of(name: str) -> str:
    """Return the unit that a reader sees; per cent for shares."""
    return (PARAMETERS.get(name) or OUTCOMES[name]).said_units


def digits_of(name: str, value: float, *, signed: bool = False) -> str:
    """Return a value without its unit, to the digits that a bedside shows.

    Examples
    --------
    >>> digits_of("paco2", 52.64), digits_of("spo2", 0.887), digits_of("ph", 7.3456)
    ('53', '89', '7.35')
    >>> digits_of("paco2", -3.1, signed=True), digits_of("paco2", 3e-5, signed=True)
    ('-3', '=')
    """
    if not math.isfinite(value):
        return "–"
    entry = PARAMETERS.get(name) or OUTCOMES[name]
    decimals = 0 if entry.is_share else _DECIMALS.get(entry.units, 2)
    rounded = round(100.0 * value if entry.is_share else value, decimals)
    if signed:
        return f"{rounded:+.{decimals}f}" if rounded else NO_CHANGE
    # a rounded minus nought is nought
    return f"{rounded + 0.0:.{decimals}f}"


def said(name: str, value: float, *, named: bool = True) -> str:
    """Return a value with its unit, after its name if asked.

    Examples
    --------
    >>> said("auto_peep", 9.097), said("spo2", 0.887, named=False)
    ('auto-PEEP 9.1 cmH₂O', '89 %')
    """
    digits = digits_of(name, value)
    text = f"{digits} {units_of(name)}".rstrip() if math.isfinite(value) else digits
    return f"{name_of(name)} {text}" if named else text


def setting(name: str, value: float) -> str:
    """Return a setting as it is dialled, without digits that rounding left.

    Examples
    --------
    >>> setting("p_high", 18.7565), setting("t_low", 0.5), setting("fio2", 0.6)
    ('P high 18.8 cmH₂O', 'T low 0.5 s', 'FiO₂ 60 %')
    """
    entry = PARAMETERS[name]
    decimals = 0 if entry.is_share else _DECIMALS.get(entry.units, 2)
    shown = round(100.0 * value if entry.is_share else value, decimals)
    return f"{name_of(name)} {shown:g} {units_of(name)}".rstrip()


def settings_line(values: Mapping[str, float]) -> str:
    """Return the settings that are known, in the order of the bedside."""
    order = ("p_high", "p_low", "t_high", "t_low", "fio2", SPONTANEOUS)
    return ", ".join(setting(name, values[name]) for name in order if name in values)


def broken(bound: Bound) -> str:
    """Return what is wrong when a bound is broken, in the names and units of the bedside.

    Examples
    --------
    >>> from ebbmap.registries.limits import limit_set
    >>> broken(limit_set("oxygen").hard[0])
    'SpO₂ below 88 %'
    """
    if bound.outcome in BALANCES:
        return bound.sentence
    word = "below" if bound.side == "low" else "above"
    return f"{name_of(bound.outcome)} {word} {limit_text(bound)}"


def side_words(name: str) -> str:
    """Return one side of a limit as it is called at the bedside; other names as they are.

    Examples
    --------
    >>> side_words("ph_high"), side_words("co2_balance_low"), side_words("mine")
    ('pH too high', 'no steady state: CO₂ keeps rising', 'mine')
    """
    outcome, _, side = name.rpartition("_")
    if outcome not in OUTCOMES or side not in ("low", "high"):
        return name
    return BALANCES.get(outcome) or f"{name_of(outcome)} too {side}"


def limit_text(bound: Bound) -> str:
    """Return the value of a bound with its unit, without digits that it does not have.

    Examples
    --------
    >>> from ebbmap.registries.limits import limit_set
    >>> limit_text(limit_set("volume").hard[0])
    '4 mL/kg'
    """
    return OUTCOMES[bound.outcome].amount(bound.value)


def bound_now(bound: Bound, value: float) -> str:
    """Return a bound that is broken or near, with what was found.

    Examples
    --------
    >>> from ebbmap.registries.limits import limit_set
    >>> bound_now(limit_set("oxygen").hard[0], 0.85)
    'SpO₂ below 88 % (here 85 %)'
    """
    known = f" (here {said(bound.outcome, value, named=False)})" if math.isfinite(value) else ""
    return f"{broken(bound)}{known}"


def lines(text: str, width: int, *, indent: str = "", hang: str = "") -> Iterator[str]:
    """Yield a sentence in lines of whole words.

    Parameters
    ----------
    text : str
        The sentence.
    width : int
        Columns there are.
    indent, hang : str
        What leads the first line, and all others.
    """
    yield from textwrap.wrap(
        text,
        min(width, WIDEST),
        initial_indent=indent,
        subsequent_indent=indent + hang,
        break_long_words=False,
        break_on_hyphens=False,
    )


def columns(rows: Iterable[Iterable[str]], *, indent: str = "  ") -> Iterator[str]:
    """Yield rows with their cells below each other: the first to the left, the rest to the right.

    Examples
    --------
    >>> list(columns([("step", "PaCO₂"), ("T low +0.05 s", "-2")], indent=""))
    ['step           PaCO₂', 'T low +0.05 s     -2']
    """
    table = [list(row) for row in rows]
    widths = [max(map(len, cells)) for cells in zip(*table, strict=True)]
    for row in table:
        cells = [row[0].ljust(widths[0])]
        cells += [cell.rjust(width) for cell, width in zip(row[1:], widths[1:], strict=True)]
        yield f"{indent}{'  '.join(cells)}".rstrip()


def values_of(case: xr.Dataset) -> dict[str, float]:
    """Return every number of one case by name, parameters and outcomes."""
    known = (*case.coords, *case.data_vars)
    return {
        str(name): float(case[name])
        for name in known
        if case[name].ndim == 0 and np.issubdtype(case[name].dtype, np.number)
    }
