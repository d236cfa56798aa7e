"""Tables of the edge of the safe region: its volume, and what finding it cost."""

from __future__ import annotations

from collections.abc import Iterator

import xarray as xr

from ebbmap.registries.parameters import PARAMETERS
from ebbmap.tables.common import by_rule_and_population
from ebbmap.tables.model import COUNT, SHARE, Column, Form, Table, table, triple


def tables(result: xr.Dataset) -> Iterator[Table]:
    """Yield the volume with both intervals, what was solved, and the safest setting."""
    names = [str(n).removeprefix("safest_") for n in result.data_vars if "safest_" in str(n)]
    rows, safest = [], []
    for rule, name, found in by_rule_and_population(result):
        volume = float(found["volume"])
        rows.append(
            (
                rule,
                name,
                triple(volume, found["volume_interval"].values),
                triple(volume, found["volume_lungs_interval"].values),
                float(found["crossed_share"]),
                float(found["misjudged_share"]),
                int(found["solved"]),
                float(found["grid"]),
                "reached" if int(found["complete"]) else "not reached: raise budget",
            )
        )
        safest.append((rule, name, *(float(found[f"safest_{n}"]) for n in names)))
    columns = [
        "rule",
        "population",
        Column("share of the ranges", SHARE, interval=True),
        Column("the same over other lungs", SHARE, interval=True),
        Column("left open at the edge", SHARE),
        Column("misjudged", SHARE),
        Column("settings solved", COUNT),
        Column("of a grid", Form(",.0f")),
        "tolerance",
    ]
    wanted = f"settings that serve {result.attrs['wanted']:.0%} of the lungs"
    yield table(f"{wanted}, {result.attrs['over']}", columns, rows)
    heads = [Column(n, Form(".3g", missing="none"), PARAMETERS[n].units) for n in names]
    yield table("setting with the largest margin", ["rule", "population", *heads], safest)
