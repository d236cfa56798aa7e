"""Sentences of pictures in other languages: known by the forms that a catalogue has.

Results keep English sentences, so a sentence is translated by its form: a text of the catalogue
with named places, each of which is filled in the language too. What has no form as a whole is not
translated in parts, since half a sentence is no language.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from functools import lru_cache
from itertools import chain
from textwrap import fill
from typing import NamedTuple

import numpy as np
import xarray as xr

from ebbmap.lungs import LUNGS
from ebbmap.plotting.languages import ENGLISH, catalogue, numbers_in
from ebbmap.registries.limits import LIMIT_SETS
from ebbmap.registries.populations import POPULATIONS
from ebbmap.registries.strategies import STRATEGIES
from ebbmap.units import DISPLAY

#: Said once, before the sentences that a catalogue lacks.
LEFT = "In English:"

#: Places that hold names, which stay where the catalogue lacks them; what stays as it is; numbers,
#: without and with a unit. A figure behind a place's name tells it from others of its kind.
NAMES, VERBATIM, NUMBERS, AMOUNTS = ("names", "lungs"), "source", "number", "amount"

#: Dimensions whose entries have names, and the names that come with the package.
Names = frozenset[str]
NAMED = ("population", "case", "rule", "model", "strategy")
BUNDLED: Names = frozenset(
    name.replace("_", " ")
    for known in (POPULATIONS, LIMIT_SETS, STRATEGIES, LUNGS)
    for name in known
)

#: Letters outside of its places from which on a form is a sentence, tried before lists are.
SENTENCE = 16

#: Marks between things that stand one after the other.
AND = " and "
_MARKS = ("; ", ", ", AND)

_PLACE = re.compile(r"\{(\w+?)(\d*)\}")
_NUMBER = r"[-−+±<~]?\d[\d,]*(?:\.\d+)?(?:e[-+]?\d+)?(?: %)?"
_UNITS = "|".join(re.escape(unit) for unit in (*DISPLAY.values(), "cmH2O", "L", "min", "h") if unit)
_AMOUNT = rf"{_NUMBER}(?: (?:to|±|\+/-) {_NUMBER})?(?: ?(?:{_UNITS}))?"
_FILLS = {NUMBERS: _NUMBER, AMOUNTS: _AMOUNT}
_SENTENCE_END = re.compile(r"(?<=[.?!]) (?=\S)")


class Form(NamedTuple):
    """A text with places: its words, in their order, and what it matches."""

    text: str
    words: tuple[str, ...]
    pattern: re.Pattern[str]


class Forms(NamedTuple):
    """The forms of a catalogue, each kind with those of most words first."""

    sentences: tuple[Form, ...]
    shorter: tuple[Form, ...]


@lru_cache
def forms(code: str) -> Forms:
    """Return the texts of a catalogue that have places."""
    texts = [text for text in catalogue(code) if _PLACE.search(text)]
    made = [Form(text, tuple(_PLACE.split(text)[::3]), _pattern(text)) for text in texts]
    made.sort(key=lambda form: -len("".join(form.words)))
    sentences = [form for form in made if len("".join(form.words)) >= SENTENCE]
    return Forms(tuple(sentences), tuple(made[len(sentences) :]))


def _pattern(text: str) -> re.Pattern[str]:
    parts = _PLACE.split(text)
    made = re.escape(parts[0])
    for kind, number, after in zip(parts[1::3], parts[2::3], parts[3::3], strict=True):
        made += f"(?P<{kind}{number}>{_FILLS.get(kind, '.+?')}){re.escape(after)}"
    return re.compile(made)


def translated(text: str, code: str, names: Names = BUNDLED) -> str:
    """Return a text of a picture in a language: the whole of it, or its numbers alone.

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
    if "\n" not in text:
        return _said(" ".join(text.split()), code, names) or numbers_in(text, code)
    lines = [" ".join(line.split()) for line in text.split("\n")]
    by_line = [line and _said(line, code, names) for line in lines]
    if all(said or not line for said, line in zip(by_line, lines, strict=True)):
        return "\n".join(by_line)
    whole = _said(" ".join(text.split()), code, names)
    widest = max(map(len, [*lines, *whole.split()]))
    return fill(whole, widest, break_long_words=False) if whole else numbers_in(text, code)


def in_language(texts: Sequence[str], code: str, names: Names = BUNDLED) -> list[str]:
    """Return sentences in a language; those that it lacks last, behind one remark.

    Parameters
    ----------
    texts : list of str
        One or more English sentences each.
    code : str
        Code of a catalogue.
    names : frozenset of str
        Names that stay as they are.

    Examples
    --------
    >>> in_language(["Held: T low 0.35 s. Invented lungs (normal)."], "de")
    ['Festgehalten: T low 0,35 s.', 'Erfundene Lungen (normal).']
    >>> in_language(["Held: a thing 3 s.", "One lung, as measured."], "de")
    ['Eine Lunge, wie gemessen.', 'Auf Englisch:', 'Held: a thing 3 s.']
    """
    if code == ENGLISH:
        return list(texts)
    flat = (" ".join(text.split()) for text in texts)
    pairs = [pair for text in flat for pair in _sentences(text, code, names)]
    told = [said for _, said in pairs if said]
    left = [sentence for sentence, said in pairs if not said]
    return [*told, catalogue(code).get(LEFT, LEFT), *left] if left else told


