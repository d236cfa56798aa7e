"""Where the tables of a TOML file stand, so that a finding can name its line."""

from __future__ import annotations

import re

_HEADER = re.compile(r"\s*(\[{1,2})\s*([\w.\s\"'-]+?)\s*\]{1,2}\s*(?:#.*)?")
_KEY = re.compile(r"\s*([\w-]+)\s*=")
_QUOTES = re.compile(r'"""|' + r"'''")


def lines_of(text: str) -> dict[str, list[int]]:
    r"""Return the lines of each table and each key of the top, counted from 1.

    Parameters
    ----------
    text : str
        A valid TOML file.

    Returns
    -------
    dict of str to list of int
        By the table's name, in the order of the file. Within texts of several lines nothing is
        looked for.

    Examples
    --------
    >>> lines_of("goal = 1\n[[adjust]]\n\n[[adjust]]\n")
    {'goal': [1], 'adjust': [2, 4]}
    """
    found: dict[str, list[int]] = {}
    top, within = True, False
    for number, line in enumerate(text.splitlines(), start=1):
        if not within and (header := _HEADER.fullmatch(line)):
            top = False
            found.setdefault(header[2], []).append(number)
        elif not within and top and (key := _KEY.match(line)):
            found.setdefault(key[1], []).append(number)
        within ^= len(_QUOTES.findall(line)) % 2 == 1
    return found


def line_of(lines: dict[str, list[int]], table: str, number: int = 0) -> int:
    """Return the line of a table, or of the first one where all are written as one list."""
    known = lines.get(table, [1])
    return known[min(number, len(known) - 1)]
