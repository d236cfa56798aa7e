"""What a bedside command was asked: which lung, which settings, and what nobody gave."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from ebbmap.cli.options import coded, lung_of, population_of, values_of


@dataclass(frozen=True)
class Asked:
    """One lung and its settings, as a command took them.

    Parameters
    ----------
    lung : str
        Name of the model.
    named : bool
        Whether somebody named it.
    population : str or None
        Whose middle lung it is.
    given : dict of str to float
        What was given, and what the commands start from.
    values : dict of str to float
        The same, and the properties of the population's middle lung.
    added : tuple of str
        Names of what nobody gave and the commands start from.
    """

    lung: str
    named: bool
    population: str | None
    given: dict[str, Any]
    values: dict[str, Any]
    added: tuple[str, ...]

    @property
    def whose(self) -> str:
        """Which lung it is, in words."""
        model = f"lung model {self.lung}"
        return f"middle {self.population} lung, {model}" if self.population else model

    def closing(self, everything: bool, defaults: int = 0) -> Iterator[str]:
        """Yield what was taken because nobody gave it, and where the rest is found."""
        from ebbmap.cases.start import start_words
        from ebbmap.tables.brief.words import lines
        from ebbmap.tables.terminal import width

        told = start_words("" if self.named else self.lung, list(self.added))
        if not everything:
            rest = f"; {defaults} values are at their defaults" if defaults else ""
            told = f"{told} More: --all lists every number and all that was held{rest}.".strip()
        yield ""
        yield from lines(told, width())


def asked_of(pairs: list[str] | None, lung: str | None, population: str | None) -> Asked:
    """Return what the words of a command line ask for.

    Parameters
    ----------
    pairs : list of str or None
        NAME=VALUE words.
    lung, population : str or None
        Names, as given.

    Raises
    ------
    EbbmapError
        For words that are not NAME=VALUE, unknown names and values that cannot be.
    """
    from ebbmap.cases.question import Question, middle_lung
    from ebbmap.cases.start import started

    words, added = started(values_of(pairs))
    given = coded(words)
    values: dict[str, Any] = dict(given)
    if population is not None:
        group = population_of(population)
        question = Question(lung_of(lung), given, {}, (group,))
        values = middle_lung(question, question.groups()[0], {})
    return Asked(
        lung=lung_of(lung),
        named=lung is not None,
        population=population,
        given=given,
        values={name: float(value) for name, value in values.items()},
        added=tuple(added),
    )
