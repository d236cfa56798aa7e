"""A measured trace: time, flow and airway pressure in registry units, checked for plausibility.

Sizes: r samples.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from ebbmap.cases.columns import Columns, columns_of, converted, pick, read_columns
from ebbmap.errors import EbbmapError, unknown_name

#: Unit that each signal is turned into, and the names that a column of it may have.
SIGNALS = {"time": "s", "flow": "L s-1", "pressure": "cmH2O"}
SPELLINGS = {
    "time": ("time", "t", "seconds"),
    "flow": ("flow", "airflow", "gas_flow", "v'", "vdot"),
    "pressure": ("pressure", "airway_pressure", "paw", "p_aw", "pao"),
}

#: What a trace of an adult can hold at all: common practice, no source. Largest flow [L s-1],
#: P high and the step [cmH2O], time between samples [s], compliance that its volume implies
#: [mL cmH2O-1].
FLOW, P_HIGH, STEP, INTERVAL = (0.05, 8.0), (6.0, 80.0), 3.0, (2e-4, 0.11)
IMPLIED = (1.5, 400.0)

#: Samples at least.
LEAST = 40


@dataclass(frozen=True)
class Trace:
    """Flow and airway pressure over time.

    Parameters
    ----------
    time : ndarray, shape (r,)
        [s], increasing.
    flow : ndarray, shape (r,)
        Into the patient [L s-1].
    pressure : ndarray, shape (r,)
        At the airway opening [cmH2O].
    where : str
        What it was read from, for errors.
    notes : tuple of str
        What was done to it.
    """

    time: np.ndarray
    flow: np.ndarray
    pressure: np.ndarray
    where: str = "trace"
    notes: tuple[str, ...] = ()

    @property
    def interval(self) -> float:
        """Time between samples, the median [s]."""
        return float(np.median(np.diff(self.time)))


def read_trace(
    source: Any,
    *,
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
) -> Trace:
    """Read a trace.

    Parameters
    ----------
    source : path, DataFrame or mapping
        A CSV or NetCDF file, or a table in memory, with time, flow and pressure in any order. A
        header may state its unit; without one it is s, L/s and cmH2O. Flow inwards is positive.
    columns : mapping of str to str, optional
        Header of "time", "flow" or "pressure" where it has another name.
    units : mapping of str to str, optional
        Unit of "time", "flow" or "pressure"; goes before that of a header.

    Returns
    -------
    Trace

    Raises
    ------
    EbbmapError
        If a column is missing, a unit cannot be converted, or values cannot be those of a
        patient: then with the unit that they look like.
    """
    in_file = isinstance(source, str | Path)
    table = read_columns(source) if in_file else columns_of(source)
    where = str(source) if in_file else "trace"
    for given in (columns or {}, units or {}):
        for what in given:
            if what not in SIGNALS:
                raise EbbmapError(unknown_name("signal", what, SIGNALS))
    signals = _signals(table, columns or {}, units or {}, where)
    trace = _in_order(signals, where)
    check_plausible(trace)
    return trace


def _signals(
    table: Columns, columns: Mapping[str, str], units: Mapping[str, str], where: str
) -> dict[str, np.ndarray]:
    spellings = {
        what: ((columns[what].lower().replace(" ", "_"),) if what in columns else names)
        for what, names in SPELLINGS.items()
    }
    found = pick(table, spellings, where)
    signals = {}
    for what, header in found.items():
        values = table.values[header]
        if values.dtype.kind != "f":
            bad = next(place for place, cell in enumerate(values) if not _is_number(cell))
            raise EbbmapError(
                f"{where}: {header} must hold numbers; got {str(values[bad])!r} in row {bad + 2}. "
                "Correct the cell, or leave it empty."
            )
        unit = units.get(what, table.units.get(header, SIGNALS[what]))
        signals[what] = converted(header, values, unit, SIGNALS[what], where)
    return signals


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


def _in_order(signals: Mapping[str, np.ndarray], where: str) -> Trace:
    """Return a trace in order of time, without rows that lack something or repeat a time."""
    time, flow, pressure = (signals[what] for what in SIGNALS)
    known = np.isfinite(time) & np.isfinite(flow) & np.isfinite(pressure)
    time, first = np.unique(time[known], return_index=True)
    flow, pressure = flow[known][first], pressure[known][first]
    notes = []
    if lost := int((~known).sum()):
        notes.append(f"{lost} of {known.size} rows lack a value and were left out")
    if again := int(known.sum() - time.size):
        notes.append(f"{again} rows repeat a time and were left out")
    if time.size < LEAST:
        raise EbbmapError(
            f"{where}: must have at least {LEAST} samples; got {time.size}. Record longer."
        )
    return Trace(time, flow, pressure, where, tuple(notes))


def check_plausible(trace: Trace) -> None:
    """Refuse a trace whose numbers cannot be those of a patient in these units.

    Raises
    ------
    EbbmapError
        Naming the signal, the value, and the unit that it looks like.
    """
    where, step = trace.where, trace.interval
    if not INTERVAL[0] <= step <= INTERVAL[1]:
        like = "milliseconds; set --unit time=ms" if step > INTERVAL[1] else "another unit"
        raise EbbmapError(
            f"{where}: time between samples must be {INTERVAL[0]:g} to {INTERVAL[1]:g} s; got "
            f"{step:g} (median). This looks like {like}."
        )
    high, low = np.percentile(trace.pressure, [95.0, 2.0])
    if not P_HIGH[0] <= high <= P_HIGH[1] or low < -20.0:
        guess = {True: "kPa", False: "Pa or mmH2O"}[bool(high < P_HIGH[0])]
        raise EbbmapError(
            f"{where}: P high must be {P_HIGH[0]:g} to {P_HIGH[1]:g} cmH2O; the pressure has a "
            f"95th percentile of {high:.4g} and a 2nd of {low:.4g}. If it is in {guess}, set "
            f"--unit pressure={guess.split()[0]}."
        )
    if high - low < STEP:
        raise EbbmapError(
            f"{where}: pressure must step by at least {STEP:g} cmH2O between P high and P low; got "
            f"{high - low:.3g}. Check the column and its unit."
        )
    _check_flow(trace, high, low)


def _check_flow(trace: Trace, high: float, low: float) -> None:
    """Refuse a flow in another unit, or in the other direction."""
    flow = trace.flow - np.median(trace.flow)
    peak = float(np.percentile(np.abs(flow), 99.5))
    volume = float(np.trapezoid(np.maximum(flow, 0.0), trace.time))
    above = trace.pressure > 0.5 * (high + low)
    rises = max(int(np.sum(~above[:-1] & above[1:])), 1)
    implied = 1000.0 * volume / rises / (high - low)
    if peak > FLOW[1] or implied > IMPLIED[1]:
        like = "L/min" if peak < 400.0 else "mL/s"
        raise EbbmapError(
            f"{trace.where}: flow must be in L/s, at most {FLOW[1]:g}; got a peak of {peak:.4g} "
            f"and a compliance of about {implied:.4g} mL/cmH2O. This looks like {like}: set --unit "
            f"flow={like}, or name the column flow [{like}]."
        )
    if peak < FLOW[0] or implied < IMPLIED[0]:
        raise EbbmapError(
            f"{trace.where}: flow must be in L/s, with a peak of {FLOW[0]:g} or more; got "
            f"{peak:.3g} and a compliance of about {implied:.3g} mL/cmH2O. Check its unit: set "
            "--unit flow=m3/s if it is in m3/s."
        )
    # whatever an offset is, more flows in at high pressure than at low; a single sample beside a
    # switch may lie before the flow has turned
    if flow[above].mean() < flow[~above].mean():
        raise EbbmapError(
            f"{trace.where}: flow into the patient must be positive; it is less at high pressure "
            "than at low. Change its sign."
        )
