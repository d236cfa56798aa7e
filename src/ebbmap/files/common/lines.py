"""Where tables and keys of a TOML file stand, so that a finding can name its line."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

#: A table, a list or a value in a file: its keys, and its number within a list, from 0.
Place = tuple[str | int, ...]

_KEY = r"""(?:[\w-]+|"[^"\n]*"|'[^'\n]*')"""
_DOTTED = rf"{_KEY}(?:[ \t]*\.[ \t]*{_KEY})*"
_HEADER = re.compile(rf"[ \t]*(\[{{1,2}})[ \t]*({_DOTTED})[ \t]*\]{{1,2}}[ \t]*(?:#.*)?")
_ASSIGNMENT = re.compile(rf"[ \t]*({_DOTTED})[ \t]*=")
_PART = re.compile(_KEY)

#: What a line may hold besides brackets: texts and comments, which hide brackets.
_HIDDEN = re.compile(r'''"""|\'\'\'|"(?:[^"\\\n]|\\.)*"|'[^'\n]*'|#.*''')
_LONG_QUOTE = re.compile("\"\"\"|'''")

#: Lists of tables whose entries a sentence counts, from 1 as their readers do.
_COUNTED = re.compile(
    r"\b(analyses\.\w+|groups|limits\.own|measure|adjust|stop\.criteria|disease"
    r"|settings\.\w+\.(?:fio2|peep|of))\.(\d+)\b"
)

_OF_PROBLEM = re.compile(r"[\w\-]+(?:\.[\w\- ]+)*(?=: )")
_OF_POPULATION = re.compile(r"population (.+), (\w+)(?=: )")


def places_of(text: str) -> dict[Place, int]:
    r"""Return the line of every table and every key, counted from 1.

    Parameters
    ----------
    text : str
        A TOML file.

    Returns
    -------
    dict of tuple to int
        By keys and numbers. What stands within a list or an inline table has no line of its own.

    Examples
    --------
    >>> places_of("goal = 1\n[[adjust]]\nwait = 2\n\n[[adjust]]\n")
    {('goal',): 1, ('adjust', 0): 2, ('adjust', 0, 'wait'): 3, ('adjust', 1): 5}
    """
    found: dict[Place, int] = {}
    counts: dict[Place, int] = {}
    table: Place = ()
    depth, quote = 0, ""
    for number, line in enumerate(text.splitlines(), start=1):
        if quote:
            _, closed, rest = line.partition(quote)
            if not closed:
                continue
            depth, quote = _after(rest, depth)
            continue
        if depth:
            depth, quote = _after(line, depth)
        elif header := _HEADER.fullmatch(line):
            table = _numbered(_parts(header[2]), counts)
            if header[1] == "[[":
                place = table[:-1] if table and isinstance(table[-1], int) else table
                counts[place] = counts.get(place, -1) + 1
                table = (*place, counts[place])
            found.setdefault(table, number)
        elif key := _ASSIGNMENT.match(line):
            found.setdefault((*table, *_parts(key[1])), number)
            depth, quote = _after(line[key.end() :], 0)
    return found


def _parts(text: str) -> list[str]:
    return [part.strip("\"'") for part in _PART.findall(text)]


def _numbered(parts: list[str], counts: Mapping[Place, int]) -> Place:
    """Return the place of a header: after a list of tables comes the number of its last one."""
    place: Place = ()
    for part in parts:
        place = (*place, part)
        if place in counts:
            place = (*place, counts[place])
    return place


def _after(rest: str, depth: int) -> tuple[int, str]:
    """Return how many brackets are open after a line, and the quote of a text that goes on."""
    shown, at = "", 0
    while hidden := _HIDDEN.search(rest, at):
        shown += rest[at : hidden.start()]
        at = hidden.end()
        if hidden[0] in ('"""', "'''"):
            end = rest.find(hidden[0], at)
            if end < 0:
                return depth + _opened(shown), hidden[0]
            at = end + 3
    return max(0, depth + _opened(shown + rest[at:])), ""


def _opened(text: str) -> int:
    return text.count("[") + text.count("{") - text.count("]") - text.count("}")


def lines_of(text: str) -> dict[str, list[int]]:
    r"""Return the lines of each table and each key of the top, counted from 1.

    Parameters
    ----------
    text : str
        A valid TOML file.

    Returns
    -------
    dict of str to list of int
        By the table's name, in the order of the file.

    Examples
    --------
    >>> lines_of("goal = 1\n[[adjust]]\n\n[[adjust]]\n")
    {'goal': [1], 'adjust': [2, 4]}
    """
    found: dict[str, list[int]] = {}
    for place, line in places_of(text).items():
        keys = [key for key in place if isinstance(key, str)]
        numbers = [key for key in place if isinstance(key, int)]
        if (len(place) == 1) or (numbers and place[-1] == numbers[-1]):
            found.setdefault(".".join(keys), []).append(line)
    return found


def line_of(lines: dict[str, list[int]], table: str, number: int = 0) -> int:
    """Return the line of a table, or of the first one where all are written as one list."""
    known = lines.get(table, [1])
    return known[min(number, len(known) - 1)]


def with_lines(problems: Iterable[str], text: str) -> list[str]:
    r"""Return problems that name the line of the file, and count lists from 1.

    Examples
    --------
    >>> with_lines(["groups.1.weight: must be above 0."], "[[groups]]\n[[groups]]\nweight = 0\n")
    ['line 3, groups.2.weight: must be above 0.']
    """
    listed = list(problems)
    known = places_of(text) if listed else {}
    return [_with_line(problem, known) for problem in listed]


def _with_line(problem: str, known: Mapping[Place, int]) -> str:
    line = _line(problem, known)
    said = counted_from_one(problem)
    return said if line is None else f"line {line}, {said}"


def counted_from_one(text: str) -> str:
    """Return a sentence in which group 1 is the first.

    Examples
    --------
    >>> counted_from_one("groups.0.weight: must be above 0.")
    'groups.1.weight: must be above 0.'
    """
    return _COUNTED.sub(lambda found: f"{found[1]}.{int(found[2]) + 1}", text)


def _line(problem: str, known: Mapping[Place, int]) -> int | None:
    """Return the line of the place that a problem names, or of the nearest table around it."""
    place: Place
    if own := _OF_POPULATION.match(problem):
        place = ("population", own[1], "properties", own[2])
    elif named := _OF_PROBLEM.match(problem):
        place = tuple(int(key) if key.isdigit() else key for key in named[0].split("."))
    else:
        return None
    while place:
        if place in known:
            return known[place]
        first = next((line for key, line in known.items() if key[: len(place)] == place), None)
        if first is not None:
            return first
        place = place[:-1]
    return None
