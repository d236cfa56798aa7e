"""A spreadsheet with one row for each phenotype: its template, and what a filled-in one says."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from ebbmap.caution import CAUTION
from ebbmap.errors import EbbmapError, unknown_name
from ebbmap.files.common.forgiving import plain
from ebbmap.files.common.reading import read_text
from ebbmap.files.new.asked import KINDS
from ebbmap.files.new.questions import Kind, Question, Value
from ebbmap.units import conversion, display

#: Rows and columns of the largest table, and bytes of the largest workbook.
MOST_ROWS, MOST_COLUMNS, LARGEST = 200, 60, 2**22

#: Columns that only a protocol takes.
_WEIGHT = Question("weight", "Patients of this kind, in any number", 1.0, "number", "1", 1e-6, 1e6)
_WANTED = Question(
    "wanted",
    "Share of combinations that must be safe",
    0.8,
    "number",
    "1",
    0.01,
    0.99,
    (0.01, 0.99),
)

#: Rows of the template, invented.
_EXAMPLES: tuple[dict[str, Value], ...] = (
    {"name": "stiff_and_small", "weight": 3.0, "wanted": 0.7},
    {
        "name": "slow_to_empty",
        "base": "obstructive",
        "weight": 1.0,
        "wanted": 0.7,
        "compliance_from": 50.0,
        "compliance_to": 85.0,
        "resistance_exp_from": 15.0,
        "resistance_exp_to": 35.0,
    },
)


def columns() -> tuple[Question, ...]:
    """Return the columns of the table, in order."""
    name, base, *properties = KINDS["population"].questions
    return (name, base, _WEIGHT, _WANTED, *properties)


def header(question: Question) -> str:
    """Return the head of a column: what it holds, and its unit.

    Examples
    --------
    >>> [header(one) for one in columns()[4:6]]
    ['compliance_from [mL/cmH₂O]', 'compliance_to [mL/cmH₂O]']
    """
    unit = display(question.units)
    return f"{question.key} [{unit}]" if unit else question.key


def _template_rows() -> list[list[Value]]:
    defaults = {one.key: one.default for one in columns()}
    rows = [{**defaults, **one} for one in _EXAMPLES]
    return [[row[one.key] for one in columns()] for row in rows]


def template_csv() -> str:
    """Return the template as CSV."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([header(one) for one in columns()])
    writer.writerows(_template_rows())
    return text.getvalue()


def template_workbook() -> bytes:
    """Return the template as a workbook with a sheet that explains the columns.

    Raises
    ------
    EbbmapError
        If the package that writes workbooks is not installed.
    """
    book = openpyxl().Workbook()
    sheet = book.active
    sheet.title = "phenotypes"
    sheet.append([header(one) for one in columns()])
    for row in _template_rows():
        sheet.append(row)
    said = book.create_sheet("how to fill it in")
    said.append([CAUTION])
    said.append(
        ["One row for each kind of patients. The rows in it are invented: write over them."]
    )
    said.append(["A column may be left empty: it is then taken from the population in 'base'."])
    said.append(["column", "what it holds", "unit", "usual"])
    for one in columns():
        usual = f"{one.usual[0]:g} to {one.usual[1]:g}" if one.usual else ""
        choices = ", ".join(one.choices)
        said.append([one.key, one.label, display(one.units), usual or choices])
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def openpyxl() -> Any:
    """Return the package that reads and writes workbooks.

    Raises
    ------
    EbbmapError
        If it is not installed.
    """
    try:
        import openpyxl as package
    except ImportError:
        raise EbbmapError(
            "workbooks (.xlsx) need the package openpyxl. Install ebbmap[spreadsheet], or use CSV."
        ) from None
    return package


