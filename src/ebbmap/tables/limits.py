"""Tables of how much each limit decides, how far it is passed, and what its uncertainty does."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
import xarray as xr

from ebbmap.digits import share_text
from ebbmap.tables.common import by_rule_and_population
from ebbmap.tables.model import NUMBER, SHARE, Cell, Column, Form, Table, table, triple

#: Distances beyond a limit, in its unit: three digits, the sign kept.
BEYOND = Form("+.3g")

#: What heads the row of all limits together.
EVERY = "every limit"

Found = Iterable[tuple[tuple[str, ...], xr.Dataset]]


def tables(result: xr.Dataset) -> Iterator[Table]:
    """Yield what each limit decides, how far it is passed, and what its uncertainty does."""
    found = [((rule, name), one) for rule, name, one in by_rule_and_population(result)]
    yield dropped_table(("rule", "population"), found)
    yield excess_table(("rule", "population"), found)
    yield range_table(("rule", "population"), found)


def dropped_table(first: tuple[str, ...], found: Found) -> Table:
    """Return the share that is safe without each limit, the one that decides most first.

    Limits that are broken nowhere have no row; a note names every limit that decides nothing.

    Parameters
    ----------
    first : tuple of str
        Titles of the columns that say whose share it is.
    found : iterable of (tuple of str, Dataset)
        Their cells, and one set of limits as `each_limit` gives it.
    """
    columns = [
        *first,
        "limit",
        Column("safe with every limit", SHARE, interval=True),
        Column("safe without this one", SHARE),
        Column("decided by it alone", SHARE, interval=True),
        Column("broken", SHARE),
        Column("broken most", SHARE),
        Column("broken and no other", SHARE),
    ]
    rows: list[tuple[Cell, ...]] = []
    notes = []
    for names, one in found:
        safe = triple(float(one["safe_share"]), one["safe_share_interval"].values)
        for bound in _bounds(one, "gained_share"):
            if not _matters(bound):
                continue
            rows.append(
                (
                    *names,
                    str(bound["limit"].values),
                    safe,
                    float(bound["without_share"]),
                    triple(float(bound["gained_share"]), bound["gained_share_interval"].values),
                    float(bound["any_broken_share"]),
                    float(bound["broken_share"]),
                    float(bound["alone_share"]),
                )
            )
        notes.append(idle_words(names, one))
    title = "How much each limit decides: the share safe without it"
    return table(title, columns, rows, name="dropped", notes=notes)


def _matters(bound: xr.Dataset) -> bool:
    """Return whether a limit is broken, or alone unknown, in any case."""
    return float(bound["any_broken_share"] + bound["gained_share"]) > 0


def idle_words(names: tuple[str, ...], one: xr.Dataset) -> str:
    """Return which limits decide nothing for some lungs; empty where each decides something."""
    idle = [
        str(bound["limit"].values)
        + (" (broken, but never alone)" if float(bound["any_broken_share"]) > 0 else "")
        for bound in _bounds(one, "any_broken_share")
        if float(bound["gained_share"]) == 0
    ]
    return f"{', '.join(names)}: decides nothing: {'; '.join(idle)}." if idle else ""


def excess_table(first: tuple[str, ...], found: Found) -> Table:
    """Return how far each limit is passed, the one that is broken most often first."""
    columns = [
        *first,
        "limit",
        Column("broken", SHARE),
        Column("without a steady state", SHARE),
        Column("mean distance beyond it", BEYOND),
        Column("worst one in twenty: distance beyond it", BEYOND),
        "unit",
    ]
    rows: list[tuple[Cell, ...]] = []
    for number, (names, one) in enumerate(found):
        if not number:
            past = [float(distance) for distance in one["past"].values]
            columns[-4:-4] = [
                Column(f"by more than {share_text(p)} of its width", SHARE) for p in past
            ]
        for bound in _bounds(one, "any_broken_share"):
            width = float(bound["width"])
            rows.append(
                (
                    *names,
                    str(bound["limit"].values),
                    float(bound["any_broken_share"]),
                    *(float(share) for share in bound["past_share"].values),
                    float(bound["runaway_share"]),
                    float(bound["expected_excess"]) * width,
                    float(bound["worst_excess"]) * width,
                    str(bound["unit"].values),
                )
            )
    title = "How far each limit is passed; below zero is within it"
    return table(title, columns, rows, name="excess")


def range_table(first: tuple[str, ...], found: Found) -> Table:
    """Return the share that is safe with each limit at both ends of its uncertainty.

    Limits whose uncertainty changes no share have no row.
    """
    columns = [
        *first,
        "limit",
        Column("may lie either way by", NUMBER),
        "unit",
        "uncertainty",
        Column("safe with it moved inward", SHARE),
        Column("safe as it is", SHARE),
        Column("safe with it moved outward", SHARE),
        Column("safe, averaged over all", SHARE),
    ]
    rows: list[tuple[Cell, ...]] = []
    for names, one in found:
        safe = float(one["safe_share"])
        if np.isnan(safe):
            continue
        ends = (float(one["all_tight_share"]), safe, float(one["all_loose_share"]))
        rows.append((*names, EVERY, np.nan, "", "", *ends, float(one["averaged_share"])))
        for bound in _bounds(one, "gained_share"):
            stated = "stated" if float(bound["stated"]) else "assumed"
            reach = float(bound["spread"]) * float(bound["width"])
            ends = (float(bound["tight_share"]), safe, float(bound["loose_share"]))
            if len(set(ends)) == 1:
                continue
            unit = str(bound["unit"].values)
            rows.append((*names, str(bound["limit"].values), reach, unit, stated, *ends, np.nan))
    title = "What the limits' uncertainty does to the share that is safe"
    return table(title, columns, rows, name="ranges")


def _bounds(one: xr.Dataset, by: str) -> Iterator[xr.Dataset]:
    """Yield the limits of a set, those with the largest share first."""
    known = one.isel(bound=np.flatnonzero(one["limit"].values.astype(str) != ""))
    for place in np.argsort(-known[by].values, kind="stable"):
        yield known.isel(bound=int(place))
