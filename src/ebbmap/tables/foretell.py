"""Tables of how well rules for T low foretell harm."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import xarray as xr

from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.registries.parameters import PARAMETERS, SPONTANEOUS
from ebbmap.tables.common import number_cell, number_column
from ebbmap.tables.model import HUNDREDTHS, SHARE, Cell, Column, Table, table

_FIRST = (
    "lung model",
    Column("own breathing", HUNDREDTHS, "L min-1"),
    "population",
    "limits",
    "T low by",
)


def tables(result: xr.Dataset) -> Iterator[Table]:
    """Yield the rule that foretells harm best, and the threshold that serves most lungs."""
    best, chosen = [], []
    for key, found in _each(result):
        best.append((*key, *(number_cell(found, name) for name in _BEST)))
        chosen.append((*key, *_chosen(found)))
    columns = [number_column(result, name, *said) for name, said in _BEST.items()]
    yield table("rules for T low that foretell harm best", [*_FIRST, *columns], best)
    columns = _chosen_columns(result)
    yield table("thresholds of T low that leave most lungs unharmed", [*_FIRST, *columns], chosen)


def _each(result: xr.Dataset) -> Iterator[tuple[tuple[Cell, ...], xr.Dataset]]:
    """Yield every combination of lungs, own breathing, limits and way, with what was found."""
    dims = ("model", SPONTANEOUS, "population", "rule", "way")
    for place in np.ndindex(*(result.sizes[dim] for dim in dims)):
        found = result.isel(dict(zip(dims, place, strict=True)))
        model, population, rule, way = (
            str(found[name].values) for name in ("model", "population", "rule", "way")
        )
        name = (OUTCOMES.get(way) or PARAMETERS[way]).long_name
        yield (model, float(found[SPONTANEOUS]), population, rule, name), found


#: What is said of the best rule: titles and forms of its numbers.
_BEST = {
    "best_first": ("kept from", HUNDREDTHS),
    "best_last": ("kept up to", HUNDREDTHS),
    "best_kept_unharmed_share": ("unharmed if kept", SHARE),
    "best_broken_unharmed_share": ("unharmed if broken", SHARE),
    "best_sensitivity": ("sensitivity", SHARE),
    "best_specificity": ("specificity", SHARE),
    "best_youden": ("sensitivity + specificity - 1", HUNDREDTHS),
}


def _chosen_columns(result: xr.Dataset) -> list[Column]:
    return [
        Column("at threshold", HUNDREDTHS),
        Column("median T low", HUNDREDTHS, "s"),
        number_column(result, "unharmed_share", "unharmed", SHARE),
        Column("undetermined", SHARE),
        Column("fails most there"),
    ]


def _chosen(found: xr.Dataset) -> tuple[Cell, ...]:
    one = found.isel(step=int(np.nanargmax(found["unharmed_share"].values)))
    harm = one["harm_share"].fillna(0.0)
    worst = str(harm["bound"].values[int(harm.values.argmax())]) if float(harm.max()) > 0 else ""
    return (
        float(one["threshold"]),
        float(one["chosen_t_low"]),
        number_cell(one, "unharmed_share"),
        float(one["undetermined_share"] + one["unreached_share"]),
        worst,
    )
