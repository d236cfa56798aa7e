"""The table and the plain data of one solved case."""

from __future__ import annotations

from typing import Any

import xarray as xr

from ebbmap.cases.evaluate import STATUS
from ebbmap.cases.steady import lost_outcomes, unsteady_words
from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.tables.common import NO_STEADY_STATE_CELL
from ebbmap.tables.model import PLAIN, PRECISE, Table, table
from ebbmap.tables.plain import document
from ebbmap.units import display


def _parameters(solved: xr.Dataset) -> list[str]:
    return [str(name) for name in solved.coords if name in PARAMETERS]


def _outcomes(solved: xr.Dataset) -> list[str]:
    return [str(name) for name in solved.data_vars if name in OUTCOMES]


def _defaults(solved: xr.Dataset) -> list[str]:
    return str(solved.attrs.get("defaults", "")).split()


def case_table(solved: xr.Dataset) -> Table:
    """Return every parameter and outcome of a case."""
    rows = []
    for name in _parameters(solved):
        entry, value = PARAMETERS[name], float(solved[name])
        text = entry.choices[int(value)] if entry.choices else PLAIN.write(value)
        mark = " (default)" if name in _defaults(solved) else ""
        rows.append((name, text, display(entry.units), f"{entry.long_name}{mark}"))
    given = len(rows)
    lost = set(lost_outcomes(solved))
    for name in _outcomes(solved):
        outcome = OUTCOMES[name]
        text = NO_STEADY_STATE_CELL if name in lost else PRECISE.write(float(solved[name]))
        rows.append((name, text, display(outcome.units), outcome.long_name))
    title = f"settled cycle, lung {solved.attrs['lung']}, status {STATUS[int(solved['status'])]}"
    notes = [words] if (words := str(unsteady_words(solved))) else []
    return table(
        title, ["name", "value", "unit", "in words"], rows, faint=range(given), notes=notes
    )


def case_document(solved: xr.Dataset) -> dict[str, Any]:
    """Return a case as plain data."""
    return document(
        lung=solved.attrs["lung"],
        parameters={
            name: {
                "value": float(solved[name]),
                "units": PARAMETERS[name].units,
                "default": name in _defaults(solved),
            }
            for name in _parameters(solved)
        },
        outcomes={
            name: {"value": float(solved[name]), "units": OUTCOMES[name].units}
            for name in _outcomes(solved)
        },
        status=STATUS[int(solved["status"])],
        status_words=str(unsteady_words(solved)),
    )
