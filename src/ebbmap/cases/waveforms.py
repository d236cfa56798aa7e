"""What a monitor would draw over time, with labels: the settled cycle or the first cycles."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from math import prod
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.cases.checks import check_memory
from ebbmap.cases.evaluate import resolve
from ebbmap.cases.inputs import START, as_arrays, as_count, as_numbers, as_start, frame_of
from ebbmap.cases.labelling import provenance
from ebbmap.errors import EbbmapError, shortened
from ebbmap.lungs import DEFAULT_LUNG, Lung, lung_model
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.signals import SIGNALS
from ebbmap.registry import Active, activate

#: Times drawn in each phase of a cycle, unless stated otherwise.
POINTS = 120

#: Distance of a time from a jump, as a share of the cycle.
CLEAR = 1e-9


def waveforms(
    lung: str = DEFAULT_LUNG,
    *,
    times: Any = None,
    points: int = POINTS,
    cycles: int = 1,
    start_pressure: Any = None,
    release_goes_on: bool = False,
    catalogue: Active | None = None,
    **values: Any,
) -> xr.Dataset:
    """Draw pressures, flow and volume over time.

    Parameters
    ----------
    lung : str
        Name of a lung model.
    times : array_like, shape (t,), optional
        From the start of the first T high [s], increasing. If None: `points` in each phase of
        `cycles` cycles; where cases differ in T high or T low, the times of all of them.
    points : int
        Times in each phase, both ends included, >= 2.
    cycles : int
        How many cycles, >= 1; with `times` as many as they reach.
    start_pressure : float or array_like, optional
        End-expiratory pressure of the ventilation before [cmH2O]: draws the first cycles. The
        settled cycle over and over if None.
    release_goes_on : bool
        Whether the first release continues to the last time instead of ending after T low.
    catalogue : Catalogue, optional
        As in `simulate`.
    **values : float, str, array_like or DataArray
        Parameters as in `simulate`.

    Returns
    -------
    xarray.Dataset
        The signals of the lung, with a last dimension `time` [s]. Where the airway pressure
        jumps there are two times, one on each side. NaN where p_high <= p_low.

    Raises
    ------
    EbbmapError
        As in `simulate`; for times that do not increase from 0 on.

    Examples
    --------
    >>> drawn = waveforms(times=[0.0, 5.0], t_high=5.0, t_low=0.5, resistance_exp=[10.0, 20.0])
    >>> drawn["flow"].dims
    ('sample', 'time')
    """
    with activate(catalogue):
        return _waveforms(lung, times, points, cycles, start_pressure, release_goes_on, values)


def _waveforms(
    lung: str,
    times: Any,
    points: int,
    cycles: int,
    start_pressure: Any,
    release_goes_on: bool,
    values: Mapping[str, Any],
) -> xr.Dataset:
    model = lung_model(lung)
    given = as_arrays(values)
    if start_pressure is not None:
        given[START] = as_start(start_pressure)
    points, cycles = as_count("points", points, least=2), as_count("cycles", cycles, least=1)
    arrays, frame = frame_of(given, {*model.signals, "time"})
    dims, shape, cases = frame.dims, frame.shape, prod(frame.shape)
    # every case has two times at least, and every value of a case is laid out
    check_memory(cases, max(2 * len(model.signals), len(model.parameters)), "the waveforms")
    whole = xr.broadcast(*arrays.values())
    full = {
        name: array.transpose(*dims).values.reshape(-1)
        for name, array in zip(arrays, whole, strict=True)
    }
    start = full.pop(START, None)
    used = resolve(full, model.parameters)
    flat = {name: np.broadcast_to(value, (cases,)).copy() for name, value in used.items()}
    # NaN goes through every formula as NaN, so an impossible case is drawn nowhere
    flat["p_high"] = np.where(flat["p_high"] > flat["p_low"], flat["p_high"], np.nan)
    grid = _times(times, flat, points, cycles, release_goes_on)
    check_memory(grid.size * cases, len(model.signals), "the waveforms")
    drawn = _draw(model, flat, start, grid, release_goes_on)
    single = {name: array.variable.copy() for name, array in arrays.items() if not array.ndim}
    dataset = xr.Dataset(
        {name: ((*dims, "time"), a.reshape(*shape, grid.size)) for name, a in drawn.items()},
        {**frame.coords, **single, "time": grid},
        provenance("waveforms", lung=lung),
    )
    for name in model.signals:
        entry = SIGNALS[name]
        dataset[name].attrs = {"units": entry.units, "long_name": entry.long_name}
        if entry.comment:
            dataset[name].attrs["comment"] = entry.comment
    for name in arrays:
        known = PARAMETERS["p_low" if name == START else name]
        text = "end-expiratory pressure before" if name == START else known.long_name
        dataset[name].attrs = {"units": known.units, "long_name": text}
    dataset["time"].attrs = {"units": "s", "long_name": "time"}
    return dataset


def cycle_times(t_high: float, t_low: float, points: int, cycles: int = 1) -> np.ndarray:
    """Return `points` times in each phase of some cycles, with both sides of every jump.

    Examples
    --------
    >>> cycle_times(4.0, 1.0, 2).round(6).tolist()
    [0.0, 4.0, 4.0, 5.0]
    """
    period = t_high + t_low
    # times keep clear of the jumps by more than rounding moves them over many cycles
    clear = CLEAR * period
    high = np.linspace(clear, t_high - clear, points)
    low = np.linspace(t_high + clear, period - clear, points)
    grid: np.ndarray = np.arange(cycles)[:, None] * period + np.concatenate([high, low])
    grid[0, 0] = 0.0
    return grid.reshape(-1)


def _times(
    times: Any, flat: Mapping[str, np.ndarray], points: int, cycles: int, release_goes_on: bool
) -> np.ndarray:
    if times is not None:
        grid = as_numbers("times", times, "s")
        rising = grid.ndim == 1 and grid.size and grid[0] >= 0 and np.all(np.diff(grid) > 0)
        if not rising or not np.isfinite(grid[-1]):
            raise EbbmapError(
                "times must increase from 0 s on and be finite; got "
                f"{shortened(grid.tolist())}. Sort them and drop repeats."
            )
        return grid
    if release_goes_on and cycles > 1:
        raise EbbmapError("a release that goes on has one cycle only. Leave out cycles.")
    pairs = _timings(flat)
    return np.unique(
        np.concatenate([cycle_times(long, short, points, cycles) for long, short in pairs.tolist()])
    )


def _timings(flat: Mapping[str, np.ndarray]) -> np.ndarray:
    """Return the different pairs of T high and T low."""
    return np.unique(np.stack([flat["t_high"], flat["t_low"]], axis=1), axis=0)


def _draw(
    model: Lung,
    flat: Mapping[str, np.ndarray],
    start: np.ndarray | None,
    grid: np.ndarray,
    release_goes_on: bool,
) -> dict[str, np.ndarray]:
    """Draw cases of the same timing together, since they share their times within a cycle."""
    drawn = {name: np.empty((flat["t_high"].size, grid.size)) for name in model.signals}
    for t_high, t_low in _timings(flat):
        here = (flat["t_high"] == t_high) & (flat["t_low"] == t_low)
        own = {name: value[here] for name, value in flat.items()}
        state = model.settle(**own) if start is None else model.rest(start[here], **own)
        period = np.inf if release_goes_on else t_high + t_low
        for columns, within in _cycles(grid, period):
            if within.size:
                signals = model.waveform(state, within, **own)
                for name, target in drawn.items():
                    target[np.ix_(here, columns)] = signals[name]
            # a settled cycle repeats itself, unless the patient breathes at a rate of his own
            goes_on = start is not None or np.any(own.get("effort_pressure", 0.0))
            if goes_on and columns[-1:] != [grid.size - 1]:
                _, state = model.cycle(state, **own)
    return drawn


def _cycles(grid: np.ndarray, period: float) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """Yield, cycle by cycle, which times lie in it and when they are within it."""
    number = np.floor(grid / period).astype(int)
    for one in range(number[-1] + 1):
        columns = np.flatnonzero(number == one)
        begun = one * period if one else 0.0
        yield columns, np.maximum(grid[columns] - begun, 0.0)
