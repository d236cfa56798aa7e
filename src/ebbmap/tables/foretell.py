"""Tables of how well rules for T low foretell harm."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import xarray as xr

from ebbmap.analyses.common.practice import SPONTANEOUS
from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.tables.model import HUNDREDTHS, WHOLE_SHARE, Cell, Column, Table, table

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
        best.append((*key, *_best(found)))
        chosen.append((*key, *_chosen(found)))
    yield table("rules for T low that foretell harm best", [*_FIRST, *_BEST], best)
    yield table("thresholds of T low that leave most lungs unharmed", [*_FIRST, *_CHOSEN], chosen)


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


_BEST = (
    Column("kept from", HUNDREDTHS, interval=True),
    Column("kept up to", HUNDREDTHS, interval=True),
    Column("unharmed if kept", WHOLE_SHARE, interval=True),
    Column("unharmed if broken", WHOLE_SHARE, interval=True),
    Column("sensitivity", WHOLE_SHARE, interval=True),
    Column("specificity", WHOLE_SHARE, interval=True),
    Column("sensitivity + specificity - 1", HUNDREDTHS, interval=True),
)
_SCORES = (
    "best_first",
    "best_last",
    "best_kept_unharmed_share",
    "best_broken_unharmed_share",
    "best_sensitivity",
    "best_specificity",
    "best_youden",
)


def _best(found: xr.Dataset) -> tuple[Cell, ...]:
    return tuple(_interval(found, name) for name in _SCORES)


_CHOSEN = (
    Column("at threshold", HUNDREDTHS),
    Column("median T low", HUNDREDTHS, "s"),
    Column("unharmed", WHOLE_SHARE, interval=True),
    Column("undetermined", WHOLE_SHARE),
    "fails most there",
)


def _chosen(found: xr.Dataset) -> tuple[Cell, ...]:
    one = found.isel(step=int(np.nanargmax(found["unharmed_share"].values)))
    harm = one["harm_share"].fillna(0.0)
    worst = str(harm["bound"].values[int(harm.values.argmax())]) if float(harm.max()) > 0 else ""
    return (
        float(one["threshold"]),
        float(one["chosen_t_low"]),
        _interval(one, "unharmed_share"),
        float(one["undetermined_share"] + one["unreached_share"]),
        worst,
    )


def _interval(found: xr.Dataset, name: str) -> Cell:
    low, high = (float(end) for end in found[f"{name}_interval"])
    return (float(found[name]), low, high)
