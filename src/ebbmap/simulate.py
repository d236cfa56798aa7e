"""Cases with labels: values in, a Dataset with every outcome out."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.checks import check_memory, complaint
from ebbmap.errors import EbbmapError, unknown_name
from ebbmap.evaluate import DRAWN, bar_leavers, evaluate, resolve
from ebbmap.evaluate import start_up as run_start_up
from ebbmap.labelling import (
    describe,
    label,
    label_binding,
    label_status,
    label_verdict,
    provenance,
)
from ebbmap.limits import LimitSet, judge
from ebbmap.lungs import lung_model
from ebbmap.outcomes import plan
from ebbmap.parameters import PARAMETERS

Value = Any


def simulate(
    lung: str = "linear",
    *,
    outcomes: Iterable[str] | None = None,
    limits: LimitSet | None = None,
    progress: Callable[[int], None] | None = None,
    **values: Value,
) -> xr.Dataset:
    """Solve the settled cycle of every case.

    Parameters
    ----------
    lung : str
        Name of a lung model.
    outcomes : iterable of str, optional
        Outcomes to return; all that the lung can give if None.
    limits : LimitSet, optional
        Judge every case by these: adds `verdict`, `margin` and `binding`.
    progress : callable, optional
        Called with the number of cases just finished.
    **values : float, str, array_like or DataArray
        Parameters by registry name, in registry units. DataArrays broadcast by dimension; plain
        arrays of one axis share the dimension `sample`. What is not given takes its default.

    Returns
    -------
    xarray.Dataset
        Outcomes, `status`, and every parameter given or used as a coordinate, with CF attributes.

    Raises
    ------
    EbbmapError
        For unknown names and values that cannot be, all listed; for a result too large to hold.

    Examples
    --------
    >>> cases = simulate("linear", p_high=25.0, p_low=0.0, t_low=[0.3, 0.5])
    >>> cases["flow_ratio"].dims
    ('sample',)
    """
    model = lung_model(lung)
    wanted = _wanted(outcomes)
    if limits is not None and wanted is not None:
        wanted = tuple(dict.fromkeys((*wanted, *limits.outcomes)))
    todo = plan(model, wanted)
    arrays = as_arrays(values)
    dims, shape, coords = _frame(arrays)
    check_memory(int(np.prod(shape)), len(todo.outcomes) + 1, "the result")
    inputs = {name: _expand(array, dims) for name, array in arrays.items()}
    drawn = [name for name, array in arrays.items() if DRAWN in array.attrs]
    result = evaluate(model, bar_leavers(inputs, drawn), todo.outcomes, progress=progress)
    used = {
        name: value
        for name, value in {**inputs, **resolve(inputs, todo.parameters)}.items()
        if name not in coords
    }
    dataset = xr.Dataset(
        {name: (dims, _full(array, shape)) for name, array in result.outcomes.items()},
        {**coords, **{name: _narrow(value, dims) for name, value in used.items()}},
        provenance("settled cycles", lung=lung),
    )
    for name in (*todo.outcomes, *(n for n in dataset.coords if n in PARAMETERS)):
        dataset[name] = label(dataset[name], str(name))
    dataset["status"] = label_status(xr.DataArray(_full(result.status, shape), dims=dims))
    return dataset if limits is None else add_verdict(dataset, limits)


def add_verdict(dataset: xr.Dataset, limits: LimitSet) -> xr.Dataset:
    """Judge cases that are already solved.

    Parameters
    ----------
    dataset : xarray.Dataset
        With every outcome that the limits name.
    limits : LimitSet
        The limits.

    Returns
    -------
    xarray.Dataset
        With `verdict`, `margin` (scaled, > 0 inside) and `binding` added.
    """
    judged = judge(limits, {name: dataset[name].values for name in limits.outcomes})
    dims = dataset["status"].dims
    return dataset.assign(
        verdict=label_verdict(xr.DataArray(judged.verdict, dims=dims)),
        margin=describe(
            xr.DataArray(judged.margin, dims=dims),
            "safety margin",
            comment="signed distance to the nearest hard limit over that limit's width",
        ),
        binding=label_binding(xr.DataArray(judged.binding, dims=dims), limits),
    )


def start_up(
    lung: str = "linear",
    *,
    start_pressure: Value = 5.0,
    cycles: int = 10,
    outcomes: Iterable[str] | None = None,
    **values: Value,
) -> xr.Dataset:
    """Run the first cycles after the mode begins, breath by breath.

    Parameters
    ----------
    lung, outcomes, **values
        As in `simulate`.
    start_pressure : float or array_like
        End-expiratory pressure of the ventilation before [cmH2O].
    cycles : int
        How many, >= 1.

    Returns
    -------
    xarray.Dataset
        Outcomes with a further dimension `cycle`, counted from 1.

    Raises
    ------
    EbbmapError
        As in `simulate`.

    Examples
    --------
    >>> first = start_up(start_pressure=5.0, cycles=4, resistance_exp=25.0)
    >>> first.sizes["cycle"]
    4
    """
    model = lung_model(lung)
    todo = plan(model, _wanted(outcomes))
    arrays = as_arrays(values)
    start = _as_start(start_pressure)
    dims, shape, coords = _frame({**arrays, "start_pressure": start})
    check_memory(int(np.prod(shape)) * cycles, len(todo.outcomes), "the first cycles")
    inputs = {name: _expand(array, dims) for name, array in arrays.items()}
    result = run_start_up(
        model, inputs, start_pressure=_expand(start, dims), cycles=cycles, names=todo.outcomes
    )
    full = (*shape, cycles)
    dataset = xr.Dataset(
        {name: ((*dims, "cycle"), _full(a, full)) for name, a in result.items()},
        {**coords, "cycle": np.arange(1, cycles + 1)},
        provenance("first cycles", lung=lung),
    )
    for name in todo.outcomes:
        dataset[name] = label(dataset[name], name)
    return dataset


def as_arrays(values: Mapping[str, Value]) -> dict[str, xr.DataArray]:
    """Turn values into arrays with named dimensions, and check them.

    Raises
    ------
    EbbmapError
        All problems: unknown names, words that are no category, values that cannot be.
    """
    problems, arrays = [], {}
    for name, value in values.items():
        try:
            arrays[name] = _as_array(name, value)
        except EbbmapError as error:
            problems.append(str(error))
            continue
        found = None if DRAWN in arrays[name].attrs else complaint(name, arrays[name].values)
        problems += [found] if found else []
    if problems:
        raise EbbmapError("\n".join(problems))
    return arrays


def _as_array(name: str, value: Value) -> xr.DataArray:
    if name not in PARAMETERS:
        raise EbbmapError(unknown_name("parameter", name, PARAMETERS))
    entry = PARAMETERS[name]
    if isinstance(value, str) or (isinstance(value, (list, tuple)) and entry.choices):
        value = entry.code(value) if isinstance(value, str) else [entry.code(v) for v in value]
    try:
        if isinstance(value, xr.DataArray):
            return value if value.dtype == float else value.astype(float)
        array = np.asarray(value, dtype=float)
    except (TypeError, ValueError) as error:
        raise EbbmapError(
            f"{name} must be a number; got {value!r}. Give it in registry units."
        ) from error
    if array.ndim > 1:
        raise EbbmapError(
            f"{name} must be a number or a list; got an array of {array.ndim} axes. "
            "Pass an xarray.DataArray with named dimensions."
        )
    return xr.DataArray(array, dims=("sample",)[: array.ndim])


def _as_start(value: Value) -> xr.DataArray:
    try:
        return as_arrays({"p_low": value})["p_low"]
    except EbbmapError as error:
        # an end-expiratory pressure like P low, with the same bounds
        raise EbbmapError(str(error).replace("p_low", "start_pressure", 1)) from None


def _wanted(outcomes: Iterable[str] | None) -> tuple[str, ...] | None:
    """Take one name for a list of one."""
    if outcomes is None:
        return None
    return (outcomes,) if isinstance(outcomes, str) else tuple(outcomes)


def _frame(arrays: Mapping[str, xr.DataArray]):
    """Dimensions, shape and coordinates that the arrays span together."""
    sizes: dict[str, int] = {}
    coords: dict[str, Any] = {}
    for name, array in arrays.items():
        for dim, length in array.sizes.items():
            if sizes.setdefault(str(dim), length) != length:
                raise EbbmapError(
                    f"{name} must have {sizes[str(dim)]} values along {dim}; got {length}. "
                    "Give lists of equal length, or DataArrays with different dimensions."
                )
        coords |= {str(key): coord for key, coord in array.coords.items()}
        if array.ndim:
            coords[name] = array.drop_vars(list(array.coords)).variable
    return tuple(sizes), tuple(sizes.values()), coords


def _expand(array: xr.DataArray, dims: tuple[str, ...]) -> np.ndarray:
    """Values with one axis per dimension, of length one where the array does not vary."""
    if array.ndim == 0:
        return array.values
    own = [dim for dim in dims if dim in array.dims]
    values = array.transpose(*own).values
    return values.reshape([array.sizes.get(dim, 1) for dim in dims])


def _narrow(value: np.ndarray, dims: tuple[str, ...]) -> tuple[tuple[str, ...], np.ndarray]:
    """Dimensions along which a value varies, and its values there."""
    value = np.asarray(value)
    if value.ndim == 0:
        return (), value
    own = tuple(dim for dim, length in zip(dims, value.shape, strict=True) if length > 1)
    return own, value.reshape([length for length in value.shape if length > 1])


def _full(array: np.ndarray, shape: tuple[int, ...]) -> np.ndarray:
    return array if array.shape == shape else np.broadcast_to(array, shape)
