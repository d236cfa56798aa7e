"""The long method text beside a picture in other languages: sentence by sentence, never mixed.

A sentence is known by its whole wording with places (`SENTENCES`), and so are the things that
stand one after the other in such a place (`ITEMS`); the catalogue has each of these whole. A
sentence with a place that cannot be filled in the language stays English, among all that are
left so, behind one remark that says it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from functools import lru_cache

from ebbmap.plotting.languages import ENGLISH, catalogue, numbers_in, translated

#: Whole sentences of `caption.py` and of what it quotes. The name of a place says what fills it:
#: `items` one after the other, `limits` of one or more rules, `names` of lungs, anything in
#: `source`, a number else.
SENTENCES = (
    "Held: {items}.",
    "Averaged over {items}.",
    "Drawn beside the lungs: {items}.",
    "Lungs drawn given {items}.",
    "Out of the registry's bounds, marked: {items}.",
    "Solved by {source}.",
    "Knowledge: {number} % intervals of {draws} outer draws of the numbers behind the populations, "
    "each with the same lungs.",
    "How well the populations themselves are known is not in the intervals.",
    "Limits: {limits}.",
    "Lung model: {source}.",
    "Invented lungs.",
    "Invented lungs ({names}).",
    "Lungs drawn from what the study states: {source}.",
    "Common practice holds this mode unsuitable in severe obstructive disease.",
    "The lung {source} has no tube and no slow part: its compliance and resistances were changed "
    "to read alike.",
    "The lung {source} has no tube: its compliance and resistances were changed to read alike.",
    "The lung {source} has no slow part: its compliance and resistances were changed to read "
    "alike.",
    "No population: the properties of the lung are those stated.",
    "One lung, as measured.",
    "Assumed or from memory: {items}.",
)

#: What stands one after the other in `items` and `limits`, besides a value by its name alone.
ITEMS = (
    "{item} (default)",
    "{item} (default, {names})",
    "{item} (caution)",
    "{number} more at the registry's defaults, which the result names",
    "other lung properties at each population's middle",
    "{item} evenly between {number} and {end}",
    "{item} lognormal, median {number} and log-SD {end}",
    "{item} normal, {number} +/- {end}",
    "{item} ({number} values)",
    "{item} in {number} of {total} ({names})",
    "{number} of {total} properties ({names})",
    "all {number} properties ({names})",
)

#: How a rule of a user's own is called, whose name stays.
RULE = "{source} rule"

#: Said once, before the sentences that a catalogue lacks.
LEFT = "In English:"

_PLACE = re.compile(r"\\\{(\w+)\\\}")
_NUMBERS = ("number", "end", "total", "draws")
_AFTER = r"(?P<amount>-?\d\S*(?: to -?\d\S*)?)(?P<unit> [^\d\s]\S*)?"
_AMOUNT = re.compile(rf"(?P<name>.+?) {_AFTER}")
_BOUND = re.compile(rf"(?P<name>.+?) (?P<how>at most|at least) {_AFTER}")
_OUTSIDE = re.compile(r",\s(?![^()]*\))")


def in_language(texts: list[str], code: str) -> list[str]:
    """Return sentences in a language; those that it lacks last, behind one remark.

    Parameters
    ----------
    texts : list of str
        One or more English sentences each.
    code : str
        Code of a catalogue.

    Examples
    --------
    >>> in_language(["Held: T low 0.35 s. Invented lungs (normal)."], "de")
    ['Festgehalten: T low 0,35 s.', 'Erfundene Lungen (normal).']
    >>> in_language(["Held: a thing 3 s.", "One lung, as measured."], "de")
    ['Eine Lunge, wie gemessen.', 'Auf Englisch:', 'Held: a thing 3 s.']
    """
    if code == ENGLISH:
        return texts
    told: list[str] = []
    left: list[str] = []
    for sentence in (one for text in texts for one in sentences_of(text)):
        said = _match(sentence, SENTENCES, code)
        (told if said else left).append(said or sentence)
    return [*told, catalogue(code).get(LEFT, LEFT), *left] if left else told


def sentences_of(text: str) -> list[str]:
    """Cut a text where a known sentence begins.

    Examples
    --------
    >>> sentences_of("Lungs drawn from what the study states: a: Smith et al. One lung. Held: x.")
    ['Lungs drawn from what the study states: a: Smith et al. One lung.', 'Held: x.']
    """
    heads = "|".join(re.escape(form.partition("{")[0].rstrip("(")) for form in SENTENCES)
    return [part for part in re.split(rf"(?<=\.) (?={heads})", text) if part]


def _match(text: str, forms: tuple[str, ...], code: str) -> str:
    """Return a text in a language by the form that it has; empty if there is none."""
    words = catalogue(code)
    for form in forms:
        found = _pattern(form).fullmatch(text)
        if found and form in words:
            places = {name: _filled(name, said, code) for name, said in found.groupdict().items()}
            if all(places.values()):
                return words[form].format(**places)
    return ""


@lru_cache
def _pattern(form: str) -> re.Pattern[str]:
    def place(found: re.Match[str]) -> str:
        what = r"-?\d.*?" if found[1] in _NUMBERS else ".+"
        return f"(?P<{found[1]}>{what})"

    return re.compile(_PLACE.sub(place, re.escape(form)))


def _filled(name: str, text: str, code: str) -> str:
    """Return what fills a place in a language; empty where the language lacks it."""
    if name == "source":
        return text
    if name in _NUMBERS:
        return numbers_in(text, code)
    if name == "names":
        # a lung of a user's own keeps its name
        return ", ".join(translated(part.replace("_", " "), code) for part in text.split(", "))
    if name == "item":
        return _item(text, code)
    if name == "limits":
        return "; ".join(_all(_of_rule(part, code) for part in text.split("; ")))
    return "; ".join(_all(_items(part, code) for part in text.split("; ")))


def _of_rule(text: str, code: str) -> str:
    """Return the limits of a rule behind its name, or those of all rules."""
    name, colon, limits = text.partition(": ")
    if not colon:
        return _items(text, code)
    said = catalogue(code).get(name, "") or _match(name, (RULE,), code)
    rest = _items(limits, code)
    return f"{said}: {rest}" if said and rest else ""


def _items(text: str, code: str) -> str:
    """Return things that stand one after the other; names may hold a comma themselves."""
    parts = _OUTSIDE.split(text)
    told: list[str] = []
    while parts:
        for count in range(len(parts), 0, -1):
            said = _item(", ".join(parts[:count]), code)
            if said:
                told.append(said)
                parts = parts[count:]
                break
        else:
            return ""
    return ", ".join(told)


def _item(text: str, code: str) -> str:
    return _match(text, ITEMS, code) or _value(text, catalogue(code), code)


def _value(text: str, words: Mapping[str, str], code: str) -> str:
    """Return a name, a value or a bound in a language; empty if its name is not known."""
    if text in words:
        return words[text]
    # a name may end like a bound: "P high from the plateau, at most"
    found = _AMOUNT.fullmatch(text)
    if found and found["name"] not in words:
        found = _BOUND.fullmatch(text)
    if not found or found["name"] not in words:
        return ""
    bound = found.groupdict().get("how")
    how = f"{words[bound]} " if bound else ""
    amount = numbers_in(found["amount"].replace(" to ", f" {words['to']} "), code)
    return f"{words[found['name']]} {how}{amount}{found['unit'] or ''}"


def _all(parts: Iterable[str]) -> list[str]:
    """Return parts if none is empty."""
    told = list(parts)
    return told if all(told) else []
