"""The workbook of a report: an index, numbers that are numbers, and texts that compute nothing."""

import io
import math

import pytest

from ebbmap.tables.model import NUMBER, SHARE, Column, table
from ebbmap.tables.workbook import LONGEST_NAME, to_workbook

openpyxl = pytest.importorskip("openpyxl", reason="needs the package of the extra 'spreadsheet'")

SHARES = table(
    "Shares",
    ["lung", Column("safe", SHARE, interval=True), Column("pressure", NUMBER, "cmH2O")],
    [
        ("=cmd()", (0.5, 0.25, 0.75), 20.123456789),
        ("+1", (math.nan, math.nan, math.nan), -1.0),
        ("wörter\x07", 1.0, None),
    ],
    name="shares",
    notes=["one note", "another"],
)
LONG = "a name that is much longer than a sheet's may be"
TABLES = {"shares": SHARES, LONG: SHARES, f"{LONG}!": SHARES, "a/b:c": SHARES, "index": SHARES}


@pytest.fixture(scope="module")
def book():
    return openpyxl.load_workbook(io.BytesIO(to_workbook(TABLES, "=title")))


def test_the_index_leads_to_every_sheet(book):
    index, *sheets = book.worksheets
    assert index.title == "index"
    assert index["A1"].value == "'=title"
    assert "not for setting a ventilator" in index["A2"].value
    rows = [[cell.value for cell in row] for row in index.iter_rows(min_row=4, max_col=4)]
    assert [row[0] for row in rows] == [sheet.title for sheet in sheets]
    assert rows[0][1:] == ["Shares", 3, "one note another"]
    assert index["A4"].hyperlink.location == "'shares'!A1"
    assert all(len(sheet.title) <= LONGEST_NAME for sheet in sheets)
    assert len({sheet.title.casefold() for sheet in book.worksheets}) == 6


def test_numbers_are_numbers_and_what_is_not_known_is_empty(book):
    head, first, second, third = book["shares"].iter_rows(values_only=True)
    assert head == ("lung", "safe", "safe, lower", "safe, upper", "pressure [cmH₂O]")
    assert first[1:] == (0.5, 0.25, 0.75, 20.123456789)
    assert second[1:] == (None, None, None, -1)
    assert third[1:] == (1, None, None, None)
    assert book["shares"]["B2"].number_format == "0.0%"
    assert book["shares"]["E2"].number_format == "General"


def test_no_text_is_computed(book):
    texts = [book["shares"][f"A{row}"] for row in (2, 3, 4)]
    assert [cell.value for cell in texts] == ["'=cmd()", "'+1", "wörter "]
    for sheet in book.worksheets:
        for row in sheet.iter_rows():
            assert all(cell.data_type != "f" for cell in row)


def test_equal_tables_are_equal_files():
    assert to_workbook(TABLES, "t") == to_workbook(TABLES, "t")
