"""Tables of boxes of properties that hold the unsafe cases."""

from __future__ import annotations

from collections.abc import Iterator

import xarray as xr

from ebbmap.analyses.common.events import event_words
from ebbmap.tables.common import by_rule_and_population
from ebbmap.tables.model import COUNT, HUNDREDTHS, SHARE, Cell, Column, Form, Table, table


def tables(result: xr.Dataset) -> Iterator[Table]:
    """Yield the box of each event, and how dense it is in cases that it was not sought on."""
    along = str(result.attrs["along"])
    rows = []
    for rule, name, found in by_rule_and_population(result):
        for event in found["event"].values.astype(str):
            own = found.sel(event=event)
            low, high = own["density_interval"].values
            rows.append(
                (
                    rule,
                    name,
                    event_words(event, along),
                    float(own["share"]),
                    own["sentence"].item(),
                    f"{low:.2f} to {high:.2f}",
                )
            )
    columns = [
        "rule",
        "population",
        "event",
        Column("share of all cases", SHARE),
        "box",
        "density on other cases",
    ]
    yield table(f"boxes that hold the unsafe cases, {result.attrs['tried']}", columns, rows)
    several = [row for one in by_rule_and_population(result) for row in _sequence(*one, along)]
    if several:
        columns = [
            *("rule", "population", "event"),
            Column("box", COUNT),
            "where",
            Column("coverage so far", SHARE),
            Column("density so far", HUNDREDTHS),
            Column("largest quasi-p of its edges", Form(".1g")),
        ]
        note = (
            "quasi-p: chance of as many events without the edge, on the cases that it was fitted "
            "to, and so too small: a large one says that the edge is not needed"
        )
        yield table("boxes that cover an event together", columns, several, notes=[note])


def _sequence(rule: str, name: str, found: xr.Dataset, along: str) -> Iterator[tuple[Cell, ...]]:
    """Yield a row for each box, where an event took more than one."""
    for event in found["event"].values.astype(str).tolist():
        own = found.sel(event=event)
        boxes = int(own["cover_coverage"].notnull().sum())
        for number in range(boxes if boxes > 1 else 0):
            one = own.isel(box=number)
            yield (
                rule,
                name,
                event_words(event, along),
                number + 1,
                str(one["cover_sentence"].item()),
                float(one["cover_coverage"]),
                float(one["cover_density"]),
                float(one["quasi_p"].max()),
            )
