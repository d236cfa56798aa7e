"""The pictures of a report, drawn and packed into the page."""

from __future__ import annotations

import base64
import io
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from ebbmap.committee.check import Check
from ebbmap.digits import share_text
from ebbmap.plotting.committee import (
    drivers_figure,
    map_figure,
    served_figure,
    trade_off_figure,
    verdict_figure,
    ways_figure,
)
from ebbmap.plotting.intervals import without_interval
from ebbmap.report.advice import advice_lines
from ebbmap.report.sentences import lead, shares_text, ways_text
from ebbmap.tables.model import Table

#: Dots per inch of the pictures on the page.
DPI = 120

#: Columns of the table of windows that the text of its picture repeats.
WINDOW_COLUMNS = ("group", "best T low", "other lungs it serves")


@dataclass(frozen=True)
class Picture:
    """A picture on the page: its data, alternative text, caption and size.

    One that could not be drawn has no data; its caption says so.
    """

    source: str
    text: str
    caption: str
    width: int
    height: int


def pictures_of(check: Check, tables: dict[str, Table]) -> dict[str, Picture]:
    """Draw every picture that the results allow, by its place on the page."""
    results = check.results
    makers = {
        "verdict": lambda: picture(
            verdict_figure(results["verdict"]),
            f"Bars of the verdicts. {lead(check)} {shares_text(check)}",
            "Share of combinations with each verdict; the upright tick is what is wanted.",
        ),
        "trade_off": lambda: picture(
            trade_off_figure(results["boxes"]),
            "Size of the largest box against the share of lungs it serves. "
            + " ".join(advice_lines(check)),
            "The more lungs a box has to serve, the smaller it gets (search sample).",
        ),
        "ways": lambda: picture(
            ways_figure(results["ways"]),
            f"Share of lungs served by each way of choosing T low. {ways_text(check)}",
            "Share of lungs served against the error of the time constant, 95 % intervals.",
        ),
        "served": lambda: picture(
            served_figure(results["windows"]),
            "Share of lungs in whose release window a T low lies. "
            + _rows_text(tables["windows"].pick(*WINDOW_COLUMNS)),
            "Curves with 95 % intervals; marks: best T low of each group.",
        ),
    }
    if "map" in results:
        makers["map"] = lambda: _mappicture(check)
    if "drivers" in results:
        makers["drivers"] = lambda: _driverpicture(check)
    return {name: drawn_or_said(name, make) for name, make in makers.items()}


def drawn_or_said(name: str, make: Callable[[], Picture]) -> Picture:
    """Return a picture, or the sentence that it could not be drawn: it costs nothing else.

    Examples
    --------
    >>> drawn_or_said("map", lambda: 1 / 0).caption[:47]
    'The picture "map" could not be drawn (ZeroDivis'
    """
    try:
        return make()
    except Exception as error:
        what = f"{type(error).__name__}: {error}".removesuffix(".")
        said = (
            f'The picture "{name.replace("_", " ")}" could not be drawn ({what}). '
            "No number hangs on it: they are in the tables."
        )
        return Picture("", said, said, 0, 0)


def _mappicture(check: Check) -> Picture:
    ds = check.results["map"]
    y, x = (str(dim) for dim in ds["safe_share"].dims[1:])
    spans = check.protocol.draft.spans
    ranges = {name: (spans[name].low, spans[name].high) for name in (x, y)}
    best = ", ".join(
        f"{name} {share_text(float(ds['safe_share'].sel(group=name).max()))}"
        for name in ds["group"].values.astype(str)
    )
    words = f"{ds[x].attrs['long_name']} and {ds[y].attrs['long_name']}"
    return picture(
        map_figure(ds, ranges),
        f"Maps of the share of safe lungs over {words}, and of the limit broken most often "
        f"elsewhere. Largest share: {best}.",
        f"Over {words}, the other settings half-way; dashed: the draft. Upper row: share of "
        "safe lungs, the line is one half. Lower row: what fails most.",
    )


def _driverpicture(check: Check) -> Picture:
    figure = drivers_figure(check.results["drivers"])
    return picture(
        figure,
        "Total Sobol indices of the safety margin along T low; the numbers are in the table.",
        "Share of the margin's variance that goes through each property or setting."
        + without_interval(figure.axes),
    )


def picture(figure: Any, text: str, caption: str) -> Picture:
    """Return a figure packed into the page, with its alternative text and its caption."""
    data = io.BytesIO()
    figure.savefig(data, format="png", dpi=DPI, metadata={"Software": None}, facecolor="white")
    width, height = (round(side * DPI) for side in figure.get_size_inches())
    encoded = base64.b64encode(data.getvalue()).decode("ascii")
    return Picture(f"data:image/png;base64,{encoded}", text, caption, width, height)


def _rows_text(table: Table) -> str:
    """Return the rows of a table as sentences."""
    heads = [column.head for column in table.columns]
    return " ".join(
        ", ".join(f"{head} {cell}" for head, cell in zip(heads, row, strict=True)) + "."
        for row in table.written()
    )
