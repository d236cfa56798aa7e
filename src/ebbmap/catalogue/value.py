"""The catalogue: a frozen value that says which entries there are besides the bundled ones."""

from __future__ import annotations

import json
from collections.abc import Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass
from functools import cached_property
from types import MappingProxyType
from typing import Any

from ebbmap.catalogue.checks import problems_of
from ebbmap.catalogue.fingerprint import fingerprint
from ebbmap.catalogue.kinds import REGISTRIES, clash, kind_of
from ebbmap.catalogue.marks import entry_of, version_of
from ebbmap.errors import EbbmapError
from ebbmap.registries.limits import Limit, LimitSet
from ebbmap.registry import Entries, activate


@dataclass(frozen=True)
class Own:
    """An entry that somebody added.

    Parameters
    ----------
    kind : str
        Of its registry, such as "outcome".
    entry : object
        The entry; two of the same content are equal even if one was loaded again.
    content : str
        Hash of the source behind it.
    version : str
        Version that its author, or its package, gave it.
    origin : str
        File or package that it came from; empty where it was handed in.
    """

    kind: str
    entry: Any
    content: str
    version: str = ""
    origin: str = ""

    @property
    def key(self) -> tuple[str, str, str, str]:
        """What tells it from others: kind, name, version and content."""
        return self.kind, self.entry.name, self.version, self.content


@dataclass(frozen=True, eq=False)
class Catalogue:
    """The bundled entries and one's own: a value that never changes.

    Two catalogues are equal if their own entries have the same kinds, names, versions and
    sources, in whatever order they were added.

    Parameters
    ----------
    own : tuple of Own
        What was added; use `add`.

    Examples
    --------
    >>> from ebbmap.catalogue.marks import outcome
    >>> @outcome(units="mL cmH2O-1", source="invented for this example")
    ... def released_per_pressure(release_volume, driving_pressure):
    ...     return release_volume / driving_pressure
    >>> mine = builtin().add(released_per_pressure)
    >>> mine == builtin().add(released_per_pressure), mine == builtin()
    (True, False)
    """

    own: tuple[Own, ...] = ()

    def add(self, *things: Any, replace: bool = False) -> Catalogue:
        """Return a catalogue with further entries, each checked.

        Parameters
        ----------
        *things
            Marked functions (`ebbmap.outcome`, `ebbmap.lung`), populations, limits, limit sets,
            lungs or analyses. They may refer to each other.
        replace : bool
            Let an entry take the place of one with the same name.

        Returns
        -------
        Catalogue
            A new one; this one stays as it is.

        Raises
        ------
        EbbmapError
            With every problem: a name that is taken, cannot be or is of something else; an
            argument that nothing provides; a result of the wrong shape, or that depends on other
            cases; an argument that is changed; NaN that does not pass through.
        """
        added = [own_entry(thing) for thing in things]
        taken = [text for one in added if (text := clash(self, one, replace=replace))]
        names = {(one.kind, one.entry.name) for one in added}
        kept = [one for one in self.own if (one.kind, one.entry.name) not in names]
        larger = Catalogue((*kept, *{one.key: one for one in added}.values()))
        if len(names) < len(larger.own) - len(kept):
            taken.append("two of the entries have the same kind and name. Rename one.")
        if taken:
            raise EbbmapError("\n".join(taken))
        with larger.active():
            found = [text for one in added for text in problems_of(one.kind, one.entry)]
        if found:
            raise EbbmapError("\n".join(found))
        return larger

    @cached_property
    def entries(self) -> Entries:
        """Every entry of each kind to which something was added, by kind and name."""
        merged: dict[str, dict[str, Any]] = {}
        for one in self.own:
            kind = merged.setdefault(one.kind, dict(REGISTRIES[one.kind].bundled))
            kind[one.entry.name] = one.entry
        return MappingProxyType({kind: MappingProxyType(own) for kind, own in merged.items()})

    @cached_property
    def described(self) -> tuple[Mapping[str, str], ...]:
        """Kind, name, version, source hash and origin of every own entry, in order of names."""
        return tuple(
            MappingProxyType(
                {
                    "kind": one.kind,
                    "name": one.entry.name,
                    "version": one.version,
                    "source_hash": one.content,
                    "from": one.origin,
                }
            )
            for one in sorted(self.own, key=lambda one: one.key)
        )

    @cached_property
    def provenance(self) -> str:
        """The same as JSON; empty if there is no own entry."""
        return json.dumps([dict(one) for one in self.described]) if self.own else ""

    def active(self) -> AbstractContextManager[None]:
        """Return a context in which every registry shows this catalogue."""
        return activate(self)

    def __eq__(self, other: object) -> bool:
        """Compare by content."""
        if not isinstance(other, Catalogue):
            return NotImplemented
        return self._keys == other._keys

    def __hash__(self) -> int:
        """Hash by content."""
        return hash(self._keys)

    def __repr__(self) -> str:
        """Return the own entries by kind and name."""
        names = ", ".join(f"{one['kind']} {one['name']}" for one in self.described)
        return f"<catalogue: bundled entries{f' and {names}' if names else ''}>"

    @cached_property
    def _keys(self) -> frozenset[tuple[str, str, str, str]]:
        return frozenset(one.key for one in self.own)


def builtin() -> Catalogue:
    """Return the catalogue of the entries that ship with the package.

    Examples
    --------
    >>> builtin().own
    ()
    """
    return Catalogue()


def own_entry(thing: Any, *, origin: str = "", version: str = "", content: str = "") -> Own:
    """Return what is handed in as an own entry.

    Parameters
    ----------
    thing : object
        A marked function or an entry; an `Own` is returned as it is, and a single limit becomes
        a set of the same name.
    origin, version, content : str
        Of the file or package that it came from.

    Raises
    ------
    EbbmapError
        If it is no entry.
    """
    if isinstance(thing, Own):
        return thing
    entry = entry_of(thing)
    if isinstance(entry, Limit):
        entry = LimitSet(entry.outcome, f"limit on {entry.outcome}", (entry,))
    return Own(
        kind_of(entry),
        entry,
        content or fingerprint(entry),
        version_of(thing) or version,
        origin,
    )
