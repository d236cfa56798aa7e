"""Words of pictures in other languages, from catalogues in the package.

A catalogue is a gettext file (``catalogues/CODE.po``), read as it stands: nothing is compiled, so
no step of a build can be forgotten. What a catalogue lacks stays English.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import Any

from matplotlib.axis import Axis
from matplotlib.figure import Figure
from matplotlib.text import Text
from matplotlib.ticker import FuncFormatter

from ebbmap.errors import EbbmapError, unknown_name

_FOLDER = Path(__file__).parent / "catalogues"

#: The language in which everything is written.
ENGLISH = "en"

#: Languages that write a comma before the decimals.
_COMMA = ("de",)

_UNIT = re.compile(r"^(?P<name>.*?) (?P<unit>\[[^\]]+\])$", re.DOTALL)
_BOUND = re.compile(
    r"^(?P<name>.+?) (?P<how>at most|at least|below|above|between) (?P<rest>-?\d.*)$", re.DOTALL
)
_VALUE = re.compile(r"^(?P<name>[^\d]+?) (?P<rest>-?\d[\d.]*(?: to -?\d[\d.]*)?(?: \S+)?)$")
_SIDE = re.compile(r"^(?P<name>.+) (?P<side>too high|too low)$")
_AND = re.compile(r" and (?!-?\d)")
_DECIMAL = re.compile(r"(?<=\d)\.(?=\d)")
_THOUSANDS = re.compile(r"(?<![\d.,])\d{1,3}(?:,\d{3})+(?![\d,])")


def languages() -> tuple[str, ...]:
    """Return the codes of all languages there are, English first."""
    return (ENGLISH, *sorted(path.stem for path in _FOLDER.glob("*.po")))


def check_language(code: str) -> str:
    """Return a code that there is.

    Raises
    ------
    EbbmapError
        If there is no catalogue of this code.
    """
    if code not in languages():
        raise EbbmapError(unknown_name("language", code, languages()))
    return code


@lru_cache
def catalogue(code: str) -> dict[str, str]:
    """Return English text -> text of a language, as its file says.

    Raises
    ------
    EbbmapError
        If there is no such language.
    """
    if check_language(code) == ENGLISH:
        return {}
    return read_po((_FOLDER / f"{code}.po").read_text(encoding="utf-8"))


def read_po(text: str) -> dict[str, str]:
    r"""Return the entries of a gettext catalogue that are translated, its head left out.

    Examples
    --------
    >>> read_po('msgid "time"\nmsgstr "Zeit"\n\nmsgid "open"\nmsgstr ""\n')
    {'time': 'Zeit'}
    """
    found: dict[str, str] = {}
    parts = {"msgid": "", "msgstr": ""}
    key = ""
    for line in [*text.splitlines(), 'msgid ""']:
        word, _, rest = line.partition(" ")
        if word == "msgid" and parts["msgid"] and parts["msgstr"]:
            found[parts["msgid"]] = parts["msgstr"]
        if word in parts:
            if word == "msgid":
                parts = {"msgid": "", "msgstr": ""}
            key = word
            parts[key] = ast.literal_eval(rest)
        elif line.startswith('"') and key:
            parts[key] += ast.literal_eval(line)
    return found


def translated(text: str, code: str) -> str:
    """Return a text of a picture in a language: whole, part by part, or its numbers alone.

    Examples
    --------
    >>> translated("compliance [mL/cmH₂O]", "de"), translated("0.5 s", "de")
    ('Compliance [mL/cmH₂O]', '0,5 s')
    >>> translated("flow ratio 0.5 to 0.75, auto-PEEP at most 15 cmH₂O", "de")
    'Flussverhältnis 0,5 bis 0,75, Auto-PEEP höchstens 15 cmH₂O'
    >>> translated("compliance above 37.2 mL/cmH₂O and T low between 0.5 and 1 s", "de")
    'Compliance über 37,2 mL/cmH₂O und T low zwischen 0,5 und 1 s'
    >>> translated("arterial pH too high", "de")
    'arterieller pH zu hoch'
    """
    if code == ENGLISH or not text.strip():
        return text
    words = catalogue(code)
    flat = " ".join(text.split())
    if flat in words:
        return words[flat]
    if "\n" in text and not _UNIT.match(text):
        return "\n".join(translated(line, code) for line in text.split("\n"))
    if (found := _UNIT.match(flat)) and found["name"] in words:
        return f"{words[found['name']]} {found['unit']}"
    if (found := _SIDE.match(flat)) and found["name"] in words:
        return f"{words[found['name']]} {words.get(found['side'], found['side'])}"
    found = _BOUND.match(flat)
    if found and found["name"] in words and ", " not in flat and not _AND.search(found["rest"]):
        how = words.get(found["how"], found["how"])
        rest = found["rest"].replace(" and ", words.get(" and ", " and "))
        return f"{words[found['name']]} {how} {numbers_in(rest, code)}"
    if (found := _VALUE.match(flat)) and found["name"] in words:
        rest = found["rest"].replace(" to ", f" {words.get('to', 'to')} ")
        return f"{words[found['name']]} {numbers_in(rest, code)}"
    for mark in (": ", ", ", " and "):
        parts = _AND.split(flat) if mark == " and " else flat.split(mark)
        if len(parts) == 1:
            continue
        told = [translated(part, code) for part in parts]
        if told != parts:
            return words.get(mark, mark).join(told)
    for piece, said in words.items():
        # entries that begin or end with a space stand within sentences that numbers make
        if piece != piece.strip():
            text = text.replace(piece, said)
    return numbers_in(text, code)


def phrase(template: str, code: str, **values: str) -> str:
    """Return a sentence in a language, with values in their places.

    Parameters
    ----------
    template : str
        English, with names in braces, as the catalogue has it.
    code : str
        The language.
    **values : str
        What stands in the braces; translated too where the catalogue has it.
    """
    text = catalogue(code).get(template, template) if code != ENGLISH else template
    return text.format(**{name: translated(value, code) for name, value in values.items()})


def numbers_in(text: str, code: str) -> str:
    """Return a text with its numbers as a language writes them.

    Examples
    --------
    >>> numbers_in("0.5 to 1.0 s", "de"), numbers_in("0.5", "en")
    ('0,5 to 1,0 s', '0.5')
    """
    if code not in _COMMA:
        return text
    # 1,024 would read as a little more than one
    apart = _THOUSANDS.sub(lambda found: found[0].replace(",", "\u00a0"), text)
    return _DECIMAL.sub(",", apart)


def translate(fig: Figure, code: str) -> None:
    """Write every text of a figure in a language, and the numbers of its axes."""
    if code == ENGLISH:
        return
    for text in fig.findobj(Text):
        if text.get_gid() != "caption":
            text.set_text(translated(text.get_text(), code))
    for ax in fig.axes:
        for axis in (ax.xaxis, ax.yaxis):
            _translate_ticks(axis, code)


def _translate_ticks(axis: Axis, code: str) -> None:
    known = axis.get_major_formatter()

    def formatted(value: float, place: int | None = None) -> str:
        return translated(str(known(value, place)), code)

    axis.set_major_formatter(_Formatter(formatted, known))


class _Formatter(FuncFormatter):
    """A formatter that asks another one, and translates what it says."""

    def __init__(self, function: Callable[..., str], asked: Any) -> None:
        super().__init__(function)
        self._asked = asked

    def set_locs(self, locs: Any) -> None:
        """Pass on to the formatter that is asked where the ticks are."""
        self._asked.set_locs(locs)
