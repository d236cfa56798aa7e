"""One table: what every analysis, check and command says in rows and columns.

A table holds plain values. How its numbers are written is said by each column once; the terminal,
the report's page, the CSV files and JSON are four renderings of the same table.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from ebbmap.units import bracketed

Number = int | float
#: A text, a number, nothing, or (value, lower, upper) where a column has intervals.
Cell = str | Number | tuple[Number, Number, Number] | None

#: Signs that tell the grades apart without colour.
SIGNS = {"safe": "●", "caution": "◐", "unsafe": "✕", "undetermined": "?", "excluded": "–"}


@dataclass(frozen=True)
class Form:
    """How the cells of a column are written.

    Parameters
    ----------
    spec : str
        Format of a number, as in `format`.
    factor : float
        A number is multiplied by it first.
    suffix : str
        Follows the number.
    missing : str
        What stands for NaN.
    kind : {"number", "text", "grade", "code"}
        What the page makes of a cell.
    """

    spec: str = ""
    factor: float = 1.0
    suffix: str = ""
    missing: str = "–"
    kind: str = "number"

    def write(self, cell: Cell) -> str:
        """Return a cell as it is read.

        Examples
        --------
        >>> SHARE.write(0.5), SHARE.write((0.5, 0.45, 0.55)), NUMBER.write(float("nan"))
        ('50.0 %', '50.0 % (45.0 to 55.0)', '–')
        """
        if cell is None:
            return ""
        if isinstance(cell, str):
            return f"{SIGNS.get(cell, '')} {cell}".strip() if self.kind == "grade" else cell
        value, *ends = cell if isinstance(cell, tuple) else (cell,)
        if not math.isfinite(value):
            return self.missing
        text = f"{self._number(value)}{self.suffix}"
        if not ends:
            return text
        if not all(map(math.isfinite, ends)):
            return f"{text} (no interval)"
        return f"{text} ({' to '.join(map(self._number, ends))})"

    def _number(self, value: Number) -> str:
        return format(value * self.factor if self.factor != 1.0 else value, self.spec)


TEXT = Form(kind="text")
GRADE = Form(kind="grade")
CODE = Form(kind="code")
#: Three digits, four digits, as many as it needs; whole numbers; decimals.
NUMBER, PRECISE, PLAIN = Form(".3g"), Form(".4g"), Form("g")
COUNT = Form(",")
TENTHS, HUNDREDTHS, THOUSANDTHS = Form(".1f"), Form(".2f"), Form(".3f")
#: Shares are 0 to 1 in the table and per cent where they are read.
SHARE, WHOLE_SHARE = Form(".1f", 100.0, " %"), Form(".0f", 100.0, " %")
SIGNED, SIGNED_SHARE = Form("+.3g"), Form("+.1f", 100.0, " %")


@dataclass(frozen=True)
class Column:
    """A column of a table.

    Parameters
    ----------
    title : str
        What its cells are.
    form : Form
        How they are written.
    units : str
        UDUNITS string; "1" for texts and pure numbers.
    interval : bool
        Whether cells are (value, lower, upper).
    """

    title: str
    form: Form = TEXT
    units: str = "1"
    interval: bool = False

    @property
    def head(self) -> str:
        """Title and unit."""
        return bracketed(self.title, self.units)


@dataclass(frozen=True)
class Table:
    """Rows of plain values under named columns.

    Parameters
    ----------
    title : str
        What the table shows.
    columns : tuple of Column
        The first one heads the rows.
    rows : tuple of tuple
        Cells as the columns say.
    name : str
        Stem of its CSV file and its place on a page, where it has one.
    notes : tuple of str
        Sentences under the table.
    faint : frozenset of int
        Numbers of the rows that stand back.

    Raises
    ------
    ValueError
        If two columns have the same title, or a row has not one cell for each column.
    """

    title: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    name: str = ""
    notes: tuple[str, ...] = ()
    faint: frozenset[int] = frozenset()

    def __post_init__(self) -> None:
        """Refuse a table whose cells cannot be told apart."""
        heads = [column.title for column in self.columns]
        if len(set(heads)) != len(heads):
            raise ValueError(f"columns of a table must have different titles; got {heads}.")
        for row in self.rows:
            if len(row) != len(heads):
                raise ValueError(f"{self.title!r} has {len(heads)} columns; got a row {row}.")

    def written(self) -> list[list[str]]:
        """Return the cells as they are read."""
        return [
            [column.form.write(cell) for column, cell in zip(self.columns, row, strict=True)]
            for row in self.rows
        ]

    def column(self, title: str) -> list[Cell]:
        """Return the cells of one column."""
        place = [column.title for column in self.columns].index(title)
        return [row[place] for row in self.rows]

    def pick(self, *titles: str) -> Table:
        """Return the table with these columns only, in this order."""
        places = [[column.title for column in self.columns].index(title) for title in titles]
        return Table(
            self.title,
            tuple(self.columns[place] for place in places),
            tuple(tuple(row[place] for place in places) for row in self.rows),
            self.name,
            self.notes,
            self.faint,
        )


def table(
    title: str,
    columns: Iterable[Any],
    rows: Iterable[Iterable[Any]],
    *,
    name: str = "",
    notes: Iterable[str] = (),
    faint: Iterable[int] = (),
) -> Table:
    """Return a table from cells and columns as they come; a mere string heads a column of texts.

    Examples
    --------
    >>> table("lungs", ["lung", Column("share", SHARE)], [("normal", 0.25)]).written()
    [['normal', '25.0 %']]
    """
    return Table(
        title,
        tuple(Column(one) if isinstance(one, str) else one for one in columns),
        tuple(tuple(row) for row in rows),
        name,
        tuple(note for note in notes if note),
        frozenset(faint),
    )


def triple(value: float, interval: Iterable[float]) -> tuple[float, float, float]:
    """Return a value with the ends of its interval, as a cell."""
    low, high = interval
    return float(value), float(low), float(high)


def note(text: str) -> Table:
    """Return a sentence that stands where a table would."""
    return Table("", (), (), notes=(text,))
