"""Tables as one workbook: an index, and a sheet for each table, with numbers that are numbers."""

from __future__ import annotations

import io
import math
import re
import zipfile
from collections.abc import Iterable, Mapping
from importlib.util import find_spec
from typing import Any

from ebbmap.caution import CAUTION
from ebbmap.tables.csv import harmless, heads_of, spread_out
from ebbmap.tables.model import Column, Table

#: Letters of the longest name of a sheet, and characters of a cell.
LONGEST_NAME, LONGEST_TEXT = 31, 32_000

#: Widest column, in letters.
WIDEST = 60

#: When a workbook says that it was made: always the same, so that equal tables are equal files.
MADE = (1980, 1, 1, 0, 0, 0)

#: Characters that a workbook cannot hold.
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")
_NOT_IN_A_NAME = re.compile(r"[\\/*?:\[\]]")
_TIMES = re.compile(rb"(<dcterms:(created|modified)[^>]*>)[^<]*(<)")


def can_write_workbooks() -> bool:
    """Return whether the package that writes workbooks (extra `spreadsheet`) is installed."""
    return find_spec("openpyxl") is not None


def to_workbook(tables: Mapping[str, Table], title: str) -> bytes:
    """Return tables as a workbook.

    Parameters
    ----------
    tables : mapping of str to Table
        By the name of their sheet.
    title : str
        What they are of.

    Returns
    -------
    bytes
        The first sheet is an index: the sheet, what it shows, its rows, and its notes. Shares are
        numbers from 0 to 1 that are shown as per cent; a number that is not known is an empty
        cell; no text is computed. Equal tables give equal bytes.

    Raises
    ------
    ImportError
        If openpyxl is not installed; see `can_write_workbooks`.
    """
    from openpyxl import Workbook
    from openpyxl.styles import Font
    from openpyxl.worksheet.hyperlink import Hyperlink

    book = Workbook()
    index = book.active
    index.title = "index"
    for line in ([title], [CAUTION], ["sheet", "what it shows", "rows", "notes"]):
        _append(index, line)
    names = _sheet_names(tables)
    for name, table in tables.items():
        _append(index, [names[name], table.title, len(table.rows), " ".join(table.notes)])
        sheet = book.create_sheet(names[name])
        _fill(sheet, table)
        for cell in sheet[1]:
            cell.font = Font(bold=True)
        sheet.freeze_panes = "B2"
    for row in (1, 3):
        for cell in index[row]:
            cell.font = Font(bold=True)
    for number in range(4, index.max_row + 1):
        cell = index.cell(number, 1)
        cell.hyperlink = Hyperlink(cell.coordinate, location=f"'{cell.value}'!A1")
    for letter, width in zip("ABCD", (24, WIDEST, 8, WIDEST), strict=True):
        index.column_dimensions[letter].width = width
    out = io.BytesIO()
    book.save(out)
    return _same_each_time(out.getvalue())


def _sheet_names(tables: Mapping[str, Table]) -> dict[str, str]:
    """Return a name for each sheet that a workbook takes, and no two alike."""
    names: dict[str, str] = {}
    taken = {"index"}
    for name in tables:
        short = _NOT_IN_A_NAME.sub(" ", name).strip("' ")[:LONGEST_NAME] or "table"
        number = 1
        while short.casefold() in taken:
            number += 1
            tail = f" {number}"
            short = f"{short[: LONGEST_NAME - len(tail)]}{tail}"
        taken.add(short.casefold())
        names[name] = short
    return names


def _fill(sheet: Any, table: Table) -> None:
    """Write heads and rows of a table, and set formats and widths."""
    from openpyxl.utils import get_column_letter

    heads = heads_of(table)
    _append(sheet, heads)
    widths = [len(head) for head in heads]
    forms = [form for column in table.columns for form in [_format(column)] * _width(column)]
    for row in table.rows:
        cells = spread_out(table, row)
        _append(sheet, cells)
        for number, (cell, form) in enumerate(zip(cells, forms, strict=True)):
            if isinstance(cell, (int, float)) and form:
                sheet.cell(sheet.max_row, number + 1).number_format = form
            widths[number] = max(widths[number], min(len(str(cell or "")), WIDEST))
    for number, width in enumerate(widths, start=1):
        letter = get_column_letter(number)
        sheet.column_dimensions[letter].width = min(width + 2, WIDEST)


def _width(column: Column) -> int:
    return 1 + 2 * column.interval + 2 * column.knowledge


def _format(column: Column) -> str:
    """Return how a spreadsheet shows the numbers of a column."""
    per_cent = column.form.suffix.strip() == "%"
    return "0.0%" if per_cent else ""


def _append(sheet: Any, cells: Iterable[object]) -> None:
    """Write a row: numbers as numbers, and texts as texts whatever they begin with."""
    row = sheet.max_row + 1 if sheet.max_row > 1 or sheet.cell(1, 1).value is not None else 1
    for number, value in enumerate(cells, start=1):
        cell = sheet.cell(row, number)
        if isinstance(value, float) and not math.isfinite(value):
            continue
        if isinstance(value, str):
            cell.value = _CONTROL.sub(" ", harmless(value))[:LONGEST_TEXT]
            cell.data_type = "s"
        elif value is not None:
            cell.value = value


def _same_each_time(content: bytes) -> bytes:
    """Return a workbook without the time of its making."""
    out = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(content)) as given,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as kept,
    ):
        for name in given.namelist():
            part = given.read(name)
            if name == "docProps/core.xml":
                part = _TIMES.sub(rb"\g<1>1980-01-01T00:00:00Z\g<3>", part)
            entry = zipfile.ZipInfo(name, MADE)
            entry.compress_type = zipfile.ZIP_DEFLATED
            kept.writestr(entry, part)
    return out.getvalue()
