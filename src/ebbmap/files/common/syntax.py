"""Slips of the pen in a TOML file, in plain words: what a text editor or a habit leaves behind."""

from __future__ import annotations

import re
from collections.abc import Iterator

#: Quotes that word processors put in the place of straight ones, and the straight ones.
CURLY = str.maketrans(
    {"“": '"', "”": '"', "„": '"', "‟": '"', "«": '"', "»": '"', "‘": "'", "’": "'"}
)

_AT = re.compile(r"\(at line (\d+), column (\d+)\)")
_TEXTS = re.compile(r""""(?:[^"\\]|\\.)*"|'[^']*'|#.*""")
_COMMA = re.compile(r"(?<==)\s*(\d+),(\d+)(?![\w.])")
_WITH_UNIT = re.compile(
    r"=\s*([+-]?\d+(?:[.,]\d+)?)\s*(%|[a-zA-Zµ][\w/·.₂%-]*(?:\s*/\s*\w+)?)\s*(?:$|#)"
)
_COLON = re.compile(r"^\s*([\w.-]+)\s*:\s*(.*)$")
_WORD = re.compile(r"=\s*([A-Za-z][\w -]*?)\s*(?:$|#|[,}\]])")
_ZERO = re.compile(r"=\s*[+-]?(0\d+(?:\.\d+)?)\b")
_POINT = re.compile(r"=\s*([+-]?)(\.\d+|\d+\.)(?!\d)")
_DASH = re.compile(r"=\s*[–—−]\s*(\d)")
_SPACED = re.compile(r"^\s*(\w+(?:[ \t]+\w+)+)\s*=")
_EMPTY = re.compile(r"^\s*([\w.-]+)\s*=\s*(?:$|#)")
_BARE = re.compile(r"^\s*[\w.-]+\s*$")
_TO = re.compile(r"=\s*([\d.]+)\s*(?:to|-|–|bis)\s*([\d.]+)")


def explained(text: str, reason: str) -> str | None:
    """Return what is wrong with a file that is no TOML, in plain words, if it is a known slip.

    Parameters
    ----------
    text : str
        The file.
    reason : str
        What the parser says, with the line.

    Returns
    -------
    str or None
        A sentence that begins with the line.

    Examples
    --------
    >>> said = "Expected newline or end of document after a statement (at line 1, column 10)"
    >>> explained("t_low = 0,4", said)
    'line 1: has a decimal comma: 0,4. Write 0.4.'
    """
    lines = text.splitlines()
    at = _AT.search(reason)
    number = min(int(at[1]), len(lines)) if at else len(lines)
    # a statement that is not closed is noticed on the next line only
    for one in dict.fromkeys((number, number - 1)):
        if 1 <= one <= len(lines) and (said := next(_slips(lines[one - 1], reason), None)):
            return f"line {one}: {said}"
    return None


def _slips(line: str, reason: str) -> Iterator[str]:
    if line != line.translate(CURLY):
        yield 'has curly quotes, as word processors write them. Write straight ones: "...".'
    bare = _TEXTS.sub('""', line)
    if "overwrite" in reason or "twice" in reason or "Cannot declare" in reason:
        yield "is there already further up in the file. Keep one of them."
    if comma := _COMMA.search(bare):
        yield f"has a decimal comma: {comma[0].strip()}. Write {comma[1]}.{comma[2]}."
    if span := _TO.search(bare):
        yield (
            f"has a range in words. Write {{ low = {span[1]}, high = {span[2]} }}, or put it in "
            "quotes with its unit."
        )
    if unit := _WITH_UNIT.search(bare):
        value = unit[1].replace(",", ".")
        said = f"{value} {unit[2]}"
        share = f"{float(value) / 100.0:g}" if unit[2] == "%" else value
        yield f'has a unit outside quotes: {said}. Write {share}, or "{said}" in quotes.'
    if dash := _DASH.search(bare):
        yield f"has a long dash where a minus should be. Write -{dash[1]}."
    if zero := _ZERO.search(bare):
        yield f"has a number that begins with 0: {zero[1]}. Write {float(zero[1]):g}."
    if point := _POINT.search(bare):
        plain = f"{float(point[1] + point[2])!r}"
        yield f"has a number with nothing beside its point: {point[2]}. Write {plain}."
    if empty := _EMPTY.match(bare):
        yield f"gives {empty[1]} no value. Write one, or drop the line."
    if spaced := _SPACED.match(bare):
        yield f"has a key with spaces: {spaced[1]}. Write {'_'.join(spaced[1].split()).lower()}."
    if colon := _COLON.match(bare):
        yield f"has a colon after {colon[1]}. Write {colon[1]} = ..."
    if line.count('"') % 2 and "'''" not in line:
        yield 'has a text without its closing quote. Write one at its end: "...".'
    if word := _WORD.search(bare):
        yield _of_word(word[1])
    if bare.count("[") != bare.count("]") or bare.count("{") != bare.count("}"):
        yield "has a bracket that is not closed. Close it."
    if _BARE.match(bare):
        yield f"has neither '=' nor brackets: {line.strip()[:40]}. Write a key, '=' and its value."


def _of_word(word: str) -> str:
    if word.lower() in ("true", "false", "yes", "no", "on", "off"):
        plain = "true" if word.lower() in ("true", "yes", "on") else "false"
        return f"has {word}. Write {plain}."
    return f'has a text without quotes: {word}. Write "{word}".'