def read_rows(path: Path, kind: str) -> list[dict[str, Value]]:
    """Return the phenotypes of a table.

    Parameters
    ----------
    path : Path
        A .csv or .xlsx file with a row of heads.
    kind : str
        Kind of file that is made of it: a protocol takes weights and shares too.

    Returns
    -------
    list of dict
        A row's answers; a property that a row leaves empty is not among them.

    Raises
    ------
    EbbmapError
        With a line for each cell that cannot be, by its row and column.
    """
    heads, *rows = _cells(path)
    known = {plain(one.key): one for one in columns()}
    problems: list[str] = []
    chosen: list[tuple[Question, str] | None] = []
    for head in heads:
        name, _, rest = str(head or "").partition("[")
        question = known.get(plain(name))
        if question is None and name.strip():
            heads_known = [one.key for one in columns()]
            problems.append(f"row 1: {unknown_name('column', name.strip(), heads_known)}")
        chosen.append(None if question is None else (question, rest.rstrip("] ")))
    asked = [one[0].key for one in chosen if one is not None]
    problems += [
        f"column {key!r} is there twice."
        for key in sorted({k for k in asked if asked.count(k) > 1})
    ]
    if "name" not in asked:
        problems.append(
            "a column 'name' must be there; got none. See `ebbmap new --template-table`."
        )
    found = []
    for number, row in enumerate(rows, start=2):
        answers = {}
        for column, cell in zip(chosen, row, strict=False):
            if column is None or cell is None or not str(cell).strip():
                continue
            question, unit = column
            try:
                answers[question.key] = _answer(question, unit, cell)
            except EbbmapError as error:
                problems.append(f"row {number}, {error}")
        if answers:
            found.append(answers)
            problems += [
                f"row {number}, {text}" for text in _row_problems(answers, KINDS["population"])
            ]
    names = [str(row.get("name", "")) for row in found]
    problems += [
        f"name {name!r} is there twice."
        for name in sorted({n for n in names if names.count(n) > 1})
    ]
    if not found:
        problems.append("a row of patients must be there; got none.")
    if problems:
        raise EbbmapError("\n".join(f"{path.name}: {one}" for one in problems))
    kept = {"weight", "wanted"} if kind == "protocol" else set()
    return [
        {k: v for k, v in row.items() if k in kept or k not in ("weight", "wanted")}
        for row in found
    ]


def _answer(question: Question, unit: str, cell: object) -> Value:
    """Return the value of a cell, in the unit of its column's head."""
    if question.kind == "number" and unit and not isinstance(cell, str):
        try:
            conversion(unit, question.units)
        except ValueError as error:
            raise EbbmapError(f"{question.key}: {error}.") from None
        if unit != display(question.units):
            return question.value(f"{cell} {unit}")
    return question.value(cell)


def _row_problems(answers: dict[str, Value], kind: Kind) -> Iterator[str]:
    if "name" not in answers:
        yield "name: must be given. Write one."
    answers.setdefault("base", "restrictive")
    yield from kind.problems(answers)
    for key in answers:
        other = key.removesuffix("_from") + "_to"
        if key.endswith("_from") and other not in answers:
            yield f"{key}: must have {other} beside it. Fill in both or none."
        start = f"{key.removesuffix('_to')}_from"
        if key.endswith("_to") and start not in answers:
            yield f"{key}: must have {start} beside it. Fill in both or none."


def _cells(path: Path) -> list[Sequence[Any]]:
    """Return the cells of a table, its heads first."""
    if path.suffix.lower() == ".xlsx":
        rows = list(_workbook_rows(path))
    elif path.suffix.lower() == ".csv":
        text = read_text(path)
        head = text.partition("\n")[0]
        # spreadsheets of many countries part columns by semicolons, and write decimal commas
        mark = max(";\t,", key=head.count)
        rows = [row for row in csv.reader(io.StringIO(text), delimiter=mark) if any(row)]
        rows = [[_of_csv(cell) for cell in row] if n else row for n, row in enumerate(rows)]
    else:
        raise EbbmapError(f"{path.name}: must be a .csv or .xlsx file. Save the table as one.")
    if not rows:
        raise EbbmapError(f"{path.name}: is empty. See `ebbmap new --template-table`.")
    if len(rows) > MOST_ROWS or max(map(len, rows)) > MOST_COLUMNS:
        raise EbbmapError(
            f"{path.name}: must have at most {MOST_ROWS} rows and {MOST_COLUMNS} columns; got "
            f"{len(rows)} and {max(map(len, rows))}."
        )
    return rows


def _of_csv(cell: str) -> object:
    try:
        return float(cell.strip().replace(",", "."))
    except ValueError:
        return cell


def _workbook_rows(path: Path) -> Iterator[Sequence[Any]]:
    if not path.is_file() or path.stat().st_size > LARGEST:
        raise EbbmapError(f"{path.name}: must be a file of at most {LARGEST // 2**20} MiB.")
    package = openpyxl()
    try:
        book = package.load_workbook(path, read_only=True, data_only=True)
    except Exception as error:
        # whatever a damaged archive raises
        raise EbbmapError(f"{path.name}: is no workbook that can be read: {error}.") from None
    sheet = book["phenotypes"] if "phenotypes" in book.sheetnames else book.worksheets[0]
    for row in sheet.iter_rows(max_row=MOST_ROWS + 1, max_col=MOST_COLUMNS, values_only=True):
        if any(cell is not None and str(cell).strip() for cell in row):
            yield row
    book.close()
