"""What a command prints: tables and sentences as they come, or one JSON document at its end."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Any

import typer

from ebbmap.caution import CAUTION

if TYPE_CHECKING:
    from ebbmap.tables.model import Table


class Answer:
    """The answer of one command, which begins with the caution.

    Parameters
    ----------
    as_json : bool
        Whether nothing but one JSON document goes to standard output.
    """

    def __init__(self, as_json: bool) -> None:
        self.as_json = as_json
        self.say(CAUTION)

    def say(self, *parts: Table | str) -> None:
        """Print sentences and tables, unless JSON is wanted."""
        if self.as_json:
            return
        for part in parts:
            if isinstance(part, str):
                typer.echo(part)
            else:
                from ebbmap.tables.terminal import print_out

                print_out(part)

    def say_lines(self, told: Iterable[str]) -> None:
        """Print lines as they are."""
        for line in told:
            typer.echo(line)

    def close(self, **content: Any) -> None:
        """Print the document, with the caution first, if JSON is wanted."""
        if self.as_json:
            from ebbmap.tables.plain import document

            print_json(document(**content))


def open_answer(as_json: bool, document: Callable[[], dict[str, Any]]) -> Answer | None:
    """Open an answer in words; where JSON is wanted, print the document instead.

    Parameters
    ----------
    as_json : bool
        Whether it is wanted.
    document : callable
        Makes the document.

    Returns
    -------
    Answer or None
        None where nothing is left to say.
    """
    if not as_json:
        return Answer(False)
    print_json(document())
    return None


def print_json(content: dict[str, Any]) -> None:
    """Print one JSON document."""
    typer.echo(json.dumps(content, indent=2, allow_nan=False))
