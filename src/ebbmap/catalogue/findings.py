"""What a file of own entries holds: what each reads, where it runs, and what is wrong with it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ebbmap.catalogue.checks import lungs_with
from ebbmap.catalogue.sources import entries_of_file, read_source
from ebbmap.catalogue.value import Catalogue, Own, builtin
from ebbmap.errors import EbbmapError
from ebbmap.registries.limits import LimitSet
from ebbmap.registries.outcomes import OUTCOMES, Outcome
from ebbmap.registries.parameters import inputs_of
from ebbmap.registries.populations import Population


@dataclass(frozen=True)
class Finding:
    """What was found of one entry.

    Parameters
    ----------
    kind, name : str
        Of the entry.
    reads : tuple of str
        Parameters and outcomes that it takes.
    lungs : tuple of str
        Lungs that it runs with.
    problems : tuple of str
        Sentences; none if it passes.
    """

    kind: str
    name: str
    reads: tuple[str, ...]
    lungs: tuple[str, ...]
    problems: tuple[str, ...] = ()

    @property
    def passes(self) -> bool:
        """Whether nothing is wrong with it."""
        return not self.problems


def check_file(path: Path | str) -> list[Finding]:
    """Check every entry of a file as a study that uses it would. The file is run.

    Parameters
    ----------
    path : Path or str
        A .py file.

    Returns
    -------
    list of Finding
        One for each entry, in the order of the file.

    Raises
    ------
    EbbmapError
        If the file cannot be read or run, or has no entry.
    """
    path = Path(path)
    source = read_source(path.name, path.parent)
    return list(_findings(entries_of_file(source, path.parent)))


def _findings(found: list[Own]) -> Iterator[Finding]:
    """Add entries one after the other, so that one with problems does not hide those of others."""
    catalogue = builtin()
    waiting, problems = list(found), dict[int, tuple[str, ...]]()
    while waiting:
        # an entry may need one that stands below it
        left = []
        for own in waiting:
            try:
                catalogue = catalogue.add(own)
                problems.pop(id(own), None)
            except EbbmapError as error:
                problems[id(own)] = tuple(str(error).splitlines())
                left.append(own)
        if len(left) == len(waiting):
            break
        waiting = left
    for own in found:
        yield _finding(own, catalogue, problems.get(id(own), ()))


def _finding(own: Own, catalogue: Catalogue, problems: tuple[str, ...]) -> Finding:
    with catalogue.active():
        lungs = () if problems else tuple(_lungs(own.entry))
    return Finding(own.kind, own.entry.name, _reads(own.entry), lungs, problems)


def _reads(entry: Any) -> tuple[str, ...]:
    if isinstance(entry, Outcome):
        return inputs_of(entry.compute) if entry.compute else ()
    if isinstance(entry, LimitSet):
        return entry.outcomes
    if isinstance(entry, Population):
        return entry.properties
    return tuple(getattr(entry, "parameters", ()))


def _lungs(entry: Any) -> Iterator[str]:
    """Yield the lungs that an entry runs with; a lung runs with itself."""
    if isinstance(entry, (Outcome, LimitSet)):
        names = [entry.name] if isinstance(entry, Outcome) else entry.outcomes
        able = [{lung.name for lung in lungs_with(name)} for name in names if name in OUTCOMES]
        yield from sorted(set.intersection(*able)) if able else ()
    elif hasattr(entry, "solve"):
        yield entry.name
