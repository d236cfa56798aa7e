"""Tables of the verdict on a draft: how it ends, where it fails, and for which lungs."""

from __future__ import annotations

from typing import Any

import xarray as xr

from ebbmap.registries.limits import LimitSet
from ebbmap.registries.parameters import SPONTANEOUS
from ebbmap.tables.committee.common import WHOLE, groups_of, text_of, with_interval
from ebbmap.tables.common import number_cell, number_column
from ebbmap.tables.model import CODE, GRADE, NUMBER, SHARE, STATED_SHARE, Column, Table, table

#: Columns of the verdict that the terminal has room for.
SHORT = (
    "group",
    "grade",
    "wanted",
    "safe, caution included",
    "caution",
    "undetermined",
    "no steady state",
    "lungs with no safe setting",
)


def verdict_table(ds: xr.Dataset) -> Table:
    """Return the verdict on each group and on the whole."""
    columns = [
        "group",
        Column("grade", GRADE),
        Column("wanted", STATED_SHARE),
        Column("safe, caution included", SHARE, interval=True),
        *(Column(verdict, SHARE) for verdict in ds["verdict"].values.astype(str)),
        Column("no steady state", SHARE),
        Column("lungs with no safe setting", SHARE, interval=True),
        Column("lungs safe over the whole range", SHARE, interval=True),
        Column("lungs not given the mode", SHARE),
    ]
    rows = []
    for name in groups_of(ds):
        group = ds.sel(group=name)
        rows.append(
            (
                name,
                text_of(group, "grade"),
                float(group["wanted_share"]),
                with_interval(group, "safe_share"),
                *(float(share) for share in group["verdict_share"].values),
                float(group["unsteady_share"]),
                with_interval(group, "none_share"),
                with_interval(group, "whole_share"),
                float(group["excluded_share"]),
            )
        )
    title = "Verdict: shares of combinations of lung and setting, with 95 % intervals"
    return table(title, columns, rows, name="verdict")


def short_verdict_table(ds: xr.Dataset, limits: LimitSet) -> Table:
    """Return the verdict as the terminal shows it: fewer columns, and the limit that fails most."""
    short = verdict_table(ds).pick(*SHORT)
    fails = [_said(fails_most(ds.sel(group=name)), limits) for name in groups_of(ds)]
    rows = [(*row, name) for row, name in zip(short.rows, fails, strict=True)]
    return table(short.title, [*short.columns, "fails most"], rows, name=short.name)


def _said(bound: str | None, limits: LimitSet) -> str:
    """Return what is wrong when a bound is broken, by the bound's name."""
    return {one.name: one.sentence for one in limits.hard}.get(bound or "", "nothing")


def fails_most(group: xr.Dataset) -> str | None:
    """Return the limit that fails in most combinations of a group; None if none does."""
    broken = group["broken_share"].fillna(0.0)
    worst = int(broken.values.argmax())
    return str(group["bound"].values[worst]) if float(broken[worst]) > 0 else None


def verdict_document(ds: xr.Dataset) -> dict[str, Any]:
    """Return the verdict on each group as plain data."""
    found = {}
    for name in groups_of(ds):
        group = ds.sel(group=name)
        found[name] = {
            "grade": text_of(group, "grade"),
            "wanted": float(group["wanted_share"]),
            "safe": float(group["safe_share"]),
            "interval": [float(end) for end in group["safe_share_interval"].values],
            "unsteady_share": float(group["unsteady_share"]),
            "none_share": float(group["none_share"]),
            "fails_most": fails_most(group),
        }
    return found


def breathing_table(ds: xr.Dataset, limits: LimitSet) -> Table:
    """Return the verdict on each group at every level of own breathing."""
    columns = [
        "group",
        Column("own breathing", NUMBER, "L min-1"),
        Column("grade", GRADE),
        Column("safe, caution included", SHARE, interval=True),
        "fails most",
    ]
    rows = [
        (
            name,
            float(level),
            text_of(one, "grade"),
            with_interval(one, "safe_share"),
            _said(text_of(one, "commonest"), limits),
        )
        for name in groups_of(ds)
        for level in ds[SPONTANEOUS].values
        for one in (ds.sel(group=name, spontaneous_alveolar_ventilation=level),)
    ]
    title = "The verdict at levels of the patient's own breathing, with 95 % intervals"
    return table(title, columns, rows, name="breathing")


def knowledge_table(ds: xr.Dataset) -> Table:
    """Return how far what is not known of the populations could move each share."""
    shown = {
        "safe_share": "safe, caution included",
        "none_share": "lungs with no safe setting",
        "whole_share": "lungs safe over the whole range",
    }
    columns = ["group", *(number_column(ds, name, title, SHARE) for name, title in shown.items())]
    rows = [
        (name, *(number_cell(ds.sel(group=name), share) for share in shown))
        for name in groups_of(ds)
    ]
    title = "Shares with 95 % intervals of the lungs drawn, and of knowledge"
    return table(title, columns, rows, name="knowledge")


def per_lung_table(ds: xr.Dataset) -> Table:
    """Return how much of the range is safe for how many lungs of each group."""
    columns = [
        "group",
        *(
            Column(f"{100.0 * share:.0f} % of lungs have at most", SHARE)
            for share in ds["quantile"].values
        ),
    ]
    rows = [
        (name, *(float(share) for share in ds["range_share"].sel(group=name).values))
        for name in groups_of(ds)
        if name != WHOLE
    ]
    title = "For each lung, the share of the range that is safe for it"
    return table(title, columns, rows, name="per_lung")


def corner_table(ds: xr.Dataset) -> Table:
    """Return the worst corner of the ranges, and the worst lung there."""
    columns = [
        "group",
        "worst corner",
        Column("lungs safe there", SHARE),
        "worst lung there",
        Column("its margin", NUMBER),
        Column("solve it", CODE),
    ]
    rows = []
    for name in groups_of(ds):
        group = ds.sel(group=name)
        if name != WHOLE and text_of(group, "corner_line"):
            rows.append(
                (
                    name,
                    text_of(group, "corner_settings"),
                    float(group["corner_share"]),
                    text_of(group, "corner_failing"),
                    float(group["corner_margin"]),
                    text_of(group, "corner_line"),
                )
            )
    title = "The corner of the ranges that is safe for the fewest lungs"
    return table(title, columns, rows, name="corner")
