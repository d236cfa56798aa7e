"""A study before its structure is checked: what each analysis asks, as far as it can be read.

Problems of all kinds are listed at once, so the checks here accept anything that TOML can hold:
what has the wrong type is left out, and reported with the structure.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel, ValidationError

from ebbmap.analyses.options import Axis, as_axis
from ebbmap.cases.checks import complaint
from ebbmap.lungs import DEFAULT_LUNG, LUNGS, Lung
from ebbmap.registries.limits import RULES
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import POPULATIONS


@dataclass(frozen=True)
class RawStudy:
    """A study file as TOML gives it.

    Parameters
    ----------
    raw : mapping
        The whole file.
    """

    raw: Mapping[str, Any]

    def table(self, *path: str) -> dict[str, Any]:
        """Return a table, empty where it is missing or something else."""
        here: Any = self.raw
        for key in path:
            here = here.get(key) if isinstance(here, dict) else None
        return here if isinstance(here, dict) else {}

    @property
    def lung(self) -> Lung:
        """The lung model; the default one where the file names none that is known."""
        return LUNGS.get(str(self.raw.get("lung")), LUNGS[DEFAULT_LUNG])

    @property
    def lung_name(self) -> str:
        """Name of the lung model as the file has it."""
        return str(self.raw.get("lung", DEFAULT_LUNG))

    @property
    def populations(self) -> list[str]:
        """Names of the populations."""
        return words(self.raw.get("populations"))

    @property
    def rules(self) -> list[Any]:
        """What the file lists as rules."""
        return listed(self.table("limits").get("rules", list(RULES)))

    def drawn_by_population(self) -> list[set[str]]:
        """Return the properties that each population carries."""
        own, drawn = self.table("population"), []
        for name in self.populations:
            base = str(self.table("population", name).get("base")) if name in own else name
            bundled = POPULATIONS[base].properties if base in POPULATIONS else ()
            drawn.append({*self.table("population", name, "properties"), *bundled})
        return drawn

    @property
    def drawn(self) -> set[str]:
        """Properties that any population carries."""
        return set().union(*self.drawn_by_population())


@dataclass(frozen=True)
class Asked:
    """One analysis of a study file.

    Parameters
    ----------
    study : RawStudy
        The file.
    place : str
        Its table in the file, such as ``analyses.sobol``.
    raw : mapping
        That table.
    options : type of BaseModel
        The options that it should hold; defaults come from here.
    """

    study: RawStudy
    place: str
    raw: Mapping[str, Any]
    options: type[BaseModel]

    def __contains__(self, key: str) -> bool:
        """Return whether the table itself names an option."""
        return key in self.raw

    def get(self, key: str) -> Any:
        """Return an option as the table names it, or its default; None where it has none."""
        if key in self.raw:
            return self.raw[key]
        field = self.options.model_fields[key]
        return None if field.is_required() else field.get_default(call_default_factory=True)

    def words(self, key: str) -> list[str]:
        """Return the words of an option that is a list."""
        return words(self.get(key))

    def table(self, key: str) -> dict[str, Any]:
        """Return an option that is a table, empty where it is something else."""
        value = self.get(key)
        return dict(value) if isinstance(value, Mapping) else {}

    def need_axis(self, key: str) -> list[str]:
        """Complain of every parameter that an option names and that has no axis."""
        value, axes = self.get(key), self.study.table("axes")
        names = words(value) if isinstance(value, list) else [value]
        return [
            f"{self.place}.{key}: {name} has no axis. Add [axes.{name}]."
            for name in names
            if isinstance(name, str) and name in PARAMETERS and name not in axes
        ]

    @property
    def same_kind(self) -> list[dict[str, Any]]:
        """The tables of an analysis that a study may ask several times, in order."""
        tables = self.study.table("analyses").get(self.place.split(".")[1])
        return [table for table in listed(tables) if isinstance(table, dict)]

    def repeated(self, key: str) -> list[str]:
        """Complain of every word that an option lists twice."""
        return repeated(f"{self.place}.{key}", self.words(key))


def listed(value: object) -> list[Any]:
    """Return a list, empty where the value is something else."""
    return value if isinstance(value, list) else []


def words(value: object) -> list[str]:
    """Return the words of a list; anything else in it is reported with the structure."""
    return [item for item in listed(value) if isinstance(item, str)]


def parameters(names: Iterable[Any]) -> frozenset[str]:
    """Return those that are names of parameters."""
    return frozenset(name for name in names if isinstance(name, str) and name in PARAMETERS)


def repeated(place: str, names: list[str]) -> list[str]:
    """Complain of every name that is listed twice."""
    twice = [name for name in dict.fromkeys(names) if names.count(name) > 1]
    return [f"{place}: {name!r} is listed twice. Keep one of them." for name in twice]


def values_complaint(name: str, values: object) -> str | None:
    """Return what is wrong with a plain list of values, None where the schema reports it."""
    try:
        return complaint(name, Axis.model_validate(as_axis(values)).grid(), "")
    except ValidationError:
        return None
    except ValueError as error:
        return f"{error}."
