"""One table: what every analysis, check and command says in rows and columns.

A table holds plain values. How its numbers are written is said by each column once; the terminal,
the report's page, the CSV files and JSON are four renderings of the same table.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from ebbmap.digits import percent, share_decimals
from ebbmap.units import bracketed

Number = int | float
#: A text, a number, nothing, or (value, lower, upper) where a column has intervals; two numbers
#: more where these are followed by what knowledge leaves open.
Cell = str | Number | tuple[Number, ...] | None

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
    borne : bool
        Whether a number has the digits only that its intervals bear, as `digits.share_text`.
    """

    spec: str = ""
    factor: float = 1.0
    suffix: str = ""
    missing: str = "–"
    kind: str = "number"
    borne: bool = False

    def write(self, cell: Cell) -> str:
        """Return a cell as it is read.

        Examples
        --------
        >>> SHARE.write(0.5), SHARE.write((0.5, 0.45, 0.55)), NUMBER.write(float("nan"))
        ('50 %', '50 % (45 to 55)', '–')
        >>> SHARE.write((0.5, 0.45, 0.55, 0.3, 0.7))
        '50 % (45 to 55; knowledge 30 to 70)'
        """
        if cell is None:
            return ""
        if isinstance(cell, str):
            return f"{SIGNS.get(cell, '')} {cell}".strip() if self.kind == "grade" else cell
        value, *ends = cell if isinstance(cell, tuple) else (cell,)
        if not math.isfinite(value):
            return self.missing
        pairs = [ends[at : at + 2] for at in range(0, len(ends), 2)]
        decimals = share_decimals(*pairs) if self.borne else 0
        text = f"{self._number(value, decimals)}{self.suffix}"
        if not pairs:
            return text
        said = [self._interval(pair, decimals) for pair in pairs]
        return f"{text} ({'; knowledge '.join(said)})"

    def _interval(self, ends: list[Number], decimals: int) -> str:
        if not all(map(math.isfinite, ends)):
            return "no interval"
        return " to ".join(self._number(end, decimals) for end in ends)

    def _number(self, value: Number, decimals: int) -> str:
        if self.borne:
            return _points(value, decimals) if self.spec == "+" else percent(value, decimals)
        return _without_exponent(
            format(value * self.factor if self.factor != 1.0 else value, self.spec)
        )


def _points(value: float, decimals: int) -> str:
    """Return a difference of shares in points; without a sign where it rounds to nothing.

    Examples
    --------
    >>> _points(0.104, 0), _points(-0.004, 0), _points(-0.18, -1)
    ('+10', '0', '-20')
    """
    rounded = round(100.0 * value, decimals)
    return f"{rounded:+.{max(decimals, 0)}f}" if rounded else "0"


def _without_exponent(text: str) -> str:
    """Return a number without an exponent, as it is read, unless it would have many noughts.

    Examples
    --------
    >>> _without_exponent("+3.27e-05"), _without_exponent("1.36e+03"), _without_exponent("1e-12")
    ('+0.0000327', '1360', '1e-12')
    """
    if "e" not in text:
        return text
    number = Decimal(text)
    if not Decimal("1e-6") <= abs(number) < Decimal("1e7"):
        return text
    return f"{number:+f}" if text.startswith("+") else f"{number:f}"


TEXT = Form(kind="text")
GRADE = Form(kind="grade")
CODE = Form(kind="code")
#: Three digits, four digits, as many as it needs; whole numbers; decimals.
NUMBER, PRECISE, PLAIN = Form(".3g"), Form(".4g"), Form("g")
COUNT = Form(",")
TENTHS, HUNDREDTHS, THOUSANDTHS = Form(".1f"), Form(".2f"), Form(".3f")
#: Shares are 0 to 1 in the table and per cent where they are read: counted ones, changes of them,
#: those that somebody stated, and those of a single lung.
SHARE, SIGNED_SHARE = Form(suffix=" %", borne=True), Form("+", suffix=" points", borne=True)
STATED_SHARE, LUNG_SHARE = Form("g", 100.0, " %"), Form(".1f", 100.0, " %")
SIGNED = Form("+.3g")


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
    knowledge : bool
        Whether two numbers follow: the ends of what knowledge leaves open.
    """

    title: str
    form: Form = TEXT
    units: str = "1"
    interval: bool = False
    knowledge: bool = False

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
    [['normal', '25 %']]
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
