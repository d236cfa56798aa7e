"""Tables and plain data of two weaning routes."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.kernels.judging import VERDICTS
from ebbmap.tables.common import lung_words, outcome_columns, steady_cells
from ebbmap.tables.model import HUNDREDTHS, NUMBER, PLAIN, Cell, Column, Table, table
from ebbmap.tables.plain import document

#: Outcomes that are shown at every step, where the lung has them.
SHOWN = ("mean_airway_pressure", "paco2", "spo2", "closed_fraction", "auto_peep")


def tables(result: xr.Dataset) -> Iterator[Table]:
    """Yield both routes up to where they stop, then what stops them."""
    ends: list[tuple[Cell, ...]] = []
    for rule, name, found in _routes(result):
        route = str(found["route"].values)
        step = int(found["first_unsafe"])
        leaves = ("not begun: " if step == 0 else "") + str(found["leaves"].values)
        ends.append((name, rule, route, None if step < 0 else step, leaves))
        yield _route_table(found, f"{route}, {lung_words(name)}, rule {rule}")
    columns = ["population", "rule", "route", Column("first unsafe step", PLAIN), "limit"]
    notes = [
        str(result.attrs["own_breathing"]),
        "At the first unsafe step weaning stops and goes back.",
    ]
    yield table("weaning: where each route leaves the safe region", columns, ends, notes=notes)


def _routes(result: xr.Dataset) -> Iterator[tuple[str, str, xr.Dataset]]:
    for name in result["population"].values.astype(str):
        for rule in result["rule"].values.astype(str):
            for route in result["route"].values.astype(str):
                yield rule, name, result.sel(population=name, rule=rule, route=route)


def _route_table(found: xr.Dataset, title: str) -> Table:
    shown = [name for name in SHOWN if name in found]
    columns = [
        Column("step", PLAIN),
        Column("P high", PLAIN, "cmH2O"),
        Column("T high", PLAIN, "s"),
        Column("margin", HUNDREDTHS),
        "verdict",
        Column("own breathing", HUNDREDTHS, found["own_breathing"].attrs["units"]),
        *outcome_columns(shown, NUMBER),
    ]
    rows, notes = [], []
    for number in taken_steps(found):
        step = found.isel(step=number)
        rows.append(
            (
                int(number),
                *(float(step[f"route_{key}"]) for key in ("p_high", "t_high", "margin")),
                VERDICTS[int(step["route_verdict"])],
                float(step["own_breathing"]),
                *steady_cells(step, shown),
            )
        )
        if words := str(step["unsteady"].values):
            notes.append(f"step {number}: {words}")
    return table(title, columns, rows, notes=notes)


def taken_steps(found: xr.Dataset) -> np.ndarray:
    """Return the numbers of the steps of one route, up to the one at which weaning stops."""
    steps, stop = np.flatnonzero(np.isfinite(found["route_p_high"])), int(found["first_unsafe"])
    return steps if stop < 0 else steps[: stop + 1]


def wean_document(result: xr.Dataset) -> dict[str, Any]:
    """Return both routes of the first population and rule as plain data."""
    found = result.isel(population=0, rule=0)
    names = [
        str(name)
        for name, array in found.data_vars.items()
        if "step" in array.dims and name != "unsteady"
    ]
    routes = {}
    for route in found["route"].values.astype(str):
        own = found.sel(route=route)
        routes[route] = {
            "first_unsafe": int(own["first_unsafe"]),
            "leaves": str(own["leaves"].values),
            "steps": [
                {
                    **{name: float(own[name][step]) for name in names},
                    "unsteady": str(own["unsteady"].values[step]),
                }
                for step in taken_steps(own)
            ],
        }
    return document(
        lung=result.attrs["lung"],
        held=result.attrs["fixed"],
        units={name: result[name].attrs.get("units", "1") for name in names},
        routes=routes,
    )
