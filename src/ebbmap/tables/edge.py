"""Tables of the edge of the safe region: its volume, and what finding it cost."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import xarray as xr

from ebbmap.digits import share_text
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.tables.common import by_rule_and_population
from ebbmap.tables.model import COUNT, SHARE, Column, Form, Table, table, triple
from ebbmap.units import bracketed


def tables(result: xr.Dataset) -> Iterator[Table]:
    """Yield the volume with both intervals, what was solved, the safest setting and a box."""
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
    wanted = f"settings that serve {share_text(result.attrs['wanted'])} of the lungs"
    yield table(f"{wanted}, {result.attrs['over']}", columns, rows)
    heads = [Column(n, Form(".3g", missing="none"), PARAMETERS[n].units) for n in names]
    yield table("setting with the largest margin", ["rule", "population", *heads], safest)
    yield _box_table(result, names)


def _box_table(result: xr.Dataset, names: list[str]) -> Table:
    """Return the largest box inside the region, and how it fares with other lungs."""
    rows = []
    for rule, name, found in by_rule_and_population(result):
        ends = (found[f"box_{n}"].values for n in names)
        texts = ("none" if np.isnan(e).any() else f"{e[0]:.3g} to {e[1]:.3g}" for e in ends)
        shares = (
            triple(float(found[share]), found[f"{share}_interval"].values)
            for share in ("box_served", "box_lungs")
        )
        volumes = float(found["box_volume"]), float(found["box_most"])
        rows.append((rule, name, *texts, *volumes, *shares))
    columns = [
        "rule",
        "population",
        *(bracketed(n, PARAMETERS[n].units) for n in names),
        Column("share of the ranges", Form(".2%")),
        Column("no box exceeds", Form(".2%")),
        Column("settings in it that serve enough other lungs", SHARE, interval=True),
        Column("other lungs that none of these harms", SHARE, interval=True),
    ]
    return table("largest box inside the region", columns, rows)
