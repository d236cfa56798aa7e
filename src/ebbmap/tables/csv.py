"""Tables as CSV: every digit, and no text that a spreadsheet would compute."""

from __future__ import annotations

import csv
import io
import math
from typing import Any

from ebbmap.tables.model import Cell, Table

#: A spreadsheet computes a text that begins so, wide forms included; an apostrophe before it makes
#: it a text. Numbers are no texts here: -1 stays -1.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\n", "＝", "＋", "－", "＠")


def to_csv(table: Table) -> str:
    """Return a table as CSV text; each interval takes two columns more.

    Examples
    --------
    >>> from ebbmap.tables.model import SHARE, Column, table
    >>> print(to_csv(table("", ["lung", Column("share", SHARE)], [("=1", 0.25)])), end="")
    lung,share
    '=1,0.25
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(heads_of(table))
    for row in table.rows:
        writer.writerow([_plain(cell) for cell in spread_out(table, row)])
    return text.getvalue()


def heads_of(table: Table) -> list[str]:
    """Return the head of every column of plain cells: an interval has two columns more."""
    heads: list[str] = []
    for column in table.columns:
        heads.append(column.head)
        if column.interval:
            heads += [f"{column.head}, lower", f"{column.head}, upper"]
        if column.knowledge:
            heads += [f"{column.head}, knowledge, lower", f"{column.head}, knowledge, upper"]
    return heads


def spread_out(table: Table, row: tuple[Cell, ...]) -> list[Any]:
    """Return the cells of a row, each number of an interval by itself, as `heads_of` names them."""
    cells: list[Any] = []
    for column, cell in zip(table.columns, row, strict=True):
        numbers = list(cell) if isinstance(cell, tuple) else [cell]
        width = 1 + 2 * column.interval + 2 * column.knowledge
        cells += [*numbers, *[None] * (width - len(numbers))]
    return cells


def harmless(text: str) -> str:
    """Return a text that no spreadsheet computes.

    Examples
    --------
    >>> harmless("=1+1"), harmless("a"), harmless("")
    ("'=1+1", 'a', '')
    """
    # a lone carriage return ends a row for some readers
    text = text.replace("\r", " ")
    return f"'{text}" if text.lstrip(" ").startswith(FORMULA_STARTS) else text


def _plain(cell: Any) -> Any:
    """Return a number in full, a text that no spreadsheet computes."""
    if isinstance(cell, float):
        return "" if math.isnan(cell) else repr(cell)
    return harmless(cell) if isinstance(cell, str) else cell
