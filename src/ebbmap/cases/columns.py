"""Tables that users bring: their columns by name and unit, from CSV files, NetCDF or memory.

Sizes: r rows.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import xarray as xr

from ebbmap.errors import EbbmapError, shortened, unknown_name
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.units import UNITS, conversion

#: Bytes of the largest table that is read.
LARGEST = 2**28

#: Texts that stand for a missing value.
MISSING = frozenset({"", "na", "n/a", "nan", "null", "none", "-", "."})

#: Dimensions of the lungs that a saved fit holds.
FITTED = ("draw", "property")

#: Lines that are skipped; decimals may be written with this where it does not part cells.
COMMENT, DECIMAL = "#", ","

#: What parts cells, one of them in a file.
SEPARATORS = ";\t,"

_BRACKETS = re.compile(r"\s*(?P<name>.*?)\s*[\[(](?P<unit>[^\])]*)[\])]\s*")


class Columns(NamedTuple):
    """A table with the units that its headers state."""

    values: dict[str, np.ndarray]
    """Shape (r,), by header without its unit; NaN where missing, text where no number is."""
    units: dict[str, str]
    """By the same names; a column whose header states none is absent."""
    said: str = ""
    """What the file itself says of its rows, if anything."""


def read_columns(path: Path | str) -> Columns:
    """Read a table from a CSV or a NetCDF file.

    Parameters
    ----------
    path : path
        A .nc file, or text with a header, separated by commas, semicolons or tabs; decimals
        may have commas where these do not part cells. A header may
        state its unit: ``flow [L/min]``, ``flow (L/min)`` or ``flow_L_per_min``. Of a saved fit
        the lungs drawn from its posterior are the rows, as they are.

    Raises
    ------
    EbbmapError
        If the file is missing, too large, or no table.
    """
    path = Path(path)
    if not path.is_file():
        raise EbbmapError(f"{path} must be a file that exists. Check the path.")
    if path.stat().st_size > LARGEST:
        raise EbbmapError(
            f"{path} must be at most {LARGEST // 2**20} MiB; got "
            f"{path.stat().st_size / 2**20:.0f} MiB. Cut it."
        )
    if path.suffix.lower() in {".nc", ".nc4", ".cdf"}:
        return _from_netcdf(path)
    return _from_text(path)


def columns_of(table: Any) -> Columns:
    """Return the columns of a table in memory: a DataFrame or a mapping of arrays.

    Examples
    --------
    >>> columns_of({"compliance [mL/cmH2O]": [40.0, None]}).values
    {'compliance': array([40., nan])}
    """
    names = list(table.columns) if hasattr(table, "columns") else list(table)
    values: dict[str, np.ndarray] = {}
    units: dict[str, str] = {}
    for header in names:
        name, unit = split_header(str(header))
        cells = np.asarray(table[header], dtype=object)
        values[name] = _numbers(["" if cell is None else str(cell) for cell in cells])
        if unit:
            units[name] = unit
    return Columns(values, units)


def split_header(header: str) -> tuple[str, str]:
    """Return a header's name and its unit; the unit is empty where it states none.

    Examples
    --------
    >>> split_header("flow_L_per_s"), split_header("Flow [L/min]"), split_header("t_low")
    (('flow', 'L/s'), ('Flow', 'L/min'), ('t_low', ''))
    """
    found = _BRACKETS.fullmatch(header)
    if found:
        return found["name"].strip(), found["unit"].strip()
    if header.strip() in PARAMETERS:
        return header.strip(), ""
    parts = header.strip().split("_")
    for cut in range(1, len(parts)):
        unit = "/".join(" ".join(parts[cut:]).split(" per "))
        if _is_unit(unit):
            return "_".join(parts[:cut]), unit
    return header.strip(), ""


def converted(name: str, values: np.ndarray, unit: str, wanted: str, where: str) -> np.ndarray:
    """Return values in the wanted unit.

    Raises
    ------
    EbbmapError
        If the unit cannot be converted.
    """
    try:
        over, under = conversion(unit, wanted)
    except ValueError:
        raise EbbmapError(
            f"{where}: the unit of {name} must be one that converts to {wanted}; got "
            f"{shortened(unit)}. Correct the header or the option."
        ) from None
    return values * over / under


def _is_unit(text: str) -> bool:
    """Return whether a text is a unit that some registry unit can be converted to."""
    for known in UNITS - {text}:
        try:
            conversion(text, known)
        except ValueError:
            continue
        return True
    return text in UNITS


def _from_netcdf(path: Path) -> Columns:
    try:
        with xr.open_dataset(path, engine="h5netcdf") as opened:
            dataset = opened.load()
    except (OSError, ValueError) as error:
        raise EbbmapError(f"{path} must be a NetCDF file: {error}.") from None
    if "draws" in dataset and dataset["draws"].dims == FITTED:
        return _fitted(dataset)
    flat = {name: array for name, array in dataset.variables.items() if array.ndim == 1}
    values = {str(name): np.asarray(array.values, dtype=float) for name, array in flat.items()}
    stated = {str(name): str(array.attrs.get("units", "")) for name, array in flat.items()}
    split = {name: split_header(name) for name in values}
    return Columns(
        {split[name][0]: value for name, value in values.items()},
        {split[name][0]: u for name in values if (u := stated[name] or split[name][1])},
    )


def _fitted(dataset: xr.Dataset) -> Columns:
    """Return the lungs that a saved fit drew from its posterior, a column for each property."""
    rows = np.asarray(dataset["draws"].values, dtype=float)
    names = map(str, dataset["property"].values)
    columns = {name: column for name, column in zip(names, rows.T, strict=True) if np.ptp(column)}
    lung = dataset.attrs.get("lung", "")
    said = f"one lung ({lung}) fitted to a trace, shares are probabilities of its posterior"
    return Columns(columns, {}, said)


def _from_text(path: Path) -> Columns:
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise EbbmapError(
            f"{path} must be a text file in UTF-8; got: {error}. Save it as CSV in UTF-8."
        ) from None
    lines = [line for line in text.splitlines() if line.strip() and line[0] != COMMENT]
    if len(lines) < 2:
        raise EbbmapError(f"{path} must have a header and rows; got {len(lines)} lines.")
    separator, next_one = (max(SEPARATORS, key=line.count) for line in lines[:2])
    if separator not in lines[0] and lines[1].count(next_one) > 1:
        raise EbbmapError(
            f"{path} must begin with its header; got {shortened(lines[0])}. Begin each line above "
            f"the header with {COMMENT}."
        )
    rows = list(csv.reader(lines, delimiter=separator))
    headers = rows[0]
    for number, row in enumerate(rows[1:], start=2):
        if len(row) != len(headers):
            raise EbbmapError(
                f"{path}, row {number}: must have {len(headers)} cells, as the header has; got "
                f"{len(row)}. {_remedy(len(row), len(headers), separator)}"
            )
    values: dict[str, np.ndarray] = {}
    units: dict[str, str] = {}
    for place, header in enumerate(headers):
        name, unit = split_header(header)
        if name in values:
            raise EbbmapError(f"{path}: two columns are named {name!r}. Rename one.")
        cells = [row[place].strip() for row in rows[1:]]
        if separator != DECIMAL:
            cells = [re.sub(r"^(-?\d*),(\d+)$", r"\1.\2", cell) for cell in cells]
        values[name] = _numbers(cells)
        if unit:
            units[name] = unit
    return Columns(values, units)


def _remedy(cells: int, headers: int, separator: str) -> str:
    """Return what to do about a row with too few or too many cells."""
    if separator == DECIMAL and cells == 2 * headers:
        return "If decimals are written with commas, part the cells by semicolons."
    return f"Correct the row, or begin each line above the header with {COMMENT}."


def _numbers(cells: list[str]) -> np.ndarray:
    """Return cells as numbers, or as the texts that they are if any is none."""
    known = ["nan" if cell.strip().lower() in MISSING else cell for cell in cells]
    try:
        return np.array([float(cell) for cell in known])
    except ValueError:
        return np.array(["" if cell == "nan" else cell for cell in known])


def pick(columns: Columns, wanted: Mapping[str, tuple[str, ...]], where: str) -> dict[str, str]:
    """Return which column is which: the first of each one's spellings that the table has.

    Parameters
    ----------
    columns : Columns
        The table.
    wanted : mapping of str to tuple of str
        What is sought, with the names that a column of it may have, in lower case.
    where : str
        Name of the table, for errors.

    Raises
    ------
    EbbmapError
        If one is not there.
    """
    known = {name.lower().replace(" ", "_"): name for name in columns.values}
    hits = {
        what: [known[spelling] for spelling in spellings if spelling in known]
        for what, spellings in wanted.items()
    }
    missing = [what for what, found in hits.items() if not found]
    if missing:
        sought = wanted[missing[0]][0]
        options = " ".join(f"--column {what}=HEADER" for what in missing)
        raise EbbmapError(
            f"{where}: {unknown_name('column', sought, columns.values)} Name what is not found: "
            f"{options}."
        )
    return {what: found[0] for what, found in hits.items()}
