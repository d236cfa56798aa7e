"""Tables of published strategies as wholes: settings, harm, own limits, and differences."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import xarray as xr

from ebbmap.registries.parameters import PARAMETERS, SPONTANEOUS
from ebbmap.registries.strategies import SETTINGS, STRATEGIES, Strategy
from ebbmap.tables.model import (
    HUNDREDTHS,
    SHARE,
    SIGNED_SHARE,
    Cell,
    Column,
    Table,
    table,
    triple,
)

#: Quantiles over lungs of the settings that are shown.
SPREAD = (0.05, 0.95)

_LUNGS = ("population", Column("own breathing", HUNDREDTHS, "L min-1"))


def tables(result: xr.Dataset) -> Iterator[Table]:
    """Yield settings, shares, differences from the first strategy, and what each source says."""
    yield settings_table(result)
    yield shares_table(result)
    if result.sizes["strategy"] > 1:
        yield difference_table(result)
    yield source_table(result)


def settings_table(result: xr.Dataset) -> Table:
    """Return the settings that each strategy gives the lungs: median, 5 to 95 % of lungs."""
    columns = [
        "strategy",
        "population",
        *(
            Column(PARAMETERS[name].long_name, HUNDREDTHS, PARAMETERS[name].units, interval=True)
            for name in SETTINGS
        ),
        Column("lungs without settings", SHARE),
    ]
    rows: list[tuple[Cell, ...]] = []
    for strategy in result["strategy"].values.astype(str):
        for name in result["population"].values.astype(str):
            one = result.sel(strategy=strategy, population=name)
            cells = (_spread(one[setting].values) for setting in SETTINGS)
            rows.append((strategy, name, *cells, float(one["unset_share"])))
    title = "Settings that each strategy gives the same lungs: median (5 to 95 % of them)"
    return table(title, columns, rows, name="settings")


def _spread(values: np.ndarray) -> Cell:
    known = values[np.isfinite(values)]
    if not known.size:
        return (np.nan, np.nan, np.nan)
    return triple(float(np.median(known)), np.quantile(known, SPREAD))


def shares_table(result: xr.Dataset) -> Table:
    """Return how many lungs each strategy leaves unharmed, and how many keep its own limits."""
    columns = [
        *_LUNGS,
        "limits on harm",
        "strategy",
        Column("unharmed", SHARE, interval=True),
        Column("undetermined", SHARE),
        "harms most by",
        Column("keep its own limits", SHARE, interval=True),
        "own limit that fails most",
    ]
    rows: list[tuple[Cell, ...]] = []
    for key, one in _each(result):
        rows.append(
            (
                *key,
                triple(float(one["unharmed_share"]), one["unharmed_share_interval"].values),
                float(one["undetermined_share"] + one["unset_share"]),
                _most(one["harm_share"], "bound"),
                triple(float(one["kept_share"]), one["kept_share_interval"].values),
                _most(one["own_broken_share"], "own_bound"),
            )
        )
    title = "Strategies as started and left alone, on the same lungs"
    return table(title, columns, rows, name="shares")


def difference_table(result: xr.Dataset) -> Table:
    """Return how many more lungs each strategy leaves unharmed than the first one."""
    first = str(result["strategy"].values[0])
    columns = [
        *_LUNGS,
        "limits on harm",
        "strategy",
        Column(f"unharmed, less {first}", SIGNED_SHARE, interval=True),
    ]
    rows: list[tuple[Cell, ...]] = []
    for key, one in _each(result):
        if key[-1] != first:
            pair = one.sel(other_strategy=first)
            cell = triple(float(pair["difference"]), pair["difference_interval"].values)
            rows.append((*key, cell))
    return table("Paired differences, lung by lung", columns, rows, name="differences")


def source_table(result: xr.Dataset) -> Table:
    """Return what each strategy's one source says, with grades, and what it leaves out."""
    rows = [
        (name, part, said)
        for name in result["strategy"].values.astype(str)
        for part, said in _parts(STRATEGIES[name])
    ]
    return table(
        "Strategies, one source each",
        ["strategy", "part", "what the source says"],
        rows,
        name="sources",
    )


def _parts(strategy: Strategy) -> Iterator[tuple[str, str]]:
    """Yield what is known of a strategy, part by part."""
    yield "source", f"{strategy.source}; {strategy.seen}"
    for name in SETTINGS:
        start = strategy.starts[name]
        yield PARAMETERS[name].long_name, f"{start.said} ({start.grade})"
    own = (*strategy.keeps.hard, *strategy.keeps.caution)
    for bound in own:
        yield "limit" if bound.severity == "hard" else "caution", f"{bound.sentence}: {bound.why}"
    if not own:
        yield "limit", "none"
    for said in strategy.leaves_out:
        yield "leaves out", said
    for said in strategy.against_itself:
        yield "against itself", said


def _each(result: xr.Dataset) -> Iterator[tuple[tuple[Cell, ...], xr.Dataset]]:
    """Yield every population, level of own breathing, limit set and strategy with what it has."""
    dims = ("population", SPONTANEOUS, "rule", "strategy")
    for place in np.ndindex(*(result.sizes[dim] for dim in dims)):
        one = result.isel(dict(zip(dims, place, strict=True)))
        population, rule, strategy = (
            str(one[name].values) for name in ("population", "rule", "strategy")
        )
        yield (population, float(one[SPONTANEOUS]), rule, strategy), one


def _most(shares: xr.DataArray, dim: str) -> str:
    """Return the limit that most lungs break; nothing where none is broken."""
    known = shares.fillna(0.0)
    if not known.size or float(known.max()) == 0:
        return ""
    return str(known[dim].values[int(known.values.argmax())])
