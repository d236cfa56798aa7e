"""Tables of boxes of properties that hold the unsafe cases."""

from __future__ import annotations

from collections.abc import Iterator

import xarray as xr

from ebbmap.analyses.common.events import event_words
from ebbmap.tables.common import by_rule_and_population
from ebbmap.tables.model import SHARE, Column, Table, table


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
