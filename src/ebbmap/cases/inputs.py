"""Values as users give them, turned into labelled numbers in registry units, or refused.

Nothing is guessed: labels are aligned, units converted, and what has no one meaning is an error.
"""

from __future__ import annotations

import operator
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from decimal import Decimal
from numbers import Real
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.cases.checks import complaint
from ebbmap.cases.drawn_bounds import DRAWN
from ebbmap.errors import EbbmapError, shortened, unknown_name
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.units import conversion, display

#: What a user may give for one parameter.
Value = Any

#: Name of the end-expiratory pressure before the mode begins, in errors and coordinates.
START = "start_pressure"

#: Letters of NumPy's types that are no numbers here, in words.
_NO_NUMBERS = {
    "b": "a truth value",
    "c": "a complex number",
    "M": "a date",
    "m": "a time difference",
    "S": "bytes",
    "T": "text",
    "U": "text",
    "V": "a record",
}


@dataclass(frozen=True)
class Frame:
    """What labelled values span together.

    Parameters
    ----------
    dims : tuple of str
        Dimensions, in the order in which the values name them.
    shape : tuple of int
        Their lengths.
    coords : dict of str to DataArray or Variable
        Coordinates of all values, and every value that varies; copies.
    """

    dims: tuple[str, ...]
    shape: tuple[int, ...]
    coords: dict[str, Any]


def as_arrays(values: Mapping[str, Value]) -> dict[str, xr.DataArray]:
    """Return values as arrays with named dimensions, in registry units, checked.

    Parameters
    ----------
    values : mapping of str to float, str, array_like or DataArray
        By parameter name. A DataArray with `units` among its attributes is converted to registry
        units; without, its values are in registry units, as plain numbers are. A pandas Series
        keeps its labels, along `sample`.

    Raises
    ------
    EbbmapError
        All problems: unknown names, units that cannot be converted, words that are no category,
        what is no number, values that cannot be.
    """
    problems, arrays = [], {}
    for name, value in values.items():
        try:
            arrays[name] = _as_array(name, value)
        except EbbmapError as error:
            problems.append(str(error))
            continue
        # a drawn value that leaves the bounds is marked in its case, not refused
        drawn = DRAWN in arrays[name].attrs
        sentence = None if drawn else complaint(name, arrays[name].values)
        problems += [sentence] if sentence else []
    if problems:
        raise EbbmapError("\n".join(problems))
    return arrays


def as_start(value: Value) -> xr.DataArray:
    """Return a pressure before the mode begins as `as_arrays` would; P low's bounds hold.

    Raises
    ------
    EbbmapError
        As `as_arrays`, by the name `start_pressure`.
    """
    try:
        return as_arrays({"p_low": value})["p_low"].rename(START)
    except EbbmapError as error:
        raise EbbmapError(str(error).replace("p_low", START, 1)) from None


def as_count(name: str, value: object, *, least: int) -> int:
    """Return a whole number, at least so large.

    Raises
    ------
    EbbmapError
        For anything else, True and 2.0 among them.

    Examples
    --------
    >>> as_count("cycles", np.int64(3), least=1)
    3
    """
    try:
        number = operator.index(value)  # type: ignore[arg-type]
    except TypeError:
        number = least - 1
    if isinstance(value, (bool, np.bool_)) or number < least:
        raise EbbmapError(
            f"{name} must be a whole number >= {least}; got {shortened(value)}. Give an integer."
        )
    return number


def as_numbers(name: str, value: Value, units: str) -> np.ndarray:
    """Return plain numbers of a quantity that is no parameter, such as times [units]; a copy.

    Raises
    ------
    EbbmapError
        For what is no number or has other units.
    """
    return _as_floats(name, value, units).values.copy()


