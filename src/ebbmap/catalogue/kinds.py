"""The kinds of entries, their registries, and names that are taken."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, Protocol

from ebbmap.analyses.base import Analysis
from ebbmap.analyses.registry import ANALYSES
from ebbmap.errors import EbbmapError, shortened
from ebbmap.lungs import LUNGS, Lung
from ebbmap.registries.limits import LIMIT_SETS, LimitSet
from ebbmap.registries.outcomes import OUTCOMES, Outcome
from ebbmap.registries.parameters import PARAMETERS, Parameter
from ebbmap.registries.populations import POPULATIONS, Population
from ebbmap.registries.signals import SIGNALS, Signal
from ebbmap.registry import Active, Registry

#: Class of an entry -> its registry.
_REGISTRY_OF: Mapping[type, Registry[Any]] = MappingProxyType(
    {
        Parameter: PARAMETERS,
        Signal: SIGNALS,
        Outcome: OUTCOMES,
        Lung: LUNGS,
        LimitSet: LIMIT_SETS,
        Population: POPULATIONS,
        Analysis: ANALYSES,
    }
)

#: Kind -> its registry.
REGISTRIES: Mapping[str, Registry[Any]] = MappingProxyType(
    {registry.kind: registry for registry in _REGISTRY_OF.values()}
)

#: Names that are variables of one dataset, and so must differ.
TOGETHER = ("parameter", "outcome", "signal")


class OwnEntry(Protocol):
    """Kind, entry and content of what is added."""

    @property
    def kind(self) -> str:
        """Kind of its registry."""
        ...

    @property
    def entry(self) -> Any:
        """The entry itself."""
        ...

    @property
    def content(self) -> str:
        """Hash of the source behind it."""
        ...


def kind_of(entry: object) -> str:
    """Return the kind of an entry.

    Raises
    ------
    EbbmapError
        If it is none.

    Examples
    --------
    >>> kind_of(PARAMETERS["t_low"])
    'parameter'
    """
    for known, registry in _REGISTRY_OF.items():
        if isinstance(entry, known):
            return registry.kind
    raise EbbmapError(
        f"an entry must be a marked function or one of {', '.join(REGISTRIES)}; got "
        f"{shortened(entry)}. Mark a function with @ebbmap.outcome(...), @ebbmap.lung(...) or "
        "@ebbmap.analysis(...)."
    )


def is_entry(thing: object) -> bool:
    """Return whether something is an entry."""
    return isinstance(thing, tuple(_REGISTRY_OF))


def clash(catalogue: Active, own: OwnEntry, *, replace: bool) -> str | None:
    """Return the sentence for a name that is taken, or None if it is free."""
    name = own.entry.name
    for kind in TOGETHER if own.kind in TOGETHER else ():
        if kind != own.kind and name in REGISTRIES[kind].shown_in(catalogue):
            return f"{own.kind} {name!r}: there is a {kind} of this name. Choose another one."
    if name not in REGISTRIES[own.kind].shown_in(catalogue):
        return None
    if not replace:
        return (
            f"{own.kind} {name!r}: there is one of this name. Choose another name, or say "
            "replace=True to take its place."
        )
    deaf = [
        lung.name
        for lung in LUNGS.shown_in(catalogue).values()
        if own.kind == "outcome" and (name in lung.solves or name in lung.functions)
    ]
    if deaf:
        return (
            f"outcome {name!r}: the lungs {', '.join(deaf)} solve it themselves and would not "
            "use another one. Choose another name."
        )
    return None
