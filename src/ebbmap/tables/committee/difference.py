"""The table and the plain data of a comparison of two drafts."""

from __future__ import annotations

from typing import Any

import xarray as xr

from ebbmap.tables.committee.common import groups_of, with_interval
from ebbmap.tables.model import GRADE, SHARE, SIGNED_SHARE, Column, Table, table

#: The two drafts as the dataset and as the table name them.
DRAFTS = {"old": "before", "new": "after"}

#: Shares of lungs, by variable.
SHARES = {
    "gain": "lungs that gain",
    "lose": "lungs that lose",
    "let_in": "let in",
    "left_out": "left out",
}


def difference_table(ds: xr.Dataset) -> Table:
    """Return who gains and who loses between two drafts."""
    columns: list[Column | str] = ["group"]
    for word in DRAFTS.values():
        columns += [Column(f"safe {word}", SHARE), Column(f"grade {word}", GRADE)]
    columns.append(Column("change (95 % interval)", SIGNED_SHARE, interval=True))
    columns += [Column(title, SHARE) for title in SHARES.values()]
    rows = []
    for name in groups_of(ds):
        group = ds.sel(group=name)
        drafts = [group.sel(draft=draft) for draft in DRAFTS]
        rows.append(
            (
                name,
                *(
                    cell
                    for one in drafts
                    for cell in (float(one["safe_share"]), str(one["grade"].values))
                ),
                with_interval(group, "difference"),
                *(float(group[key]) for key in SHARES),
            )
        )
    return table("both drafts on the same lungs", columns, rows)


def difference_document(ds: xr.Dataset) -> dict[str, Any]:
    """Return who gains and who loses as plain data."""
    found = {}
    for name in groups_of(ds):
        group = ds.sel(group=name)
        drafts = {
            word: {
                "safe": float(group["safe_share"].sel(draft=draft)),
                "grade": str(group["grade"].sel(draft=draft).values),
            }
            for draft, word in DRAFTS.items()
        }
        found[name] = {
            **drafts,
            "change": float(group["difference"]),
            "interval": [float(end) for end in group["difference_interval"].values],
            **{key: float(group[key]) for key in SHARES},
        }
    return found
