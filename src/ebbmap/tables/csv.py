"""Tables as CSV: every digit, and no text that a spreadsheet would compute."""

from __future__ import annotations

import csv
import io
import math
from typing import Any

from ebbmap.tables.model import Table

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
    head: list[str] = []
    for column in table.columns:
        head.append(column.head)
        if column.interval:
            head += [f"{column.head}, lower", f"{column.head}, upper"]
        if column.knowledge:
            head += [f"{column.head}, knowledge, lower", f"{column.head}, knowledge, upper"]
    writer.writerow(head)
    for row in table.rows:
        cells: list[Any] = []
        for cell in row:
            cells += cell if isinstance(cell, tuple) else [cell]
        writer.writerow([_plain(cell) for cell in cells])
    return text.getvalue()


def _plain(cell: Any) -> Any:
    """Return a number in full, a text that no spreadsheet computes."""
    if isinstance(cell, float):
        return "" if math.isnan(cell) else repr(cell)
    if isinstance(cell, str):
        # a lone carriage return ends a row for some readers
        cell = cell.replace("\r", " ")
        return f"'{cell}" if cell.lstrip(" ").startswith(FORMULA_STARTS) else cell
    return cell
