"""Files that people write, read in bounded time and memory: regular files of TOML."""

from __future__ import annotations

import os
import re
import stat
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from ebbmap.errors import SHOWN, StudyError, shortened
from ebbmap.files.common.syntax import CURLY, explained

#: Bytes of the largest file that is read: an axis of 10,000 values takes 0.2 MB at most, and the
#: worst file of this size is refused within seconds.
LARGEST = 2**20

#: Numbers in the longest list (an axis), and entries of any other list or table: more of them are
#: no question that anybody asks, and checks compare each with each.
MOST_NUMBERS, MOST_ENTRIES = 10_000, 300

#: TOML promises integers of 64 bits; longer ones cannot even be shown.
LARGEST_INTEGER = 2**63

#: Parts of the longest key, as in a.b.c: tables of ours go four deep. The parser's time grows with
#: the square of this.
DEEPEST = 32

#: A key of more parts, bare or quoted, wherever it stands. A word is looked at from its start only,
#: so that the time grows with the length of the text.
_DEEP_KEY = re.compile(
    r"""(?<![\w-])(?:(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+)"""
    rf"{{{DEEPEST}}}"
)

_KINDS = (
    (stat.S_ISDIR, "a folder"),
    (stat.S_ISFIFO, "a pipe"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
)

#: What a file of two bytes for each letter begins with, or has for its first, plain letter.
_UTF_16 = {b"\xff\xfe": "utf-16", b"\xfe\xff": "utf-16"}
_UNMARKED = ((1, "utf-16-le"), (0, "utf-16-be"))


def read_text(path: Path) -> str:
    """Return the text of a file, without the byte order mark that some editors put first.

    UTF-8 is read, and UTF-16 as some editors save it.

    Raises
    ------
    StudyError
        If it cannot be read: missing, no regular file, too large, neither UTF-8 nor UTF-16.
    """
    try:
        return _decoded(_content(path))
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else error
        raise StudyError(
            str(path), [f"cannot be read: {reason}. Name a UTF-8 TOML file."]
        ) from None


def read_toml(text: str, where: str) -> dict[str, Any]:
    """Return the tables of a file.

    Raises
    ------
    StudyError
        If the text is no TOML, too long, or nested too deep.
    """
    if len(text) > LARGEST:
        raise StudyError(where, [f"must have at most {LARGEST:,} characters; got {len(text):,}."])
    if deep := _DEEP_KEY.search(text):
        line = text.count("\n", 0, deep.start()) + 1
        raise StudyError(
            where,
            [f"a key must have fewer than {DEEPEST} parts (line {line}). Tables go four deep."],
        )
    try:
        raw = _parsed(text)
    except (ValueError, RecursionError) as error:
        # beside what tomllib refuses: integers too long for Python, tables nested too deep
        reason = str(error)
        reason = reason if len(reason) <= 200 else f"{reason[:200]}..."
        slip = explained(text, reason) if isinstance(error, tomllib.TOMLDecodeError) else None
        raise StudyError(where, [slip or f"is not valid TOML: {reason}."]) from None
    if excesses := list(_excesses(raw, "file")):
        raise StudyError(where, excesses)
    return raw


def _parsed(text: str) -> dict[str, Any]:
    """Return the tables of a text; curly quotes are read where straight ones were meant."""
    try:
        return tomllib.loads(text)
    except ValueError:
        straight = text.translate(CURLY)
        if straight == text:
            raise
        try:
            return tomllib.loads(straight)
        except ValueError:
            pass
        raise


def _excesses(value: Any, place: str) -> Iterator[str]:
    """Yield a sentence for every list and table with too many entries, and integer too long."""
    if isinstance(value, int) and not -LARGEST_INTEGER <= value < LARGEST_INTEGER:
        yield f"{place}: must be an integer of 64 bits; got {shortened(value)}."
    if not isinstance(value, (dict, list)):
        return
    if isinstance(value, dict):
        what, most, inner = "keys", MOST_ENTRIES, list(value.items())
    else:
        numbers = all(isinstance(one, (int, float)) for one in value)
        what, most = "entries", MOST_NUMBERS if numbers else MOST_ENTRIES
        inner = list(enumerate(value))
    if len(value) > most:
        yield f"{place}: must have at most {most:,} {what}; got {len(value):,}."
        return
    for key, one in inner:
        if not isinstance(one, (str, float, bool)):
            name = str(key)[:SHOWN]
            yield from _excesses(one, name if place == "file" else f"{place}.{name}")


def _decoded(content: bytes) -> str:
    """Return the text of a file's bytes."""
    name = _UTF_16.get(content[:2], "utf-8-sig")
    for at, unmarked in _UNMARKED:
        if content[at : at + 1] == b"\0" and len(content) % 2 == 0:
            name = unmarked
    try:
        return content.decode(name)
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise ValueError(
            f"line {line} has a letter that is not UTF-8. Save it again with the encoding UTF-8"
        ) from None


def _content(path: Path) -> bytes:
    """Return the bytes of a regular file that is not too large; nothing else is opened."""
    _check_regular(os.stat(path))
    # should a pipe have taken the file's place, it is not waited for
    descriptor = os.open(
        path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    )
    with open(descriptor, "rb") as file:
        _check_regular(os.fstat(descriptor))
        content = file.read(LARGEST + 1)
    if len(content) > LARGEST:
        raise ValueError(_too_large("more than that"))
    return content


def _check_regular(status: os.stat_result) -> None:
    for is_kind, name in _KINDS:
        if is_kind(status.st_mode):
            raise ValueError(f"it is {name}, not a regular file")
    if status.st_size > LARGEST:
        raise ValueError(_too_large(f"{status.st_size:,}"))


def _too_large(size: str) -> str:
    return f"it must have at most {LARGEST:,} bytes; got {size}"
