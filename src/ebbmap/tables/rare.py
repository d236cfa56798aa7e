"""Tables of rare harm: how often a limit is broken, and which lungs break it."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import xarray as xr

from ebbmap.tables.common import by_rule_and_population, shown_places
from ebbmap.tables.model import COUNT, Column, Form, Table, table, triple

#: A property is named from so many SD between harmed and all lungs on.
NAMED_ABOVE = 0.5

_RARE = Form(".3g", 100.0, " %", missing="not known")


def tables(result: xr.Dataset) -> Iterator[Table]:
    """Yield the share at three places, what it cost, and how lungs differ where harm occurs."""
    along, places = shown_places(result)
    rows = []
    for rule, name, found in by_rule_and_population(result):
        for place in places:
            own = found.sel({along: place})
            rows.append(
                (
                    rule,
                    name,
                    place,
                    triple(float(own["harm_share"]), own["harm_share_interval"].values),
                    float(own["undetermined_share"]),
                    int(own["cases"]),
                    float(own["plain_cases"]),
                    _harmed(own),
                )
            )
    columns = [
        "rule",
        "population",
        Column(along, Form(".3g")),
        Column("lungs that break a limit", _RARE, interval=True),
        Column("undetermined", _RARE),
        Column("cases solved", COUNT),
        Column("by counting", Form(",.0f", missing="not known")),
        "harmed lungs, SD from the mean",
    ]
    notes = [
        f"{result.attrs['replicates']} replicates of {result.attrs['level_cases']:,} cases a "
        "level; by counting: lungs that counting would need for the same error."
    ]
    if bool(result["harm_share_interval"].isnull().any()):
        notes.append(
            "Where there is no interval, few of the replicates found what the share rests on: ask "
            "for more cases a level."
        )
    yield table(result.attrs["title"], columns, rows, notes=notes)


def _harmed(own: xr.Dataset) -> str:
    """Return the properties that differ most where harm occurs."""
    scores = own["score_given_harm"].to_series().dropna()
    scores = scores[scores.abs() > NAMED_ABOVE].sort_values(key=np.abs, ascending=False)
    return "\n".join(f"{name} {value:+.1f}" for name, value in scores.items()) or "none"
