"""The table and the plain data of a comparison of two drafts."""

from __future__ import annotations

from typing import Any

import xarray as xr

from ebbmap.committee.difference import MOVED
from ebbmap.digits import share_text
from ebbmap.tables.committee.common import groups_of, with_interval
from ebbmap.tables.model import GRADE, SHARE, STATED_SHARE, Column, Form, Table, table, triple

#: Points of a hundred: whole ones, with their sign.
POINTS = Form("+.0f", 100.0)

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
        columns += [Column(f"safe {word}", STATED_SHARE), Column(f"grade {word}", GRADE)]
    columns.append(Column("change, points (95 % interval)", POINTS, interval=True))
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
                    for cell in (_whole_per_cent(one["same_share"]), str(one["grade"].values))
                ),
                _printed_change(group),
                *(float(group[key]) for key in SHARES),
            )
        )
    notes = [
        "Safe: of lungs that get the mode under both drafts, so that the shares subtract as "
        "printed; who is let in or left out stands by itself. A lung gains or loses where its "
        f"safe share of the settings moves by {share_text(MOVED)} or more."
    ]
    title = "both drafts on the same lungs"
    return table(title, columns, rows, name="difference", notes=notes)


def _whole_per_cent(share: xr.DataArray) -> float:
    return round(float(share), 2)


def _printed_change(group: xr.Dataset) -> tuple[float, float, float]:
    """Return the change of the printed shares, with the interval of the exact one."""
    before, after = (_whole_per_cent(group["same_share"].sel(draft=draft)) for draft in DRAFTS)
    _, low, high = with_interval(group, "difference")
    return triple(round(after - before, 2) + 0.0, (low, high))


def difference_sentences(ds: xr.Dataset) -> list[str]:
    """Return who gains and who loses in every group, and why."""
    return [
        str(ds[f"{word}_sentence"].sel(group=name).values)
        for name in groups_of(ds)
        for word in ("gain", "lose")
    ]


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
            "gains": str(group["gain_sentence"].values),
            "loses": str(group["lose_sentence"].values),
            "interval": [float(end) for end in group["difference_interval"].values],
            **{key: float(group[key]) for key in SHARES},
        }
    return found
