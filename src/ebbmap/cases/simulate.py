"""Cases with labels: values in, a Dataset with every outcome out."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from math import prod

import numpy as np
import xarray as xr

from ebbmap.cases.checks import check_memory
from ebbmap.cases.drawn_bounds import DRAWN, bar_leavers
from ebbmap.cases.evaluate import evaluate, resolve
from ebbmap.cases.evaluate import start_up as run_start_up
from ebbmap.cases.inputs import START, Value, as_arrays, as_count, as_start, frame_of
from ebbmap.cases.labelling import (
    describe,
    label_binding,
    label_status,
    label_verdict,
    provenance,
    registry_attrs,
)
from ebbmap.kernels.judging import judge
from ebbmap.lungs import DEFAULT_LUNG, lung_model
from ebbmap.registries.bounds import with_steady_state
from ebbmap.registries.limits import LimitSet
from ebbmap.registries.outcomes import OUTCOMES, plan
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registry import Active, activate

#: Names that a result needs for itself, besides its outcomes.
RESERVED = ("status", "verdict", "margin", "binding")


def simulate(
    lung: str = DEFAULT_LUNG,
    *,
    outcomes: Iterable[str] | None = None,
    limits: LimitSet | None = None,
    catalogue: Active | None = None,
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
    catalogue : Catalogue, optional
        Bundled and own entries; the active catalogue if None.
    progress : callable, optional
        Called with the number of cases just finished.
    **values : float, str, array_like or DataArray
        Parameters by registry name, in registry units. DataArrays broadcast by dimension, are
        aligned by their labels, and are converted if their attribute `units` is another unit of
        the same kind; plain arrays of one axis share the dimension `sample`. What is not given
        takes its default.

    Returns
    -------
    xarray.Dataset
        Outcomes, `status`, and every parameter given or used as a coordinate, with CF attributes.
        It shares no memory with `values`.

    Raises
    ------
    EbbmapError
        For unknown names, values that cannot be and units that cannot be converted, all listed;
        for labels or lengths that differ along a dimension; for dimensions and coordinates with
        names of the result; for a result too large to hold.

    Examples
    --------
    >>> cases = simulate("linear", p_high=25.0, p_low=0.0, t_low=[0.3, 0.5])
    >>> cases["flow_ratio"].dims
    ('sample',)
    """
    with activate(catalogue):
        return _settled(lung, _wanted(outcomes), limits, progress, values)


def _settled(
    lung: str,
    wanted: tuple[str, ...] | None,
    limits: LimitSet | None,
    progress: Callable[[int], None] | None,
    values: Mapping[str, Value],
) -> xr.Dataset:
    model = lung_model(lung)
    if limits is not None and wanted is not None:
        wanted = tuple(dict.fromkeys((*wanted, *limits.outcomes)))
    todo = plan(model, wanted)
    arrays, frame = frame_of(as_arrays(values), {*todo.outcomes, *RESERVED})
    dims, shape, coords = frame.dims, frame.shape, frame.coords
    check_memory(prod(shape), len(todo.outcomes) + 1, "the result")
    inputs = {name: _expand(array, dims) for name, array in arrays.items()}
    drawn = [name for name, array in arrays.items() if DRAWN in array.attrs]
    result = evaluate(model, bar_leavers(inputs, drawn), todo.outcomes, progress=progress)
    used = {
        name: xr.Variable(*_narrow(value, dims), registry_attrs(name))
        for name, value in {**inputs, **resolve(inputs, todo.parameters)}.items()
        if name not in coords
    }
    data = {
        name: xr.Variable(dims, _full(array, shape), registry_attrs(name))
        for name, array in result.outcomes.items()
    }
    status = xr.DataArray(_full(result.status, shape), dims=dims)
    # parameters index nothing: told so, xarray takes half the time
    dataset = xr.Dataset(
        {**data, "status": label_status(status).variable},
        xr.Coordinates(used, indexes={}),
        provenance("settled cycles", lung=lung),
    )
    if coords:
        dataset = dataset.assign_coords(coords)
        _label_all(dataset, coords)
    return dataset if limits is None else add_verdict(dataset, limits)


def add_verdict(dataset: xr.Dataset, limits: LimitSet, *, steady: bool = True) -> xr.Dataset:
    """Judge cases that are already solved.

    Parameters
    ----------
    dataset : xarray.Dataset
        With every outcome that the limits name.
    limits : LimitSet
        The limits.
    steady : bool
        Whether a case without a steady state is unsafe whatever is limited, where the balances of
        CO2 and oxygen are among the outcomes; where cases are counted, the limits alone decide.

    Returns
    -------
    xarray.Dataset
        With `verdict`, `margin` (scaled, > 0 inside) and `binding` added.
    """
    if steady:
        limits = with_steady_state(limits, dataset.data_vars)
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
    lung: str = DEFAULT_LUNG,
    *,
    start_pressure: Value = 5.0,
    cycles: int = 10,
    outcomes: Iterable[str] | None = None,
    catalogue: Active | None = None,
    **values: Value,
) -> xr.Dataset:
    """Run the first cycles after the mode begins, breath by breath.

    Parameters
    ----------
    lung, outcomes, catalogue, **values
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
    with activate(catalogue):
        return _first_cycles(lung, _wanted(outcomes), start_pressure, cycles, values)


def _first_cycles(
    lung: str,
    wanted: tuple[str, ...] | None,
    start_pressure: Value,
    cycles: int,
    values: Mapping[str, Value],
) -> xr.Dataset:
    model = lung_model(lung)
    todo = plan(model, wanted)
    cycles = as_count("cycles", cycles, least=1)
    arrays, frame = frame_of(
        {**as_arrays(values), START: as_start(start_pressure)},
        {*todo.outcomes, *RESERVED, "cycle"},
    )
    start = arrays.pop(START)
    dims, shape, coords = frame.dims, frame.shape, frame.coords
    check_memory(prod(shape) * cycles, len(todo.outcomes), "the first cycles")
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
    _label_all(dataset, (*todo.outcomes, *map(str, dataset.coords)))
    if START in dataset.coords:
        describe(dataset[START], "end-expiratory pressure before", PARAMETERS["p_low"].units)
    return dataset


def _label_all(dataset: xr.Dataset, names: Iterable[str]) -> None:
    """Label outcomes and parameters in place: each put back would merge the whole dataset again."""
    for name in names:
        if name in PARAMETERS or name in OUTCOMES:
            dataset[name].attrs = registry_attrs(name)


def _wanted(outcomes: Iterable[str] | None) -> tuple[str, ...] | None:
    """Take one name for a list of one."""
    if outcomes is None:
        return None
    return (outcomes,) if isinstance(outcomes, str) else tuple(outcomes)


def _expand(array: xr.DataArray, dims: tuple[str, ...]) -> np.ndarray:
    """Values with one axis per dimension, of length one where the array does not vary."""
    if array.ndim == 0:
        return array.values
    own = [dim for dim in dims if dim in array.dims]
    values = array.transpose(*own).values
    return values.reshape([array.sizes.get(dim, 1) for dim in dims])


def _narrow(value: np.ndarray, dims: tuple[str, ...]) -> tuple[tuple[str, ...], np.ndarray]:
    """Dimensions along which a value varies, and a copy of its values there."""
    value = np.array(value)
    if value.ndim == 0:
        return (), value
    own = tuple(dim for dim, length in zip(dims, value.shape, strict=True) if length > 1)
    return own, value.reshape([length for length in value.shape if length > 1])


def _full(array: np.ndarray, shape: tuple[int, ...]) -> np.ndarray:
    return array if array.shape == shape else np.broadcast_to(array, shape).copy()
