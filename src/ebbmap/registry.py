"""What is known by name: read-only registries, and which catalogue of entries is active.

A registry shows the entries that ship with the package, or, while a catalogue is active, those of
the catalogue. The active one is a context variable: nothing of one run is seen by another.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from types import MappingProxyType
from typing import Any, Protocol, TypeVar

from ebbmap.errors import EbbmapError, unknown_name


class Named(Protocol):
    """An entry: anything with a name."""

    @property
    def name(self) -> str:
        """Name in code and files."""
        ...


Entry = TypeVar("Entry", bound=Named)

#: Entries by kind and by name; a kind that is absent is as it ships.
Entries = Mapping[str, Mapping[str, Any]]


class Active(Protocol):
    """What can be active: a catalogue."""

    @property
    def entries(self) -> Entries:
        """Every entry of each kind to which something was added."""
        ...

    @property
    def provenance(self) -> str:
        """Kind, name, version and source hash of every own entry, as JSON; empty if none."""
        ...


_ACTIVE: ContextVar[Active | None] = ContextVar("ebbmap_catalogue", default=None)


class Registry(Mapping[str, Entry]):
    """Read-only view of the entries of one kind, in their order.

    Parameters
    ----------
    kind : str
        What an entry is, in words for messages.
    bundled : iterable of entries
        Those that ship with the package; each has a `name`.

    Raises
    ------
    EbbmapError
        If two entries have the same name.
    """

    def __init__(self, kind: str, bundled: Iterable[Entry]) -> None:
        entries: dict[str, Entry] = {}
        for entry in bundled:
            if entry.name in entries:
                raise EbbmapError(f"the {kind} {entry.name!r} is declared twice. Drop one.")
            entries[entry.name] = entry
        self.kind = kind
        self.bundled: Mapping[str, Entry] = MappingProxyType(entries)

    @property
    def _entries(self) -> Mapping[str, Entry]:
        catalogue = _ACTIVE.get()
        return self.bundled if catalogue is None else self.shown_in(catalogue)

    def shown_in(self, catalogue: Active) -> Mapping[str, Entry]:
        """Return the entries that a catalogue has of this kind."""
        return catalogue.entries.get(self.kind, self.bundled)

    def __getitem__(self, name: str) -> Entry:
        """Return an entry; KeyError if there is none."""
        return self._entries[name]

    def __iter__(self) -> Iterator[str]:
        """Iterate over the names."""
        return iter(self._entries)

    def __len__(self) -> int:
        """Return how many entries there are."""
        return len(self._entries)

    def __contains__(self, name: object) -> bool:
        """Return whether there is an entry of this name."""
        return name in self._entries

    def __repr__(self) -> str:
        """Return the kind and the names."""
        return f"<registry of {len(self)} {self.kind} entries: {', '.join(self)}>"

    def named(self, name: str) -> Entry:
        """Return the entry of a name.

        Raises
        ------
        EbbmapError
            If there is none; the message gives the nearest name.
        """
        try:
            return self._entries[name]
        except (KeyError, TypeError):
            raise EbbmapError(unknown_name(self.kind, name, self._entries)) from None


def active() -> Active | None:
    """Return the catalogue that is active in this thread or task; None where none is."""
    return _ACTIVE.get()


def keep_active(catalogue: Active | None) -> None:
    """Let a thread show a catalogue for good: the initializer of a pool of threads."""
    _ACTIVE.set(catalogue)


@contextmanager
def activate(catalogue: Active | None) -> Iterator[None]:
    """Let every registry show a catalogue within a ``with`` block; None changes nothing."""
    if catalogue is None:
        yield
        return
    token = _ACTIVE.set(catalogue)
    try:
        yield
    finally:
        _ACTIVE.reset(token)
