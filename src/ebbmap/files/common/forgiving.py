"""What a reader understands though it is spelled otherwise: upper case, and numbers with a unit.

Names of the registries and keys of a file are known in any case, with blanks or hyphens for the
underscore; a number may stand in quotes with its unit, and is then converted.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cache
from typing import Any, get_args

from pydantic import BaseModel

from ebbmap.errors import SHOWN, shortened
from ebbmap.files.common.lines import Place
from ebbmap.lungs import LUNGS
from ebbmap.registries.limits import LIMIT_SETS
from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import POPULATIONS
from ebbmap.units import conversion, display

#: Keys of texts that are free: nothing in them is a name.
FREE = frozenset(
    {
        *(
            "title",
            "question",
            "institution",
            "owner",
            "version",
            "valid_until",
            "why",
            "source",
            "own",
            "long_name",
            "table",
        ),
        *("weights", "group", "words", "leaves_out", "use", "when", "until"),
        *("goal", "cap", "move", "end", "halt", "confirmed"),
    }
)

#: Tables of an own population that speak of a table's headers.
FREE_TABLES = frozenset({"columns", "units"})

#: Units of keys that no registry holds.
_UNITS: Mapping[str, str] = {
    "wanted": "1",
    "weight": "1",
    "own_breathing": "L min-1",
    "volume_per_kg": "mL kg-1",
    "peep": "cmH2O",
    "plus": "cmH2O",
    "ratio": "1",
    "error": "1",
    "bias": "1",
    "fails": "1",
    "multiple": "1",
    "log_sd": "1",
}

#: Tables whose keys are names of parameters, with what stands under them.
_OF_PARAMETERS = frozenset(
    {"settings", "start", "fixed", "eligible", "axes", "samples", "step", "properties"}
)

_NUMBER = r"[+\-−]?\d+(?:[.,]\d+)?"
_AMOUNT = re.compile(rf"\s*({_NUMBER})\s*(\S.*?)?\s*")
_RANGE = re.compile(rf"\s*({_NUMBER})\s*(?:to|–|-|\.\.)\s*({_NUMBER})\s*(\S.*?)?\s*")


@dataclass
class Understood:
    """A file as it is meant.

    Parameters
    ----------
    raw : dict
        Its tables, with the names of the registries and numbers in their units.
    stated : set of tuple
        Places whose unit was written beside the number.
    problems : list of str
        Numbers that cannot be read, each with its place.
    """

    raw: dict[str, Any]
    stated: set[Place] = field(default_factory=set)
    problems: list[str] = field(default_factory=list)


def plain(name: str) -> str:
    """Return a name without case, blanks, hyphens and underscores.

    Examples
    --------
    >>> plain("P high"), plain("SpO₂")
    ('phigh', 'spo2')
    """
    return re.sub(r"[\s_-]+", "", name.translate(_LOWERED)).casefold()


_LOWERED = str.maketrans("₀₁₂₃₄₅₆₇₈₉", "0123456789")


def understood(raw: Mapping[str, Any], schema: type[BaseModel]) -> Understood:
    """Return a file with the names and numbers that it means.

    Parameters
    ----------
    raw : mapping
        Tables as TOML gives them.
    schema : type of BaseModel
        Of this kind of file.
    """
    own = raw.get("population")
    names = [name for name in own if isinstance(name, str)] if isinstance(own, dict) else []
    keys = dict.fromkeys((*_keys_of(schema), *PARAMETERS, *OUTCOMES))
    words = dict.fromkeys(
        (*POPULATIONS, *LIMIT_SETS, *LUNGS, *PARAMETERS, *OUTCOMES, *_words_of(schema))
    )
    known = _Known(
        _by_plain(keys),
        frozenset(keys),
        _by_plain((*words, *names)),
        frozenset((*words, *names)),
    )
    found = Understood({})
    found.raw = _table(raw, (), known, found)
    return found


@dataclass(frozen=True)
class _Known:
    """Names that a file may use: of keys, and of values."""

    keys: Mapping[str, str]
    exact_keys: frozenset[str]
    words: Mapping[str, str]
    exact_words: frozenset[str]

    def key(self, key: str) -> str:
        """Return the key that is meant, or the key itself."""
        if key in self.exact_keys or len(key) > SHOWN:
            return key
        return self.keys.get(plain(key), key)

    def word(self, word: object) -> object:
        """Return the word that is meant, or the value itself."""
        if not isinstance(word, str) or word in self.exact_words or len(word) > SHOWN:
            return word
        return self.words.get(plain(word), word)


def _by_plain(names: Iterable[str]) -> dict[str, str]:
    return {plain(name): name for name in names}


def _table(
    table: Mapping[str, Any], place: Place, known: _Known, found: Understood
) -> dict[str, Any]:
    result: dict[str, Any] = {}
    outcome = next((known.word(table[k]) for k in table if plain(k[:SHOWN]) == "outcome"), None)
    for key, value in table.items():
        meant = key if place == ("population",) else known.key(key)
        name = key if meant in table else meant
        result[name] = _value(value, (*place, name), known, found, outcome)
    return result


def _value(
    value: Any, place: Place, known: _Known, found: Understood, outcome: object = None
) -> Any:
    texts = value if isinstance(value, list) else [value]
    # what is measured is a name of the registry; a rule's is the author's own
    own_name = place[-1] == "name" and place[0] != "measure"
    if (
        own_name
        or place[-1] in FREE_TABLES
        or (place[-1] in FREE and not any(isinstance(one, dict) for one in texts))
    ):
        return value
    if isinstance(value, dict):
        return _table(value, place, known, found)
    if isinstance(value, list):
        return [_value(one, (*place, i), known, found) for i, one in enumerate(value)]
    if not isinstance(value, str) or len(value) > SHOWN:
        return value
    units = unit_of(place, outcome)
    return known.word(value) if units is None else _number(value, place, units, found)


def _number(text: str, place: Place, units: str, found: Understood) -> Any:
    """Return the number, or the range, that a text with a unit states."""
    try:
        if (span := _RANGE.fullmatch(text)) and {"settings", "start"} & set(place):
            value: Any = {"low": _converted(span[1], span[3], units)}
            value["high"] = _converted(span[2], span[3], units)
        elif amount := _AMOUNT.fullmatch(text):
            value = _converted(amount[1], amount[2], units)
        else:
            return text
    except ValueError as error:
        shown = display(units) or "a plain number"
        path = ".".join(map(str, place))
        found.problems.append(
            f"{path}: must be a number in {shown}; got {shortened(text)}: {error}."
        )
        return 0.0
    found.stated.add(place)
    return value


def _converted(number: str, unit: str | None, units: str) -> float:
    """Return a number in the unit that is wanted; without a unit it is in that one."""
    top, bottom = conversion(unit or units, units)
    return float(number.replace(",", ".").replace("−", "-")) * top / bottom


def unit_of(place: Place, outcome: object = None) -> str | None:
    """Return the unit of a number at a place of a file, or None where no number stands.

    Parameters
    ----------
    place : tuple
        Keys, and numbers within lists.
    outcome : object
        What a limit in the same table is about.

    Examples
    --------
    >>> unit_of(("settings", "t_low", "at_most")), unit_of(("title",))
    ('s', None)
    """
    keys = [key for key in place if isinstance(key, str)]
    last = keys[-1] if keys else ""
    if last in ("family", "rule", "spacing", *FREE):
        return None
    if last in ("low", "high", "width", "uncertainty") and "own" in keys:
        return OUTCOMES[outcome].units if isinstance(outcome, str) and outcome in OUTCOMES else None
    if last in _UNITS and keys[0] != "measure":
        return _UNITS[last]
    if "multiple" in keys:
        return "1"
    for parent, key in itertools.pairwise(keys):
        if parent in ("eligible", "uncertainty") and key in OUTCOMES:
            return OUTCOMES[key].units
        if parent in _OF_PARAMETERS and key in PARAMETERS and not PARAMETERS[key].choices:
            return PARAMETERS[key].units
    return None


@cache
def _keys_of(schema: type[BaseModel]) -> tuple[str, ...]:
    """Return the keys of a schema and of every table in it."""
    names: dict[str, None] = {}
    for model in _models_of(schema):
        for name, info in model.model_fields.items():
            names[info.alias or name] = None
    return tuple(names)


@cache
def _words_of(schema: type[BaseModel]) -> tuple[str, ...]:
    """Return the words that a schema lets a value be."""
    words: dict[str, None] = {}
    for model in _models_of(schema):
        for info in model.model_fields.values():
            for one in _parts(info.annotation):
                if isinstance(one, str):
                    words[one] = None
    return tuple(words)


def _models_of(schema: type[BaseModel]) -> list[type[BaseModel]]:
    """Return a schema and every table in it."""
    found, waiting = [], [schema]
    while waiting:
        model = waiting.pop()
        if model in found:
            continue
        found.append(model)
        for info in model.model_fields.values():
            parts = [*_parts(info.annotation)]
            waiting += [p for p in parts if isinstance(p, type) and issubclass(p, BaseModel)]
    return found


def _parts(annotation: Any) -> Iterator[Any]:
    """Yield what an annotation is made of: types, and the words of a literal."""
    arguments = get_args(annotation)
    if not arguments:
        yield annotation
    for one in arguments:
        yield from _parts(one)
