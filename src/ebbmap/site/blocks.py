"""The commands and the Python of a page: what a reader copies, and what the tests run."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

#: Pages written by hand.
SOURCES = Path(__file__).parent / "sources"

#: Languages whose blocks are run.
SHELL, PYTHON = "sh", "python"

#: Languages of files that a reader saves under the name in the first line.
FILES = ("toml", "csv")

_FENCE = re.compile(r"^```(\w+)\n(.*?)^```$", re.MULTILINE | re.DOTALL)


@dataclass(frozen=True)
class Block:
    """One fenced block of a page.

    Parameters
    ----------
    language : str
        Such as "sh" or "python".
    text : str
        What stands in it.
    line : int
        Where it begins, counted from 1.
    """

    language: str
    text: str
    line: int

    @property
    def commands(self) -> list[str]:
        """The commands of a block of the shell, comments left out."""
        lines = (line.split("  #")[0].strip() for line in self.text.splitlines())
        return [line for line in lines if line and not line.startswith("#")]

    @property
    def file(self) -> str:
        """Name under which a reader saves a file: what follows # in its first line."""
        return self.text.partition("\n")[0].removeprefix("#").strip()


def pages() -> list[Path]:
    """Return the pages written by hand, in alphabetical order."""
    return sorted(SOURCES.rglob("*.md"))


def blocks_of(page: Path) -> Iterator[Block]:
    """Yield the fenced blocks of a page, from its top to its end.

    Parameters
    ----------
    page : Path
        A file in MyST's Markdown.
    """
    text = page.read_text(encoding="utf-8")
    for found in _FENCE.finditer(text):
        yield Block(found[1], found[2], text.count("\n", 0, found.start()) + 1)
