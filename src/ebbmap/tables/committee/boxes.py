"""Tables of what would hold: boxes of settings, and single settings."""

from __future__ import annotations

import numpy as np
import xarray as xr

from ebbmap.committee.boxes import SCOPES
from ebbmap.registries.bedside import CHOICES, say_range, say_value
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.tables.committee.common import groups_of, text_of, with_interval
from ebbmap.tables.model import GRADE, NUMBER, SHARE, TEXT, Column, Form, Table, table


def _setting_columns(ds: xr.Dataset, form: Form) -> list[Column]:
    entries = [PARAMETERS[str(name)] for name in ds["parameter"].values]
    forms = [TEXT if entry.name in CHOICES else form for entry in entries]
    return [Column(e.long_name, one, e.units) for e, one in zip(entries, forms, strict=True)]


def _default(name: str, value: float) -> float | str:
    """Return a number, or the words of a choice."""
    return say_value(name, value) if name in CHOICES and np.isfinite(value) else value


def box_table(ds: xr.Dataset) -> Table:
    """Return the largest box of each group, within the draft and within the usual ranges."""
    columns = [
        "group",
        "searched",
        Column("certificate", GRADE),
        Column("fresh lungs served", SHARE, interval=True),
        *_setting_columns(ds, TEXT),
        "what would hold",
    ]
    rows = []
    for group in groups_of(ds):
        for scope in SCOPES:
            found = ds.sel(group=group, scope=scope)
            box = found["box"].values
            exists = np.isfinite(box).all()
            rows.append(
                (
                    group,
                    scope,
                    text_of(found, "box_verdict"),
                    with_interval(found, "certified_share"),
                    *(
                        say_range(str(name), *ends) if exists else "no box"
                        for name, ends in zip(ds["parameter"].values, box, strict=True)
                    ),
                    text_of(found, "needs") if scope == SCOPES[0] else "",
                )
            )
    title = "Largest box of settings all of which are safe for the wanted share of lungs"
    return table(title, columns, rows, name="boxes")


def default_table(ds: xr.Dataset) -> Table:
    """Return the single setting that suits most lungs of each group."""
    columns = [
        "group",
        "searched",
        *_setting_columns(ds, NUMBER),
        Column("certificate", GRADE),
        Column("fresh lungs safe", SHARE, interval=True),
        Column("margin that the wanted share keeps, in widths of a limit", NUMBER),
        Column("lungs with a safe setting of their own", SHARE, interval=True),
    ]
    rows = []
    for group in groups_of(ds):
        for scope in SCOPES:
            found = ds.sel(group=group, scope=scope)
            rows.append(
                (
                    group,
                    scope,
                    *(
                        _default(str(name), float(value))
                        for name, value in zip(
                            ds["parameter"].values, found["default"].values, strict=True
                        )
                    ),
                    text_of(found, "default_verdict"),
                    with_interval(found, "default_share"),
                    float(found["default_margin"]),
                    with_interval(found, "own_setting_share"),
                )
            )
    title = (
        "The single combination at which the wanted share of lungs keeps the largest margin, in "
        "steps of the bedside; where its certificate fails, no single one serves enough"
    )
    return table(title, columns, rows, name="defaults")


def trade_off_table(ds: xr.Dataset) -> Table:
    """Return how large a box can be that serves a share of lungs."""
    places = [(group, scope) for group in groups_of(ds) for scope in SCOPES]
    columns = [
        Column("lungs served", SHARE),
        *(Column(f"{group}, {scope}", SHARE) for group, scope in places),
    ]
    sizes = ds["trade_off"]
    rows = [
        (
            float(served),
            *(float(sizes.sel(group=g, scope=s, served=served)) for g, s in places),
        )
        for served in ds["served"].values
    ]
    title = (
        "Size of the largest box (share of the searched ranges) against the "
        "share of lungs it serves"
    )
    return table(title, columns, rows, name="trade_off")