def frame_of(
    arrays: Mapping[str, xr.DataArray], reserved: Collection[str]
) -> tuple[dict[str, xr.DataArray], Frame]:
    """Return the arrays with their labels in one order, and what they span together.

    Parameters
    ----------
    arrays : mapping of str to DataArray
        By parameter name, as `as_arrays` returns them.
    reserved : collection of str
        Names that the result needs for itself: outcomes, `status`, a dimension of its own.

    Raises
    ------
    EbbmapError
        If lengths or labels along a dimension differ, or a dimension or coordinate has a name
        that would say something else in the result.
    """
    sizes: dict[str, int] = {}
    labels: dict[str, tuple[str, Any]] = {}
    aligned: dict[str, xr.DataArray] = {}
    coords: dict[str, Any] = {}
    for name, array in arrays.items():
        _check_names(name, array, arrays, reserved)
        for dim, length in array.sizes.items():
            if sizes.setdefault(str(dim), length) != length:
                raise EbbmapError(
                    f"{name} must have {sizes[str(dim)]} values along {dim}; got {length}. "
                    "Give lists of equal length, or DataArrays with different dimensions."
                )
            if dim in array.indexes:
                array = _in_order(name, array, str(dim), labels)
        aligned[name] = array
    for name, array in aligned.items():
        for key, coord in array.coords.items():
            if key in arrays:
                _check_same(name, coord, str(key), aligned[str(key)])
            elif str(key) in coords and not coord.variable.equals(coords[str(key)].variable):
                raise EbbmapError(
                    f"the coordinate {str(key)!r} of {name} must be the same in all values that "
                    f"have it; it differs. Drop it: {name}.drop_vars({str(key)!r})."
                )
            else:
                coords[str(key)] = coord.copy(deep=True)
    # a value that varies is a coordinate of the result, in place of labels of the same name
    for name, array in aligned.items():
        if array.ndim:
            coords[name] = array.variable.to_base_variable().copy(deep=True)
    return aligned, Frame(tuple(sizes), tuple(sizes.values()), coords)


def _as_array(name: str, value: Value) -> xr.DataArray:
    if name not in PARAMETERS:
        raise EbbmapError(unknown_name("parameter", name, PARAMETERS))
    entry = PARAMETERS[name]
    if entry.choices and isinstance(value, str):
        value = entry.code(value)
    elif entry.choices and isinstance(value, (list, tuple)):
        value = [entry.code(word) for word in value]
    return _as_floats(name, value, entry.units)


def _as_floats(name: str, value: Value, units: str) -> xr.DataArray:
    """Return numbers with named dimensions in registry units, without attributes."""
    array = _labelled(name, value)
    kind = array.dtype.kind
    if kind == "O":
        _check_objects(name, array.values)
    elif kind in _NO_NUMBERS:
        _refuse(name, _NO_NUMBERS[kind], value)
    given = array.attrs.get("units", units)
    numbers = array.copy(deep=False) if array.dtype == float else array.astype(float)
    numbers.attrs = {DRAWN: array.attrs[DRAWN]} if DRAWN in array.attrs else {}
    try:
        top, bottom = conversion(str(given), units)
    except ValueError as error:
        raise EbbmapError(
            f"{name} must be in {display(units) or 'no unit'} or a unit that can be converted to "
            f"it; got units = {shortened(given)} ({error}). Convert the values first."
        ) from None
    return numbers if top == bottom else numbers.copy(data=numbers.values * top / bottom)


def _labelled(name: str, value: Value) -> xr.DataArray:
    """Return a value as a DataArray of whatever type it holds; plain lists go along `sample`."""
    if isinstance(value, xr.Dataset):
        _refuse(name, "a Dataset; name one of its variables", value)
    _check_container(name, value)
    if isinstance(value, xr.DataArray):
        _check_container(name, value.variable.data)
        return value
    if hasattr(value, "to_xarray") and getattr(value, "ndim", 0) == 1:
        series: xr.DataArray = value.to_xarray()
        return series.rename({series.dims[0]: "sample"})
    try:
        array = np.asarray(value)
    except (TypeError, ValueError, RuntimeError):
        _refuse(name, "not one list of numbers", value)
    if isinstance(value, (list, tuple)) and {bool, np.bool_} & set(map(type, value)):
        # NumPy takes a truth value among numbers for one of them
        _refuse(name, _NO_NUMBERS["b"], value)
    if array.ndim > 1:
        raise EbbmapError(
            f"{name} must be a number or a list; got an array of {array.ndim} axes. "
            "Pass an xarray.DataArray with named dimensions."
        )
    return xr.DataArray(array, dims=("sample",)[: array.ndim])


