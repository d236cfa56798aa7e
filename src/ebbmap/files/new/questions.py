"""Questions of a new file: how an answer is read, and what does not fit together."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from ebbmap.errors import EbbmapError, shortened, unknown_name
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.units import conversion, display, likely_slip, mistaken

Value = str | float

#: Another question, and the answers to it with which one is asked; see `word`. None: always.
Condition = tuple[str, tuple[str, ...]] | None

#: Keys of answers, and the answers.
Answers = Mapping[str, Value]


def word(value: Value) -> str:
    """Return an answer as conditions name it: a text is itself, a number "0" or "+".

    Examples
    --------
    >>> word("range"), word(0.0), word(0.3)
    ('range', '0', '+')
    """
    if isinstance(value, str):
        return value
    return "+" if value > 0 else "0"


@dataclass(frozen=True)
class Question:
    """One question of a new file.

    Parameters
    ----------
    key : str
        Its name: what --set takes, and what stands in the lines of the file.
    label : str
        What is asked.
    default : str or float
        The answer where nobody gives one.
    kind : {"text", "number", "choice"}
        What an answer is.
    units : str
        Of a number, in UDUNITS spelling.
    low, high : float
        Between which a number must lie.
    usual : tuple of float, optional
        Where numbers usually lie; one far outside that fits another unit is refused.
    choices : tuple of str
        Of a choice.
    when : tuple of (str, tuple of str), optional
        Another question before it, and the answers to it with which this one is asked; see `word`.
    """

    key: str
    label: str
    default: Value
    kind: Literal["text", "number", "choice"] = "text"
    units: str = "1"
    low: float = -math.inf
    high: float = math.inf
    usual: tuple[float, float] | None = None
    choices: tuple[str, ...] = ()
    when: Condition = None

    def asked(self, answers: Answers) -> bool:
        """Return whether it is asked beside these answers."""
        if self.when is None:
            return True
        key, words = self.when
        return key in answers and word(answers[key]) in words

    def value(self, text: object) -> Value:
        """Return an answer as a value.

        Raises
        ------
        EbbmapError
            If it is no number, no choice, or a number that cannot be meant.

        Examples
        --------
        >>> ask = of_parameter("t_low", "T low", "t_low", 0.5)
        >>> ask.value("500 ms")
        0.5
        """
        if self.kind == "number":
            return self._number(text)
        said = str(text).strip()
        if self.kind == "choice":
            for choice in self.choices:
                if said.casefold() == choice.casefold():
                    return choice
            raise EbbmapError(f"{self.key}: {unknown_name('answer', said, self.choices)}")
        if any(ord(letter) < 32 for letter in said):
            raise EbbmapError(f"{self.key}: must be one line of text; got {shortened(said)}.")
        return said

    def _number(self, text: object) -> float:
        number, _, unit = str(text).strip().replace(",", ".", 1).partition(" ")
        try:
            top, bottom = conversion(unit.strip() or self.units, self.units)
            value = float(number) * top / bottom
        except ValueError:
            shown = display(self.units) or "a plain number"
            raise EbbmapError(
                f"{self.key}: must be a number in {shown}; got {shortened(str(text))}."
            ) from None
        if said := self.complaint(value, unit_stated=bool(unit.strip())):
            raise EbbmapError(said)
        return value

    def complaint(self, value: float, *, unit_stated: bool = False) -> str | None:
        """Return why a number cannot be meant, or None."""
        unit = display(self.units)
        slip = likely_slip(self.units, value, self.usual)
        guess = f" Did you mean {slip.said}?" if slip else ""
        if not self.low <= value <= self.high:
            ends = f"{self.low:g} and {self.high:g} {unit}".rstrip()
            return f"{self.key}: must be between {ends}; got {value:g}.{guess}"
        if slip and not unit_stated and self.usual is not None:
            usual = f"{self.usual[0]:g} to {self.usual[1]:g} {unit}".rstrip()
            return f"{self.key}: is usually {usual}; got {value:g}.{guess}"
        return None

    def data(self) -> dict[str, Any]:
        """Return the question as the form's script reads it."""
        finite = {"low": self.low, "high": self.high}
        slips = []
        for other in mistaken(self.units):
            top, bottom = conversion(other, self.units)
            slips.append([other, top, bottom])
        return {
            "key": self.key,
            "label": self.label,
            "default": self.default,
            "kind": self.kind,
            "unit": display(self.units),
            **{name: end for name, end in finite.items() if math.isfinite(end)},
            "usual": self.usual,
            "slips": slips,
            "choices": self.choices,
            "when": self.when,
        }


@dataclass(frozen=True)
class Pair:
    """Two numbers of which the first must not exceed the second.

    Parameters
    ----------
    first, second : str
        Keys of questions.
    swapped : str
        What is said where it does.
    strict : bool
        Whether they must differ.
    """

    first: str
    second: str
    swapped: str
    strict: bool = False

    def broken(self, answers: Answers) -> bool:
        """Return whether the first is too large beside the second."""
        if self.first not in answers or self.second not in answers:
            return False
        first, second = float(answers[self.first]), float(answers[self.second])
        return first >= second if self.strict else first > second


def of_parameter(
    key: str,
    label: str,
    name: str,
    default: float,
    when: Condition = None,
) -> Question:
    """Return a question whose unit and bounds are those of a parameter."""
    entry = PARAMETERS[name]
    return Question(
        key,
        label,
        default,
        "number",
        entry.units,
        entry.low,
        entry.high,
        (entry.usual_low, entry.usual_high),
        when=when,
    )


@dataclass(frozen=True)
class Kind:
    """A kind of new file.

    Parameters
    ----------
    name : str
        Of the kind.
    questions : tuple of Question
        In order.
    pairs : tuple of Pair
        Numbers that must be in order.
    """

    name: str
    questions: tuple[Question, ...]
    pairs: tuple[Pair, ...] = ()

    def question(self, key: str) -> Question:
        """Return a question by its key.

        Raises
        ------
        EbbmapError
            If there is none of this name.
        """
        for one in self.questions:
            if one.key == key:
                return one
        raise EbbmapError(unknown_name("question", key, [one.key for one in self.questions]))

    def answers(self, given: Mapping[str, object]) -> dict[str, Value]:
        """Return every answer that is asked for, with its default where nobody gave one.

        Raises
        ------
        EbbmapError
            With a line for each answer that cannot be.
        """
        problems, found = [], {one.key: one.default for one in self.questions}
        for key, text in given.items():
            try:
                found[key] = self.question(key).value(text)
            except EbbmapError as error:
                problems.append(str(error))
        asked: dict[str, Value] = {}
        for one in self.questions:
            if one.asked(asked):
                asked[one.key] = found[one.key]
        unasked = [key for key in given if key in found and key not in asked]
        problems += [f"{key}: is not asked beside the other answers. Drop it." for key in unasked]
        problems += self.problems(asked)
        if problems:
            raise EbbmapError("\n".join(problems))
        return asked

    def problems(self, answers: Answers) -> list[str]:
        """Return what does not fit together."""
        found = [pair.swapped for pair in self.pairs if pair.broken(answers)]
        weights = [float(v) for key, v in answers.items() if key.startswith("weight_")]
        if weights and not any(weights):
            found.append("weight: at least one group must have patients.")
        return found
