"""Tables, sentences and progress on a terminal or a pipe."""

from __future__ import annotations

import errno
from collections.abc import Callable
from typing import Any

from rich import box
from rich.console import Console, RenderableType
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


def print_out(*parts: Table | str) -> None:
    """Print tables and sentences to standard output; wide enough for a pipe."""
    console = _Output()
    console = console if console.is_terminal else _Output(width=PIPE_WIDTH)
    for part in parts:
        if isinstance(part, str):
            console.print(Text(part))
            continue
        if part.columns:
            console.print(to_grid(part))
        for note in part.notes:
            console.print(Text(note, style="dim"))


def to_grid(table: Table) -> RenderableType:
    """Return a table as the terminal draws it."""
    grid = Grid(
        title=Text(table.title), box=box.SIMPLE_HEAD, title_justify="left", title_style="bold"
    )
    for column in table.columns:
        grid.add_column(Text(column.head), overflow="fold")
    for number, row in enumerate(table.written()):
        grid.add_row(*map(Text, row), style="dim" if number in table.faint else "")
    return grid


class progress_bar:
    """A bar for each task on standard error, and printing beside it."""

    def __enter__(self) -> progress_bar:
        """Start."""
        self._bar = Progress(
            TextColumn("{task.description}"),
            BarColumn(),
            MofNCompleteColumn(),
            TimeElapsedColumn(),
            console=Console(stderr=True),
            transient=True,
        )
        self._tasks: dict[str, Any] = {}
        self._bar.start()
        return self

    def __exit__(self, *_: object) -> None:
        """Stop."""
        self._bar.stop()

    def start(self, name: str, cases: int) -> Callable[[int], None]:
        """Begin a task; return what is called with the number of cases just finished."""
        task = self._tasks[name] = self._bar.add_task(name, total=cases or None)
        return lambda done: self._bar.advance(task, done)

    def finish(self, name: str) -> None:
        """End a task; a task with several results ends once."""
        if name in self._tasks:
            self._bar.remove_task(self._tasks.pop(name))