def _check_container(name: str, value: object) -> None:
    """Refuse arrays of which NumPy would see only a part: masked, lazy, or with units."""
    if np.ma.isMaskedArray(value) and np.ma.getmaskarray(value).any():
        count = int(np.ma.getmaskarray(value).sum())
        raise EbbmapError(
            f"{name} must have no masked values; got {count}. Leave these cases out: "
            "values.compressed() returns the others."
        )
    if getattr(value, "chunks", None) is not None:
        raise EbbmapError(
            f"{name} must be held in memory; got a lazy array (dask). Call .compute() on it first, "
            "or run a study with a streamed sweep if it is too large."
        )
    if hasattr(value, "magnitude") and hasattr(value, "units"):
        raise EbbmapError(
            f"{name} must be numbers; got a quantity in {shortened(str(value.units))}. Pass an "
            "xarray.DataArray with attrs={'units': ...}, or the numbers in registry units."
        )


def _check_objects(name: str, values: np.ndarray) -> None:
    """Refuse mixed lists that hold anything but real numbers; None is a missing number."""
    for item in values.reshape(-1):
        real = isinstance(item, (Real, Decimal)) and not isinstance(item, (bool, np.bool_))
        if not real and item is not None:
            kind = getattr(getattr(item, "dtype", None), "kind", "O")
            word = "a truth value" if isinstance(item, bool) else _NO_NUMBERS.get(kind)
            _refuse(name, word or f"a {type(item).__name__}", item)


def _refuse(name: str, word: str, value: object) -> None:
    raise EbbmapError(
        f"{name} must be a number; got {shortened(value)} ({word}). Give it in registry units."
    )


def _check_names(
    name: str, array: xr.DataArray, arrays: Mapping[str, Any], reserved: Collection[str]
) -> None:
    """Refuse dimensions and coordinates whose names would say something else in the result."""
    for key in dict.fromkeys((*map(str, array.dims), *map(str, array.coords))):
        what = "dimension" if key in array.dims else "coordinate"
        if key in reserved:
            raise EbbmapError(
                f"{name} must have no {what} called {key!r}: the result has that name for itself. "
                f"Rename it: {name}.rename({{{key!r}: ...}})."
            )
        if key in PARAMETERS and key not in arrays:
            remedy = "Give that parameter too" + (
                ", or rename the dimension."
                if what == "dimension"
                else f", or drop it: {name}.drop_vars({key!r})."
            )
            raise EbbmapError(
                f"{name} has a {what} {key!r}, but the parameter {key} is not given, so the result "
                f"would be labelled with values that were not used. {remedy}"
            )
        if key in PARAMETERS and what == "dimension" and arrays[key].dims != (key,):
            raise EbbmapError(
                f"{name} has a dimension {key!r}, so the parameter {key} must vary along it and "
                f"nothing else; got {arrays[key].dims or 'one value'}. Rename the dimension."
            )


def _in_order(
    name: str, array: xr.DataArray, dim: str, labels: dict[str, tuple[str, Any]]
) -> xr.DataArray:
    """Put an array in the order of the labels that came first along a dimension."""
    first, index = labels.setdefault(dim, (name, array.indexes[dim]))
    own = array.indexes[dim]
    if own.equals(index):
        return array
    places = own.get_indexer(index) if own.is_unique and index.is_unique else np.array([-1])
    if (places < 0).any() or len(own) != len(index):
        missing = own.difference(index).union(index.difference(own))
        example = f", {shortened(missing[0])} for one" if len(missing) else ", or repeat"
        raise EbbmapError(
            f"{name} must have the same labels along {dim} as {first}; they differ{example}. "
            "Select what both have (xarray.align), or drop the labels to pair by position."
        )
    return array.isel({dim: places})


def _check_same(name: str, coord: xr.DataArray, key: str, given: xr.DataArray) -> None:
    """Refuse a coordinate that tells other values of a parameter than those that are given."""
    if name == key:
        return
    try:
        labelled = _as_array(key, xr.DataArray(coord.variable.to_base_variable()))
        same = labelled.variable.equals(given.variable)
    except EbbmapError:
        same = False
    if not same:
        raise EbbmapError(
            f"{name} has a coordinate {key!r} with other values than the parameter {key} that is "
            f"given. Give the same, or drop it: {name}.drop_vars({key!r})."
        )