def _sentences(text: str, code: str, names: Names) -> Iterator[tuple[str, str]]:
    """Cut a text into sentences; yield each, and what it is in a language, empty if nothing."""
    for part in _known_parts(text, code):
        pieces = [part] if _quotes(part, code) else _SENTENCE_END.split(part)
        while pieces:
            # what ends like a sentence may be a part of one
            ends = range(1, len(pieces) + 1)
            tried = ((end, _said(" ".join(pieces[:end]), code, names)) for end in ends)
            end, said = next(((end, said) for end, said in tried if said), (1, ""))
            yield " ".join(pieces[:end]), said
            pieces = pieces[end:]


def _known_parts(text: str, code: str) -> list[str]:
    """Cut a text where the first words of a known sentence stand."""
    return [part for part in _heads(code).split(text) if part]


def _quotes(text: str, code: str) -> bool:
    """Return whether a text is a sentence that quotes others as they are."""
    return any(
        VERBATIM in form.text and _holds(text, form.words) and form.pattern.fullmatch(text)
        for form in chain(*forms(code))
    )


@lru_cache
def _heads(code: str) -> re.Pattern[str]:
    """Return where a sentence of a catalogue begins that begins with words."""
    heads = {text.partition("{")[0].rstrip("( ") for text in catalogue(code)}
    known = sorted(head for head in heads if head[:1].isupper() and re.search("[ :]", head))
    return re.compile(rf"(?<=[.?!]) (?={'|'.join(map(re.escape, known))})")


@lru_cache(maxsize=1 << 16)
def _said(text: str, code: str, names: Names) -> str:
    """Return a text in one line in a language; empty where the language lacks a part of it."""
    words = catalogue(code)
    if text in words:
        return words[text]
    if text.endswith("."):
        said = _said(text[:-1], code, names)
        return f"{said}." if said else ""
    if re.fullmatch(_AMOUNT, text):
        return _numbers(text, code)
    if said := words.get(_lower(text), ""):
        return _capital(said)
    # a sentence may hold lists, and a list what has a form
    if said := _formed(text, forms(code).sentences, code, names):
        return said
    for mark in _MARKS:
        if mark in text and (said := _listed(text, mark, code, names)):
            return said
    return _formed(text, forms(code).shorter, code, names) or (text if text in names else "")


def _formed(text: str, known: Sequence[Form], code: str, names: Names) -> str:
    """Return a text in a language by the first form that it has, empty if it has none."""
    for form in known:
        for begun in dict.fromkeys((text, _lower(text))):
            if not (_holds(begun, form.words) and (found := form.pattern.fullmatch(begun))):
                continue
            parts = found.groupdict().items()
            places = {place: _filled(place, part, code, names) for place, part in parts}
            if all(places.values()):
                said = catalogue(code)[form.text].format(**places)
                return said if begun == text else _capital(said)
    return ""


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _holds(text: str, words: tuple[str, ...]) -> bool:
    """Return whether a text begins and ends with words, the others between, in their order."""
    if not (text.startswith(words[0]) and text.endswith(words[-1])):
        return False
    place = 0
    for word in words:
        place = text.find(word, place)
        if place < 0:
            return False
        place += len(word)
    return True


def _filled(place: str, text: str, code: str, names: Names) -> str:
    """Return what fills a place in a language; empty where the language lacks it."""
    kind = place.rstrip("0123456789")
    if kind == VERBATIM:
        return text
    if kind in _FILLS:
        return _numbers(text, code)
    if kind in NAMES:
        parts = [part.replace("_", " ") for part in text.split(", ")]
        return ", ".join(_said(part, code, names) for part in parts) if names >= {*parts} else ""
    return _said(text, code, names)


def own_names(result: xr.Dataset) -> Names:
    """Return the names in a result: those of `NAMED`, of the rules that judge, of lung models.

    A catalogue has some of the bundled ones; all others are as their giver wrote them.
    """
    named = [result.coords[dim].values.astype(str) for dim in NAMED if dim in result.coords]
    said = [str(name) for some in named for name in np.ravel(some)]
    judged = str(result.attrs.get("rules", "")).split("; ")
    said += [part.partition(": ")[0] for part in judged if ": " in part]
    said.append(str(result.attrs.get("lung", "")))
    return BUNDLED | {name.replace("_", " ") for name in said}


def _numbers(text: str, code: str) -> str:
    return numbers_in(text.replace(" to ", f" {catalogue(code).get('to', 'to')} "), code)


def _listed(text: str, mark: str, code: str, names: Names) -> str:
    """Return things that stand one after the other; a name may hold a mark itself."""
    parts = text.split(mark)
    # what the things from each part on are, found from the last on; empty where they are none
    rest = [*[""] * len(parts), ""]
    between = catalogue(code).get(mark, mark)
    for start in reversed(range(len(parts))):
        for end in range(start + 1, len(parts) + (start > 0)):
            if (end == len(parts) or rest[end]) and (
                said := _said(mark.join(parts[start:end]), code, names)
            ):
                rest[start] = said + (between + rest[end] if rest[end] else "")
                break
    return rest[0]
