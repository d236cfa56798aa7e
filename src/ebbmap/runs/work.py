"""The work of a run: parts cut into pieces, each piece entered in the ledger when it is finished.

A part is an analysis, a part of a check, or a sweep that streams; the piece of such a sweep is one
block of its cases, which is one chunk of the store.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import xarray as xr

from ebbmap.cases.pieces import Pieces, Within
from ebbmap.errors import UnfinishedError
from ebbmap.files.writing import remove
from ebbmap.runs.engine import run_pieces
from ebbmap.runs.entries import Entry, Fingerprint, pack_dataset, unpack_dataset
from ebbmap.runs.ledger import Ledger

#: Threads that compare files with their checksums, at most; a disk gives no more to more of them.
READERS = 4


class LostPieceError(KeyError):
    """A piece that is missing, damaged, or of something else."""


class Kept(Mapping[str, xr.Dataset]):
    """Finished pieces by name, read from their files.

    Parameters
    ----------
    ledger : Ledger
        Where they are.
    """

    def __init__(self, ledger: Ledger):
        self._ledger = ledger
        #: Cases of the entries that were read; what has no file beside it is not read again.
        self._cases: dict[str, int] = {}
        self._alone: set[str] = set()

    @property
    def folder(self) -> Path:
        """Where results, and files beside the pieces, are."""
        return self._ledger.folder

    def entry(self, name: str) -> Entry:
        """Return the entry of a piece.

        Raises
        ------
        LostPieceError
            If it is missing, damaged, or of something else.
        """
        entry = self._ledger.read(name)
        if entry is None:
            self._alone.discard(name)
            raise LostPieceError(name)
        self._cases[name] = entry.cases
        if not entry.files:
            self._alone.add(name)
        return entry

    def sound(self, name: str, *, content: bool) -> bool:
        """Return whether a piece is there, and its files are what was written.

        Parameters
        ----------
        name : str
            Of the piece.
        content : bool
            Compare every byte of the files, not only their sizes.
        """
        if name in self._alone:
            return True
        try:
            entry = self.entry(name)
        except LostPieceError:
            return False
        return not entry.differing(self.folder, content=content)

    def cases(self, name: str) -> int:
        """Return the cases behind a piece that was looked at."""
        return self._cases[name]

    def __getitem__(self, name: str) -> xr.Dataset:
        return unpack_dataset(self.entry(name))

    def __contains__(self, name: object) -> bool:
        return self.sound(str(name), content=False)

    def __iter__(self) -> Iterator[str]:
        return (entry.name for entry in self._ledger.entries())

    def __len__(self) -> int:
        return sum(1 for _ in self)


@dataclass(frozen=True)
class Finished:
    """What one piece gives.

    Parameters
    ----------
    arrays : mapping of str to ndarray
        What its entry keeps.
    cases : int
        Cases behind it.
    labels : mapping
        What is said of the arrays.
    beside : mapping of str to callable
        By place in the output folder, what gives the bytes of a file.
    there : mapping of str to Fingerprint
        Files that belong to it and are in place already.
    replaces : tuple of str
        Pieces that it stands in for from now on.
    """

    arrays: Mapping[str, np.ndarray]
    cases: int
    labels: Mapping[str, Any] = field(default_factory=dict)
    beside: Mapping[str, Callable[[], bytes | memoryview]] = field(default_factory=dict)
    there: Mapping[str, Fingerprint] = field(default_factory=dict)
    replaces: tuple[str, ...] = ()


class Part(Protocol):
    """One kind of work of a run, done in pieces."""

    #: Time that a process works on it alone before others are started [s].
    alone: float

    #: All cases; 0 where they are not known beforehand.
    cases: int

    def wanted(self, kept: Kept) -> list[str]:
        """Return the pieces that are known to be needed, given those that are there."""

    def places(self, name: str) -> list[str]:
        """Return the files that belong to a piece, as places in the output folder."""

    def prepare(self, ledger: Ledger, todo: int, workers: int) -> None:
        """Make what must be there before `todo` pieces are done."""

    def do(self, name: str, kept: Kept) -> Finished:
        """Do one piece."""

    def join(self, kept: Kept, ledger: Ledger) -> Any:
        """Put all pieces together."""


class Solved:
    """Pieces whose datasets are kept in the ledger itself.

    Parameters
    ----------
    name : str
        Of the part.
    pieces : Pieces
        The work.
    """

    #: Other processes take about this long to be there.
    alone = 2.0

    cases = 0

    def __init__(self, name: str, pieces: Pieces[Any]):
        self._name, self._pieces = name, pieces

    def wanted(self, kept: Kept) -> list[str]:
        """Return the names of the pieces; a design that grows names more as it grows."""
        return [f"{self._name}.{own}" for own in self._pieces.wanted(Within(kept, self._name))]

    def places(self, name: str) -> list[str]:
        """Return no file."""
        return []

    def prepare(self, ledger: Ledger, todo: int, workers: int) -> None:
        """Do nothing: there is nothing beside the ledger."""

    def do(self, name: str, kept: Kept) -> Finished:
        """Solve one piece."""
        cases: list[int] = []
        own = name.removeprefix(f"{self._name}.")
        solved = self._pieces.solve(own, Within(kept, self._name), cases.append)
        labels, arrays = pack_dataset(solved)
        return Finished(arrays, sum(cases), labels)

    def join(self, kept: Kept, ledger: Ledger) -> Any:
        """Put all pieces together."""
        return self._pieces.join(Within(kept, self._name))


class Work:
    """The parts of a run in one folder, as every process makes them for itself.

    Parameters
    ----------
    parts : mapping of str to Part
        By name.
    ledger : Ledger
        That of the run.
    function : callable
        ``function(*words, folder, run, name) -> cases``: does a piece in any process.
    words : sequence of str
        What it makes the same work from: texts of the study or the protocols.
    """

    def __init__(
        self,
        parts: Mapping[str, Part],
        ledger: Ledger,
        function: Callable[..., int],
        *words: str,
    ):
        self.parts, self.ledger, self.kept = parts, ledger, Kept(ledger)
        self._function, self._words = function, words

    @property
    def folder(self) -> Path:
        """Where results go."""
        return self.ledger.folder

    def task(self, name: str) -> tuple[Callable[..., int], tuple[str, ...]]:
        """Return what does a piece in any process: a function, and texts and names only."""
        return self._function, (*self._words, str(self.folder), self.ledger.run, name)

    def run(self, name: str) -> int:
        """Do one piece and enter it in the ledger; return its cases."""
        start = time.perf_counter()
        with self._loss_reported():
            done = self.parts[name.partition(".")[0]].do(name, self.kept)
        self.ledger.enter(
            name,
            done.arrays,
            cases=done.cases,
            since=start,
            labels=done.labels,
            beside=done.beside,
            there=done.there,
        )
        for piece in done.replaces:
            self.ledger.strike(piece)
        return done.cases

    def finish(
        self, part: str, *, workers: int, cluster: str | None, progress: Callable[[int], None]
    ) -> Any:
        """Do what is missing of one part, and put it together.

        Raises
        ------
        EbbmapError
            If there is no room.
        UnfinishedError
            If the run had to stop midway.
        """
        work = self.parts[part]
        todo = self._missing(work, part, workers, content=True)
        progress(sum(self.kept.cases(n) for n in set(work.wanted(self.kept)).difference(todo)))
        work.prepare(self.ledger, len(todo), workers)
        first = [todo]
        run_pieces(
            self,
            # what this run itself has finished is not read again: sizes are compared
            lambda: first.pop() if first else self._missing(work, part, workers, content=False),
            alone=work.alone,
            workers=workers,
            cluster=cluster,
            progress=progress,
        )
        with self._loss_reported():
            return work.join(self.kept, self.ledger)

    def _missing(self, work: Part, part: str, workers: int, *, content: bool) -> list[str]:
        """Return the pieces that are missing or not what was entered; their entries are removed."""
        wanted = work.wanted(self.kept)
        self.ledger.note({part: (len(wanted), work.cases)})
        there = set(self.ledger.names())

        def sound(name: str) -> bool:
            return name in there and self.kept.sound(name, content=content)

        with ThreadPoolExecutor(min(workers, READERS)) as readers:
            todo = [
                n for n, good in zip(wanted, readers.map(sound, wanted), strict=True) if not good
            ]
        for name in todo:
            # what is there under this name is damaged, or of another run
            self.ledger.strike(name)
            for place in work.places(name) if name in there else ():
                if (self.folder / place).is_dir():
                    remove(self.folder / place)
        return todo

    def known(self) -> dict[str, tuple[int, int]]:
        """Return how many pieces, and cases, each part is known to have."""
        return {
            name: (len(part.wanted(self.kept)), part.cases) for name, part in self.parts.items()
        }

    @contextmanager
    def _loss_reported(self) -> Iterator[None]:
        try:
            yield
        except LostPieceError as error:
            raise UnfinishedError(
                f"{self.ledger.path / str(error.args[0])}.piece was damaged or removed while this "
                "run was at work, or belongs to another run by now. Give the same command again."
            ) from None
