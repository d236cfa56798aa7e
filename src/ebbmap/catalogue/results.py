"""Own outcomes of results that are there already, without solving a case again."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from typing import Any

import xarray as xr

from ebbmap.cases.checks import check_memory
from ebbmap.cases.labelling import OWN_ENTRIES, label
from ebbmap.catalogue.value import Catalogue, builtin, own_entry
from ebbmap.errors import EbbmapError
from ebbmap.lungs import LUNGS, Lung
from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.registries.parameters import inputs_of


def add_outcome(
    result: xr.Dataset, outcome: Any, *, catalogue: Catalogue | None = None
) -> xr.Dataset:
    """Add an outcome to stored cases, from the outcomes and parameters that are stored.

    Parameters
    ----------
    result : xarray.Dataset
        Solved cases, such as `simulate` or a sweep returns them.
    outcome : callable
        A marked function (`ebbmap.outcome`).
    catalogue : Catalogue, optional
        What it may take besides; the bundled entries if None.

    Returns
    -------
    xarray.Dataset
        With the outcome, labelled, and with its source hash among the own entries. Outcomes that
        it needs on the way are computed and not kept. NaN wherever a case has no value.

    Raises
    ------
    EbbmapError
        If something that it needs is neither stored nor follows from what is, or the result has
        a variable of its name.

    Examples
    --------
    >>> from ebbmap.cases.simulate import simulate
    >>> from ebbmap.catalogue.marks import outcome
    >>> @outcome(units="mL cmH2O-1", source="invented for this example")
    ... def released_per_pressure(release_volume, driving_pressure):
    ...     return release_volume / driving_pressure
    >>> stored = simulate(t_low=[0.3, 0.5], outcomes=["release_volume", "driving_pressure"])
    >>> add_outcome(stored, released_per_pressure)["released_per_pressure"].values.round(6)
    array([50., 50.])
    """
    larger = (catalogue or builtin()).add(outcome)
    name = own_entry(outcome).entry.name
    if name in result.variables:
        raise EbbmapError(f"the result has a variable {name!r} already. Rename the outcome.")
    with larger.active():
        lung = LUNGS.get(str(result.attrs.get("lung")))
        lacking: list[str] = []
        array = _value(name, result, lung, lacking)
        if array is None:
            raise EbbmapError(
                f"{name} needs {', '.join(dict.fromkeys(lacking))}, which the result does not "
                "hold. Run the study again with them among the outcomes and fixed values, and "
                "the outcome in `use`."
            )
        added = result.assign({name: label(array, name)})
    return added.assign_attrs({OWN_ENTRIES: _described(result, larger)})


def _value(
    name: str, result: xr.Dataset, lung: Lung | None, lacking: list[str]
) -> xr.DataArray | None:
    """Return a stored array, or compute it from stored ones; None where something is lacking."""
    if name in result.variables:
        return result[name]
    functions: Mapping[str, Callable[..., Any]] = lung.functions if lung else {}
    entry = OUTCOMES.get(name)
    function = functions.get(name, entry.compute if entry else None)
    if function is None:
        lacking.append(name)
        return None
    given = {need: _value(need, result, lung, lacking) for need in inputs_of(function)}
    found = {need: array for need, array in given.items() if array is not None}
    if len(found) < len(given):
        return None
    arrays = dict(zip(found, xr.broadcast(*found.values()), strict=True))
    first = next(iter(arrays.values()))
    check_memory(first.size, len(arrays) + 1, f"the outcome {name}")
    values = function(**{need: array.values for need, array in arrays.items()})
    own = [coord for coord in first.coords if set(first[coord].dims) <= set(first.dims)]
    return xr.DataArray(values, dims=first.dims, coords={coord: first[coord] for coord in own})


def _described(result: xr.Dataset, catalogue: Catalogue) -> str:
    """Return the own entries that a result names, and those of a catalogue."""
    before = json.loads(result.attrs.get(OWN_ENTRIES, "[]"))
    added = [dict(one) for one in catalogue.described if dict(one) not in before]
    return json.dumps([*before, *added])
