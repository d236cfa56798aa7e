"""Analyses and checks in pieces: each kept as a file of its own, so that a run goes on anywhere."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any

import xarray as xr

from ebbmap.cases.pieces import Pieces, Within, together
from ebbmap.errors import UnfinishedError
from ebbmap.runs.engine import run_pieces
from ebbmap.runs.entries import Entry, pack_dataset, unpack_dataset
from ebbmap.runs.ledger import Ledger


class LostPieceError(KeyError):
    """A piece that is missing, damaged, or of something else."""


class Kept(Mapping[str, xr.Dataset]):
    """Finished pieces by name, read from their files; a damaged one is struck and missing.

    Parameters
    ----------
    ledger : Ledger
        Where they are.
    """

    def __init__(self, ledger: Ledger):
        self._ledger = ledger
        self._sound: set[str] = set()

    def entry(self, name: str) -> Entry:
        """Return the entry of a piece."""
        entry = self._ledger.read(name)
        if entry is None:
            self._sound.discard(name)
            raise LostPieceError(name)
        self._sound.add(name)
        return entry

    def __getitem__(self, name: str) -> xr.Dataset:
        return unpack_dataset(self.entry(name))

    def __contains__(self, name: object) -> bool:
        if name in self._sound:
            return True
        try:
            self.entry(str(name))
        except LostPieceError:
            return False
        return True

    def __iter__(self) -> Iterator[str]:
        return (entry.name for entry in self._ledger.entries())

    def __len__(self) -> int:
        return sum(1 for _ in self)


class PieceWork:
    """Works side by side whose pieces are kept in one ledger.

    Parameters
    ----------
    parts : mapping of str to Pieces
        By name.
    ledger : Ledger
        That of the run.
    function : callable
        ``function(*texts, folder, run, name) -> cases``: does a piece in any process.
    texts : sequence of str
        Of the study or the protocols.
    """

    #: Other processes take about this long to be there [s].
    alone = 2.0

    def __init__(
        self,
        parts: Mapping[str, Pieces[Any]],
        ledger: Ledger,
        function: Callable[..., int],
        *texts: str,
    ):
        self.parts, self.ledger, self.folder = parts, ledger, ledger.folder
        self.found = Kept(ledger)
        self._function, self._texts = function, texts
        self._whole: Pieces[dict[str, Any]] = together(parts, lambda results: results)

    def task(self, name: str) -> tuple[Callable[..., int], tuple[str, ...]]:
        """Return what does a piece in any process: texts and names only."""
        return self._function, (*self._texts, str(self.folder), self.ledger.run, name)

    def run(self, name: str) -> int:
        """Do one piece and enter it in the ledger; return its cases."""
        start, cases = time.perf_counter(), [0]

        def count(done: int) -> None:
            cases[0] += done

        with self._loss_told():
            labels, arrays = pack_dataset(self._whole.solve(name, self.found, count))
        self.ledger.enter(name, arrays, cases=cases[0], since=start, labels=labels)
        return cases[0]

    def finish(
        self, part: str, *, workers: int, cluster: str | None, progress: Callable[[int], None]
    ) -> Any:
        """Do what is missing of one part, and put it together.

        Raises
        ------
        UnfinishedError
            If the run had to stop midway.
        """
        own = Within(self.found, part)
        counted: list[str] = []

        def missing() -> list[str]:
            wanted = [f"{part}.{name}" for name in self.parts[part].wanted(own)]
            self.ledger.note({part: (len(wanted), 0)})
            todo = [name for name in wanted if name not in self.found]
            for name in todo:
                # what is there under this name is damaged, or of another run
                self.ledger.strike(name)
            if not counted:
                counted.append(part)
                there = set(wanted).difference(todo)
                progress(sum(self.found.entry(name).cases for name in there))
            return todo

        run_pieces(self, missing, workers=workers, cluster=cluster, progress=progress)
        with self._loss_told():
            return self.parts[part].join(own)

    @contextmanager
    def _loss_told(self) -> Iterator[None]:
        try:
            yield
        except LostPieceError as error:
            raise UnfinishedError(
                f"{self.ledger.path / str(error.args[0])}.piece was damaged or removed while this "
                "run was at work, or belongs to another run by now. Give the same command again."
            ) from None

    def known(self) -> dict[str, tuple[int, int]]:
        """Return how many pieces each part is known to need; cases are not known beforehand."""
        return {
            part: (len(work.wanted(Within(self.found, part))), 0)
            for part, work in self.parts.items()
        }
