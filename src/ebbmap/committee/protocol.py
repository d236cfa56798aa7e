"""A committee's protocol as plain values: a draft, the lungs it is for, and how much must be safe.

Nothing here knows of files: `ebbmap.files.protocol` builds it from what a committee writes.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Self

from ebbmap.committee.draft import Draft, Span, needed_properties
from ebbmap.engines import Engine, check_choice
from ebbmap.lungs import Lung
from ebbmap.registries.cohorts import Rows
from ebbmap.registries.copula import known_of
from ebbmap.registries.folding import folded
from ebbmap.registries.limits import LimitSet
from ebbmap.registries.populations import Population


@dataclass(frozen=True)
class Own:
    """What holds for one group in the place of what the file says of all.

    Parameters
    ----------
    draft : Draft
        Its settings.
    limits : LimitSet
        What counts as safe.
    rules : tuple of str
        Names of the rules for T low among the limits.
    fixed : mapping of str to float
        Parameters with one value for each of its lungs, those of the whole file among them.
    """

    draft: Draft
    limits: LimitSet
    rules: tuple[str, ...]
    fixed: Mapping[str, float]


@dataclass(frozen=True)
class Group:
    """One population of a protocol.

    Parameters
    ----------
    population : Population
        Its lungs.
    weight : float
        Its share of all patients; the weights of a protocol add up to one.
    wanted : float
        Share of lung and setting combinations that must be safe.
    own : Own, optional
        Settings, limits and fixed values of its own; those of the whole file if absent.
    """

    population: Population
    weight: float
    wanted: float
    own: Own | None = None

    @property
    def name(self) -> str:
        """Name of the population."""
        return self.population.name


@dataclass(frozen=True, kw_only=True)
class Protocol:
    """A protocol that passed every check.

    Parameters
    ----------
    title, question, institution : str
        What the committee calls it, what it asks, and who it is; may be empty but for the title.
    owner, version, valid_until : str
        Who answers for the protocol, its version, and the day (YYYY-MM-DD) on which it expires;
        may be empty.
    text : str
        The file as it was read.
    stated : mapping of str to object
        The same, key by key, every default filled in: what distinguishes a check from another one.
    lung : Lung
        The model.
    engine : {"numpy", "jax", "auto"}
        What solves it.
    draft : Draft
        The settings.
    groups : tuple of Group
        The populations that it is for.
    limits : LimitSet
        What counts as safe.
    rules : tuple of str
        Names of the rules for T low among the limits.
    fixed : mapping of str to float
        Parameters with one value for every lung, in registry units.
    eligible : mapping of str to Span
        Range of a property within which a lung gets the mode; infinite where an end is open.
    wanted : float
        Share of the whole that must be safe.
    lungs, settings_drawn : int
        Lungs drawn from each population, and settings drawn from the draft's ranges.
    seed : int
        Seed of every draw; 0 is a seed.
    sizes : mapping of str to int
        What the parts of the check take instead of their own sizes, by the names in `SIZES`.
    own_breathing : tuple of float
        Levels of alveolar ventilation by own breathing at which the verdict is counted too
        [L min-1].
    knowledge : int
        Outer draws of what is not known of the populations; 0 leaves it out.
    notes : tuple of str
        What should be known before a check, though it stops none.
    """

    title: str
    question: str = ""
    institution: str = ""
    owner: str = ""
    version: str = ""
    valid_until: str = ""
    text: str
    stated: Mapping[str, Any]
    lung: Lung
    draft: Draft
    groups: tuple[Group, ...]
    limits: LimitSet
    rules: tuple[str, ...] = ()
    fixed: Mapping[str, float] = field(default_factory=dict)
    eligible: Mapping[str, Span] = field(default_factory=dict)
    wanted: float
    lungs: int
    settings_drawn: int
    seed: int
    sizes: Mapping[str, int] = field(default_factory=dict)
    own_breathing: tuple[float, ...] = ()
    knowledge: int = 0
    engine: Engine = "numpy"
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Fold what the lung model lacks into what it has; refuse knowledge that nobody has."""
        for group in self.groups if self.knowledge else ():
            known_of(group.population)
        groups = tuple(
            replace(group, population=folded(group.population, self.lung)) for group in self.groups
        )
        object.__setattr__(self, "groups", groups)

    def solved_by(self, engine: Engine | None) -> Self:
        """Return the same protocol by another engine; None leaves its own.

        Raises
        ------
        EbbmapError
            If there is no such engine.
        """
        if engine is None:
            return self
        check_choice(engine, "double")
        return replace(self, engine=engine, stated={**self.stated, "engine": engine})

    @property
    def differs(self) -> bool:
        """Whether a group has settings, limits or fixed values of its own."""
        return any(group.own is not None for group in self.groups)

    @property
    def digest(self) -> str:
        """Short hash of the file, and of tables that it names."""
        content = hashlib.sha256(self.text.encode())
        for group in self.groups:
            if isinstance(group.population, Rows):
                content.update(group.population.rows.tobytes())
                content.update(group.population.weights.tobytes())
        return content.hexdigest()[:16]

    def size(self, name: str, usual: int) -> int:
        """Return a size of the check: the protocol's, or else the usual one of a part."""
        return int(self.sizes.get(name, usual))

    @property
    def properties(self) -> tuple[str, ...]:
        """What must be known of a lung."""
        return needed_properties(self.lung, self.draft, self.limits.outcomes)
