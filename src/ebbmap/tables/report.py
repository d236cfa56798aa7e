"""The tables of a report, once: the page and the CSV files are written from them."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import xarray as xr

from ebbmap.committee.boxes import SCOPES
from ebbmap.committee.check import Check
from ebbmap.committee.difference import say_eligible, say_setting
from ebbmap.committee.draft import SETTINGS
from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.units import display

#: A group of lungs that a bound fails for in fewer cases than this is not listed on the page.
LISTED_FROM = 0.001

#: A spreadsheet computes a text that begins so, wide forms included; an apostrophe before it makes
#: it a text. Numbers are no texts here: -1 stays -1.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\n", "＝", "＋", "－", "＠")

#: Signs that tell the grades apart without colour.
SIGNS = {"safe": "●", "caution": "◐", "unsafe": "✕", "undetermined": "?", "excluded": "–"}


#: Format, factor and unit of the numbers of a kind of column.
FORMS = {"index": (".2f", 1.0, ""), "number": (".3g", 1.0, ""), "share": (".1f", 100.0, " %")}


@dataclass(frozen=True)
class Column:
    """A column of a table.

    Parameters
    ----------
    title : str
        Its head.
    kind : {"text", "share", "number", "index", "grade", "code"}
        How a cell is shown; a share is 0 to 1 in files and per cent on the page; an index has two
        decimals.
    interval : bool
        Cells are (value, lower, upper).
    """

    title: str
    kind: Literal["text", "share", "number", "index", "grade", "code"] = "text"
    interval: bool = False


@dataclass(frozen=True)
class Table:
    """A table of the report.

    Parameters
    ----------
    name : str
        Stem of its CSV file, and its place on the page.
    caption : str
        What it says.
    columns : tuple of Column
        The first one heads the rows.
    rows : tuple of tuple
        Cells as the columns say.
    """

    name: str
    caption: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Any, ...], ...]

    def csv(self) -> str:
        """Return the table as CSV text: every digit, and no text that a spreadsheet computes."""
        text = io.StringIO()
        writer = csv.writer(text, lineterminator="\n")
        head: list[str] = []
        for column in self.columns:
            head += [column.title]
            head += [f"{column.title}, lower", f"{column.title}, upper"] if column.interval else []
        writer.writerow(head)
        for row in self.rows:
            cells: list[Any] = []
            for column, cell in zip(self.columns, row, strict=True):
                cells += list(cell) if column.interval else [cell]
            writer.writerow([_plain(cell) for cell in cells])
        return text.getvalue()

    def shown(self) -> list[list[str]]:
        """Return the cells as the page shows them."""
        return [
            [show(column, cell) for column, cell in zip(self.columns, row, strict=True)]
            for row in self.rows
        ]


def show(column: Column, cell: Any) -> str:
    """Say one cell.

    Examples
    --------
    >>> show(Column("share", "share", interval=True), (0.5, 0.45, 0.55))
    '50.0 % (45.0 to 55.0)'
    >>> show(Column("number", "number"), float("nan"))
    '–'
    """
    if column.kind in ("text", "code"):
        return str(cell)
    if column.kind == "grade":
        return f"{SIGNS.get(str(cell), '')} {cell}".strip()
    value, *ends = cell if column.interval else (cell,)
    if not np.isfinite(value):
        return "–"
    form, factor, unit = FORMS[column.kind]
    said = f"{value * factor:{form}}{unit}"
    if not ends:
        return said
    if not np.isfinite(ends).all():
        return f"{said} (no interval)"
    return f"{said} ({ends[0] * factor:{form}} to {ends[1] * factor:{form}})"


def tables_of(check: Check) -> dict[str, Table]:
    """Return every table of a report by name, in the order of the page."""
    made = (
        _draft(check),
        _verdict(check),
        _per_lung(check),
        _failing(check),
        _corner(check),
        _boxes(check),
        _defaults(check),
        _trade(check),
        _ways(check),
        _windows(check),
        _overlap(check),
        _parting(check),
        *_drivers(check),
        _limits(check),
        _populations(check),
    )
    return {table.name: table for table in made}


def _draft(check: Check) -> Table:
    protocol = check.protocol
    rows = [(PARAMETERS[name].long_name, say_setting(protocol.draft, name)) for name in SETTINGS]
    rows.append(("who gets the mode", say_eligible(protocol)))
    for name, value in protocol.fixed.items():
        rows.append((PARAMETERS[name].long_name, PARAMETERS[name].say(float(value))))
    rows.append(("lung model", protocol.lung.long_name))
    columns = (Column("setting"), Column("draft"))
    return Table("draft", "The draft", columns, tuple(rows))


def _verdict(check: Check) -> Table:
    ds = check.results["verdict"]
    columns = (
        Column("group"),
        Column("grade", "grade"),
        Column("wanted", "share"),
        Column("safe, caution included", "share", True),
        Column("safe", "share"),
        Column("caution", "share"),
        Column("unsafe", "share"),
        Column("undetermined", "share"),
        Column("lungs with no safe setting", "share", True),
        Column("lungs safe over the whole range", "share", True),
        Column("lungs not given the mode", "share"),
    )
    rows = []
    for name in _groups(ds):
        one = ds.sel(group=name)
        rows.append(
            (
                name,
                str(one["grade"].values),
                float(one["wanted_share"]),
                _triple(one, "safe_share"),
                *(float(x) for x in one["verdict_share"].values),
                _triple(one, "none_share"),
                _triple(one, "whole_share"),
                float(one["excluded_share"]),
            )
        )
    return Table(
        "verdict",
        "Verdict: shares of lung and setting combinations, with 95 % intervals",
        columns,
        tuple(rows),
    )


def _per_lung(check: Check) -> Table:
    ds = check.results["verdict"]
    columns = (
        Column("group"),
        *(
            Column(f"{q:.0%} of lungs have at most".replace("%", " %"), "share")
            for q in ds["quantile"].values
        ),
    )
    rows = [
        (name, *(float(x) for x in ds["range_share"].sel(group=name).values))
        for name in _groups(ds)
        if name != "all"
    ]
    return Table(
        "per_lung",
        "For each lung, the share of the range that is safe for it",
        columns,
        tuple(rows),
    )


def _failing(check: Check) -> Table:
    ds = check.results["verdict"]
    columns = (
        Column("group"),
        Column("limit that fails most"),
        Column("combinations", "share"),
        Column("typical distance beyond it", "number"),
        Column("unit"),
    )
    rows = []
    for name in _groups(ds):
        one = ds.sel(group=name)
        order = np.argsort(-np.nan_to_num(one["broken_share"].values), kind="stable")
        for at in order:
            bound = check.protocol.limits.hard[int(at)]
            share = float(one["broken_share"][at])
            if share >= LISTED_FROM:
                unit = display(OUTCOMES[bound.outcome].units)
                rows.append(
                    (name, bound.sentence, share, float(one["shortfall"][at]) * bound.width, unit)
                )
    return Table(
        "failing",
        "Which limit fails, on which side, and how badly (middle of the unsafe combinations)",
        columns,
        tuple(rows),
    )


def _corner(check: Check) -> Table:
    ds = check.results["verdict"]
    columns = (
        Column("group"),
        Column("worst corner"),
        Column("lungs safe there", "share"),
        Column("worst lung there"),
        Column("its margin", "number"),
        Column("solve it", "code"),
    )
    rows = [
        (
            name,
            *(_text(ds, key, name) for key in ("corner_settings",)),
            float(ds["corner_share"].sel(group=name)),
            _text(ds, "corner_failing", name),
            float(ds["corner_margin"].sel(group=name)),
            _text(ds, "corner_line", name),
        )
        for name in _groups(ds)
        if name != "all" and _text(ds, "corner_line", name)
    ]
    return Table(
        "corner", "The corner of the ranges that is safe for the fewest lungs", columns, tuple(rows)
    )


def _boxes(check: Check) -> Table:
    ds = check.results["boxes"]
    names = [str(name) for name in ds["parameter"].values]
    columns = (
        Column("group"),
        Column("searched"),
        Column("certificate", "grade"),
        Column("fresh lungs served", "share", True),
        *(Column(_head(name)) for name in names),
        Column("what would hold"),
    )
    rows = []
    for group in _groups(ds):
        for scope in SCOPES:
            one = ds.sel(group=group, scope=scope)
            ends = one["box"].values
            verdict = str(one["box_verdict"].values)
            exists = np.isfinite(ends).all()
            rows.append(
                (
                    group,
                    scope,
                    verdict,
                    _triple(one, "certified_share"),
                    *((_range(*pair) if exists else "no box") for pair in ends),
                    _text(ds, "needs", group) if scope == SCOPES[0] else "",
                )
            )
    return Table(
        "boxes",
        "Largest box of settings all of which are safe for the wanted share of lungs",
        columns,
        tuple(rows),
    )


def _defaults(check: Check) -> Table:
    ds = check.results["boxes"]
    names = [str(name) for name in ds["parameter"].values]
    columns = (
        Column("group"),
        Column("searched"),
        *(Column(_head(n), "number") for n in names),
        Column("certificate", "grade"),
        Column("fresh lungs safe", "share", True),
        Column("margin that the wanted share keeps", "number"),
        Column("lungs with a safe setting of their own", "share", True),
    )
    rows = [
        (
            group,
            scope,
            *(float(x) for x in one["default"].values),
            str(one["default_verdict"].values),
            _triple(one, "default_share"),
            float(one["default_margin"]),
            _triple(one, "own_setting_share"),
        )
        for group in _groups(ds)
        for scope in SCOPES
        for one in (ds.sel(group=group, scope=scope),)
    ]
    return Table(
        "defaults",
        "Recommended single default: the setting at which the wanted share of lungs "
        "keeps the largest margin; where its certificate fails, no single setting is recommended",
        columns,
        tuple(rows),
    )


def _trade(check: Check) -> Table:
    ds = check.results["boxes"]
    columns = (
        Column("lungs served", "share"),
        *(Column(f"{group}, {scope}", "share") for group in _groups(ds) for scope in SCOPES),
    )
    rows = [
        (
            float(served),
            *(
                float(ds["trade_off"].sel(group=g, scope=s, served=served))
                for g in _groups(ds)
                for s in SCOPES
            ),
        )
        for served in ds["served"].values
    ]
    return Table(
        "trade_off",
        "Size of the largest box (share of the searched ranges) against the "
        "share of lungs it serves",
        columns,
        tuple(rows),
    )


def _ways(check: Check) -> Table:
    ds = check.results["ways"]
    errors = ds["error"].values
    columns = (
        Column("group"),
        Column("way of choosing T low"),
        Column("target", "number"),
        *(Column(f"error {e:.0%}".replace("%", " %"), "share", True) for e in errors),
    )
    rows = [
        (
            group,
            way,
            float(ds["target"].sel(group=group, way=way)[0]),
            *(_triple(ds.sel(group=group, way=way, error=e), "served_share") for e in errors),
        )
        for group in _groups(ds)
        for way in ds["way"].values.astype(str)
    ]
    return Table(
        "ways",
        "Share of lungs served by each way of choosing T low, by the relative error of the "
        "measured time constant; target: T low [s], multiple or ratio chosen without error",
        columns,
        tuple(rows),
    )


def _windows(check: Check) -> Table:
    ds = check.results["windows"]
    columns = (
        Column("group"),
        Column("lungs with a window", "share"),
        Column("width, lower quartile [s]", "number"),
        Column("width, median [s]", "number"),
        Column("width, upper quartile [s]", "number"),
        Column("best T low [s]", "number", True),
        Column("other lungs it serves", "share", True),
        Column("undetermined whether they have a window", "share"),
    )
    rows = []
    for name in _groups(ds):
        one = ds.sel(group=name)
        widths = (
            [float(x) for x in ds["width"].sel(population=name).values]
            if name in ds["population"].values.astype(str)
            else [np.nan] * ds.sizes["quantile"]
        )
        rows.append(
            (
                name,
                float(one["window_share"]),
                *widths,
                _triple(one, "best_t_low"),
                _triple(one, "best_served_share"),
                float(one["window_undetermined_share"]),
            )
        )
    return Table(
        "windows",
        "Release windows, other settings half-way through the draft",
        columns,
        tuple(rows),
    )


def _overlap(check: Check) -> Table:
    ds = check.results["windows"]
    names = ds["population"].values.astype(str)
    columns = (Column("group"), *(Column(f"with {name}", "share") for name in names))
    rows = [
        (name, *(float(x) for x in ds["overlap"].sel(population=name).values)) for name in names
    ]
    return Table(
        "overlap", "Share of pairs of lungs whose release windows overlap", columns, tuple(rows)
    )


def _parting(check: Check) -> Table:
    ds = check.results["parting"]
    columns = (
        Column("group"),
        Column("property"),
        Column("distance, 0 to 1", "index"),
        Column("median, lungs served", "number"),
        Column("median, other lungs", "number"),
        Column("unit"),
    )
    rows = []
    for group in _groups(ds):
        one = ds.sel(group=group)
        for at in np.argsort(-np.nan_to_num(one["gap"].values), kind="stable"):
            entry = PARAMETERS[str(one["property"].values[at])]
            if np.isfinite(one["gap"][at]):
                rows.append(
                    (
                        group,
                        entry.long_name,
                        float(one["gap"][at]),
                        float(one["served_median"][at]),
                        float(one["other_median"][at]),
                        display(entry.units),
                    )
                )
    return Table(
        "parting",
        "What parts lungs with at least half of the range safe from the others",
        columns,
        tuple(rows),
    )


def _drivers(check: Check) -> Iterator[Table]:
    ds = check.results.get("drivers")
    if ds is None:
        return
    along = next(
        str(d) for d in ds["total"].dims if d not in ("population", "outcome", "parameter")
    )
    names = [str(name) for name in ds["parameter"].values]
    columns = (
        Column("group"),
        Column(_head(along), "number"),
        *(Column(PARAMETERS[name].long_name, "index", True) for name in names),
    )
    rows = []
    for group in ds["population"].values.astype(str):
        for place in ds[along].values:
            one = ds.sel({"population": group, along: place}).isel(outcome=0)
            rows.append(
                (
                    group,
                    float(place),
                    *(
                        (
                            float(one["total"].sel(parameter=p)),
                            *(float(x) for x in one["total_interval"].sel(parameter=p).values),
                        )
                        for p in names
                    ),
                )
            )
    yield Table("drivers", "Total Sobol indices of the safety margin", columns, tuple(rows))


def _limits(check: Check) -> Table:
    columns = (Column("outcome"), Column("must not be"), Column("severity"), Column("source"))
    limits = check.protocol.limits
    rows = [
        (
            OUTCOMES[b.outcome].long_name,
            f"{'below' if b.side == 'low' else 'above'} {b.value:g} "
            f"{display(OUTCOMES[b.outcome].units)}".rstrip(),
            b.severity,
            b.why,
        )
        for b in (*limits.hard, *limits.caution)
    ]
    return Table("limits", f"Limits: {limits.long_name}", columns, tuple(rows))


def _populations(check: Check) -> Table:
    columns = (
        Column("group"),
        Column("weight", "share"),
        Column("property"),
        Column("distribution"),
        Column("confirmed"),
        Column("source"),
    )
    needed = check.protocol.properties
    rows = [
        (
            group.name,
            group.weight,
            PARAMETERS[name].long_name,
            f"{m.family} {m.centre:.4g}, {m.spread:.3g} {display(PARAMETERS[name].units)}".rstrip(),
            m.confirmed,
            m.source,
        )
        for group in check.protocol.groups
        for name, m in group.population.marginals.items()
        if name in needed
    ]
    return Table(
        "populations", "Invented lungs: distributions and their sources", columns, tuple(rows)
    )


def _groups(ds: xr.Dataset) -> list[str]:
    return [str(name) for name in ds["group"].values]


def _text(ds: xr.Dataset, key: str, group: str) -> str:
    return str(ds[key].sel(group=group).values)


def _triple(one: xr.Dataset, key: str) -> tuple[float, float, float]:
    low, high = one[f"{key}_interval"].values
    return float(one[key]), float(low), float(high)


def _range(low: float, high: float) -> str:
    return f"{low:.3g}" if low == high else f"{low:.3g} to {high:.3g}"


def _head(name: str) -> str:
    return PARAMETERS[name].label


def _plain(cell: Any) -> Any:
    """Return a cell as CSV holds it: numbers in full, texts that no spreadsheet computes."""
    if isinstance(cell, float):
        return "" if np.isnan(cell) else repr(cell)
    if isinstance(cell, str):
        # a lone carriage return ends a row for some readers
        cell = cell.replace("\r", " ")
        return f"'{cell}" if cell.lstrip(" ").startswith(FORMULA_STARTS) else cell
    return cell
