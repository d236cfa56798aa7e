"""Tables, sentences and progress on a terminal or a pipe."""

from __future__ import annotations

import errno
import shutil
from collections.abc import Callable, Sequence
from typing import Any

from rich import box
from rich.cells import cell_len
from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn
from rich.table import Table as Grid
from rich.text import Text

from ebbmap.tables.model import Table

#: Columns of a pipe, which has no width of its own.
PIPE_WIDTH = 140


class _Output(Console):
    """A console that raises an error where its pipe is broken, as any other file does."""

    def on_broken_pipe(self) -> None:
        """Leave the process running."""
        raise BrokenPipeError(errno.EPIPE, "broken pipe")


def width() -> int:
    """Return the columns there are: COLUMNS where it is set, the terminal's, or those of a pipe."""
    return shutil.get_terminal_size((PIPE_WIDTH, 24)).columns


def print_out(*parts: Table | str) -> None:
    """Print tables and sentences to standard output, as wide as the terminal or COLUMNS says.

    A table whose words would have to be cut apart is written row by row.
    """
    console = _Output(width=width())
    for part in parts:
        if isinstance(part, str):
            console.print(Text(part))
            continue
        if part.columns:
            wide = _widths(part, console.width)
            console.print(_row_by_row(part) if wide is None else to_grid(part, wide))
        for note in part.notes:
            console.print(Text(note, style="dim"))


def to_grid(table: Table, widths: Sequence[int | None] | None = None) -> RenderableType:
    """Return a table as the terminal draws it.

    Parameters
    ----------
    table : Table
        What is drawn.
    widths : sequence of int, optional
        Width of each column; as the terminal has room for them if None.
    """
    grid = Grid(
        title=Text(table.title), box=box.SIMPLE_HEAD, title_justify="left", title_style="bold"
    )
    for column, wide in zip(table.columns, widths or [None] * len(table.columns), strict=True):
        grid.add_column(Text(column.head), overflow="fold", width=wide)
    for number, row in enumerate(table.written()):
        grid.add_row(*map(Text, row), style="dim" if number in table.faint else "")
    return grid


def _widths(table: Table, columns: int) -> list[int] | None:
    """Return the width of each column in so many columns, no word cut apart; None if none fits."""
    heads = [column.head for column in table.columns]
    texts = list(zip(heads, *table.written(), strict=True))
    words = [[word for text in column for word in text.split()] for column in texts]
    least = [max(map(cell_len, column), default=1) for column in words]
    widths = [
        max(cell_len(line) for text in column for line in (text.splitlines() or [""]))
        for column in texts
    ]
    # each column has a space on either side, and there is one between columns and at the ends
    room = columns - 3 * len(widths) - 1
    if sum(least) > room:
        return None
    while sum(widths) > room:
        spare = [wide if wide > low else 0 for wide, low in zip(widths, least, strict=True)]
        widths[spare.index(max(spare))] -= 1
    return widths


def _row_by_row(table: Table) -> RenderableType:
    """Return a table that is too wide as a block for each row: its head, then its cells."""
    parts: list[RenderableType] = [Text(table.title, style="bold")]
    for number, row in enumerate(table.written()):
        style = "dim" if number in table.faint else ""
        parts.append(Text(f"  {row[0]}" if row else "", style=style or "bold"))
        parts += [
            Padding(Text(f"{column.head}: {cell}", style=style), (0, 0, 0, 4))
            for column, cell in zip(table.columns[1:], row[1:], strict=True)
            if cell
        ]
    return Group(*parts, Text(""))


class progress_bar:
    """A bar for each task on standard error, and printing beside it.

    Parameters
    ----------
    quiet : bool
        Whether nothing is drawn, as where nobody looks.
    """

    def __init__(self, quiet: bool = False) -> None:
        self._quiet = quiet

    def __enter__(self) -> progress_bar:
        """Start."""
        self._bar = Progress(
            TextColumn("{task.description}"),
            BarColumn(),
            MofNCompleteColumn(),
            TimeElapsedColumn(),
            console=Console(stderr=True),
            transient=True,
            disable=self._quiet,
        )
        self._tasks: dict[str, Any] = {}
        # a bar that is switched off still ends with an empty line before Rich 14.1
        if not self._quiet:
            self._bar.start()
        return self

    def __exit__(self, *_: object) -> None:
        """Stop."""
        if not self._quiet:
            self._bar.stop()

    def start(self, name: str, cases: int) -> Callable[[int], None]:
        """Begin a task; return what is called with the number of cases just finished."""
        task = self._tasks[name] = self._bar.add_task(name, total=cases or None)
        return lambda done: self._bar.advance(task, done)

    def finish(self, name: str) -> None:
        """End a task; a task with several results ends once."""
        if name in self._tasks:
            self._bar.remove_task(self._tasks.pop(name))
