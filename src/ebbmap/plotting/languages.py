"""Words of pictures in other languages, from catalogues in the package.

A catalogue is a gettext file (``catalogues/CODE.po``), read as it stands: nothing is compiled, so
no step of a build can be forgotten. What a catalogue lacks stays English.
"""

from __future__ import annotations

import ast
import re
from functools import lru_cache
from pathlib import Path

from ebbmap.errors import EbbmapError, unknown_name

_FOLDER = Path(__file__).parent / "catalogues"

#: The language in which everything is written.
ENGLISH = "en"

#: Languages that write a comma before the decimals, and a space before the sign of per cent.
_COMMA = ("de",)

_PERCENT = re.compile(r"(?<=\d)%")
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


def numbers_in(text: str, code: str) -> str:
    """Return a text with its numbers as a language writes them.

    Examples
    --------
    >>> numbers_in("0.5 to 1.0 s", "de"), numbers_in("0.5", "en")
    ('0,5 to 1,0 s', '0.5')
    >>> numbers_in("20%", "de").split()
    ['20', '%']
    """
    if code not in _COMMA:
        return text
    # 1,024 would read as a little more than one
    apart = _THOUSANDS.sub(lambda found: found[0].replace(",", "\u00a0"), text)
    return _PERCENT.sub("\u00a0%", _DECIMAL.sub(",", apart))
