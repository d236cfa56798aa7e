"""One table, rendered for the terminal, as CSV, as HTML and as plain data."""

import csv
import io
import json
from html.parser import HTMLParser

import numpy as np
import pytest

from ebbmap.tables.csv import to_csv
from ebbmap.tables.html import to_html
from ebbmap.tables.model import (
    COUNT,
    GRADE,
    LUNG_SHARE,
    NUMBER,
    SHARE,
    SIGNED_SHARE,
    STATED_SHARE,
    Column,
    Form,
    Table,
    note,
    table,
)
from ebbmap.tables.plain import plain, to_plain
from ebbmap.tables.terminal import print_out, to_grid

MADE = table(
    "lungs & shares",
    [
        "lung",
        Column("grade", GRADE),
        Column("T low", NUMBER, "s"),
        Column("share", SHARE, interval=True),
        Column("lungs", COUNT),
    ],
    [
        ("a <b>", "safe", 0.51234, (0.5, 0.25, 0.75), 12_000),
        ("[red]x[/red]", "unsafe", float("nan"), (0.125, np.nan, np.nan), None),
    ],
    name="made",
    notes=["a note", ""],
    faint=[1],
)

WRITTEN = [
    ["a <b>", "● safe", "0.512", "50 % (25 to 75)", "12,000"],
    ["[red]x[/red]", "✕ unsafe", "–", "12 % (no interval)", ""],
]


def test_cells_are_written_as_their_columns_say():
    assert MADE.written() == WRITTEN
    assert [column.head for column in MADE.columns] == [
        "lung",
        "grade",
        "T low [s]",
        "share",
        "lungs",
    ]
    assert MADE.notes == ("a note",)


@pytest.mark.parametrize(
    ("form", "cell", "text"),
    [
        (SHARE, 0.126, "13 %"),
        (SIGNED_SHARE, (0.5, -0.125, 0.75), "+50 points (-10 to +80)"),
        (SIGNED_SHARE, -0.001, "0 points"),
        (SHARE, (0.5, 0.47, 0.53, 0.3, 0.7), "50 % (47 to 53; knowledge 30 to 70)"),
        (
            SHARE,
            (0.1234, 0.122, 0.124, 0.121, 0.126),
            "12.3 % (12.2 to 12.4; knowledge 12.1 to 12.6)",
        ),
        (STATED_SHARE, 0.925, "92.5 %"),
        (LUNG_SHARE, 0.0123, "1.2 %"),
        (NUMBER, "not possible", "not possible"),
        (NUMBER, 0, "0"),
        (NUMBER, None, ""),
        (NUMBER, np.inf, "–"),
        (Form(".1f", missing=""), np.nan, ""),
        (GRADE, "excluded", "– excluded"),
        (GRADE, "of its own", "of its own"),
    ],
)
def test_forms(form, cell, text):
    assert form.write(cell) == text


def test_a_table_whose_cells_cannot_be_told_apart_is_refused():
    with pytest.raises(ValueError, match="different titles"):
        table("t", ["a", "a"], [])
    with pytest.raises(ValueError, match="'t' has 2 columns; got a row"):
        table("t", ["a", "b"], [("one",)])


def test_columns_are_picked_in_the_order_asked():
    picked = MADE.pick("share", "lung")
    assert [column.title for column in picked.columns] == ["share", "lung"]
    assert picked.rows == tuple((row[3], row[0]) for row in MADE.rows)
    assert picked.notes == MADE.notes
    assert MADE.column("lungs") == [12_000, None]


def test_the_terminal_shows_titles_cells_and_notes_as_they_are(capsys):
    print_out(MADE, "[bold]a sentence[/bold]", note("alone"))
    text = capsys.readouterr().out
    for words in (MADE.title, *WRITTEN[0], *filter(None, WRITTEN[1]), "T low [s]", "a note"):
        assert words in text
    # nothing of a file is taken for markup
    assert "[bold]a sentence[/bold]" in text
    assert text.endswith("alone\n")


def test_rows_that_stand_back_are_dim():
    grid = to_grid(MADE)
    assert [row.style for row in grid.rows] == ["", "dim"]


def test_csv_holds_every_digit_and_three_columns_of_an_interval():
    head, first, second = csv.reader(io.StringIO(to_csv(MADE)))
    assert head == [
        "lung",
        "grade",
        "T low [s]",
        "share",
        "share, lower",
        "share, upper",
        "lungs",
    ]
    assert first == ["a <b>", "safe", "0.51234", "0.5", "0.25", "0.75", "12000"]
    assert second == ["[red]x[/red]", "unsafe", "", "0.125", "", "", ""]


class Cells(HTMLParser):
    def __init__(self, text):
        super().__init__()
        self.cells, self.tags = [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag in ("td", "th", "caption"):
            self.cells.append("")

    def handle_data(self, data):
        if self.cells and data.strip():
            self.cells[-1] += data


def test_html_holds_the_same_cells_escaped():
    page = Cells(to_html(MADE))
    heads = [column.head for column in MADE.columns]
    assert page.cells == [MADE.title, *heads, *WRITTEN[0], *WRITTEN[1]]
    assert ("table", {"id": "made"}) in page.tags
    classes = [attrs.get("class") for tag, attrs in page.tags if tag == "td"]
    numbers = ["number"] * 3
    assert classes == ["grade safe", *numbers, "grade unsafe", *numbers]
    assert "<b>" not in to_html(MADE)
    assert "nothing to list" in to_html(Table("t", MADE.columns, ()))


def test_plain_data_holds_numbers_and_null():
    told = json.loads(json.dumps(to_plain(MADE), allow_nan=False))
    assert told["columns"][2] == {"title": "T low", "units": "s"}
    assert told["rows"] == [
        ["a <b>", "safe", 0.51234, [0.5, 0.25, 0.75], 12_000],
        ["[red]x[/red]", "unsafe", None, [0.125, None, None], None],
    ]
    assert told["notes"] == ["a note"]


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (np.float32(0.5), 0.5),
        (np.int8(3), 3),
        (np.bool_(True), True),
        (np.str_("word"), "word"),
        (np.array([[1.0, np.inf]]), [[1.0, None]]),
        ({"a": (1, np.nan)}, {"a": [1, None]}),
        (None, None),
    ],
)
def test_plain_values(value, expected):
    found = plain(value)
    assert found == expected
    assert json.loads(json.dumps(found, allow_nan=False)) == expected
