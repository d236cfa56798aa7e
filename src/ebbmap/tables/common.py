"""What the tables of analyses share: how a result is walked, and how an index is written."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import xarray as xr

from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.tables.model import Cell, Column, Form

#: A factor is named from this index on.
NAMED_ABOVE = 0.1

#: What stands for an outcome that has no value for want of a steady state.
NO_STEADY_STATE_CELL = "no steady state"


def steady_cells(found: xr.Dataset, names: list[str]) -> list[Cell]:
    """Return outcomes of one case as cells: words where there is no steady state to have them in.

    Parameters
    ----------
    found : Dataset
        One case, with `unsteady`, why it has no steady state, or empty.
    names : list of str
        Its outcomes, or changes of them.
    """
    lost = bool(str(found["unsteady"].values))
    values = [float(found[name]) for name in names]
    return [NO_STEADY_STATE_CELL if lost and np.isnan(value) else value for value in values]


def by_rule_and_population(result: xr.Dataset) -> Iterator[tuple[str, str, xr.Dataset]]:
    """Yield every rule and population of a result with what was found for them."""
    for rule in result["rule"].values.astype(str).tolist():
        for name in result["population"].values.astype(str).tolist():
            yield rule, name, result.sel(rule=rule, population=name)


def by_population(result: xr.Dataset) -> Iterator[tuple[str, xr.Dataset]]:
    """Yield every population of a result with what was found for it."""
    for name in result["population"].values.astype(str):
        yield name, result.sel(population=name)


def lung_words(population: str) -> str:
    """Return how the middle lung of a population is called; "all" stands for no population.

    Examples
    --------
    >>> lung_words("normal"), lung_words("all")
    ('normal lung', 'the lung')
    """
    return "the lung" if population == "all" else f"{population} lung"


def shown_places(result: xr.Dataset) -> tuple[str, list[float]]:
    """Return the axis of a result, and its first, middle and last place: fewer on a short axis."""
    along = str(result.attrs["along"])
    places = result[along].values
    shown = (float(places[number]) for number in (0, len(places) // 2, -1))
    # two places that read alike would be one column twice
    return along, list({f"{place:.3g}": place for place in shown}.values())


def margins_of(result: xr.Dataset) -> list[str]:
    """Return the names of the outcomes that are safety margins."""
    return [name for name in result["outcome"].values.astype(str) if name.startswith("margin_")]


def number_column(
    result: xr.Dataset, name: str, title: str, form: Form, units: str = "1"
) -> Column:
    """Return the column of a number with intervals of lungs and, if asked for, of knowledge."""
    return Column(title, form, units, interval=True, knowledge=f"{name}_knowledge" in result)


def number_cell(found: xr.Dataset, name: str) -> Cell:
    """Return a number with intervals of lungs and, if asked for, of knowledge, as a cell."""
    names = [n for n in (f"{name}_interval", f"{name}_knowledge") if n in found]
    return (float(found[name]), *(float(end) for n in names for end in found[n].values))


def outcome_columns(names: list[str], form: Form) -> list[Column]:
    """Return a column for each outcome, under its name in words."""
    return [Column(OUTCOMES[name].long_name, form, OUTCOMES[name].units) for name in names]


def leaders(found: xr.Dataset, index: str) -> str:
    """Return the factors of large index with their intervals, the largest first."""
    values = found[index].to_series().dropna().sort_values(ascending=False)
    intervals = found[f"{index}_interval"].transpose("parameter", "ci_bound")
    lines = [
        f"{name} {value:.2f} ({_interval_text(*intervals.sel(parameter=name).values)})"
        for name, value in values.items()
        if value > NAMED_ABOVE
    ]
    return "\n".join(lines) or "does not vary"


def _interval_text(low: float, high: float) -> str:
    return f"{low:.2f} to {high:.2f}" if np.isfinite([low, high]).all() else "no interval"
