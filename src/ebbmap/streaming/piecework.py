"""Analyses and checks in pieces: each kept as a file of its own, so that a run goes on anywhere."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import xarray as xr

from ebbmap.files import make_folder
from ebbmap.pieces import Pieces, Within, together
from ebbmap.streaming.engine import disk_faults_told, run_pieces
from ebbmap.streaming.ledger import DATASET, Ledger

#: What a kept piece says of itself, beside its content: work in it, and cases.
_SECONDS, _CASES = "piece_seconds", "piece_cases"


def ledger_of(folder: Path) -> Ledger:
    """Return the ledger of the analyses in a folder."""
    return Ledger(folder / "pieces", DATASET)


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

    def __getitem__(self, name: str) -> xr.Dataset:
        found = self._ledger.read(name)
        if found is None:
            self._ledger.strike(name)
            self._sound.discard(name)
            raise KeyError(name)
        self._sound.add(name)
        own = {key: value for key, value in found.attrs.items() if key not in (_SECONDS, _CASES)}
        found.attrs = own
        return found

    def __contains__(self, name: object) -> bool:
        if name in self._sound:
            return True
        try:
            self[str(name)]
        except KeyError:
            return False
        return True

    def __iter__(self) -> Iterator[str]:
        return iter(self._ledger.finished())

    def __len__(self) -> int:
        return len(self._ledger.finished())


class PieceWork:
    """Works side by side whose pieces are kept in one ledger.

    Parameters
    ----------
    parts : mapping of str to Pieces
        By name.
    folder : Path
        Where results go.
    task : callable
        ``task(name) -> (function, words)``: what does a piece in any process.
    """

    #: Other processes take about this long to be there [s].
    alone = 2.0

    def __init__(
        self,
        parts: Mapping[str, Pieces[Any]],
        folder: Path,
        task: Callable[[str], tuple[Callable[..., int], tuple[str, ...]]],
    ):
        self.parts, self.folder, self.task = parts, folder, task
        self.ledger = ledger_of(folder)
        self.found = Kept(self.ledger)
        self._whole: Pieces[dict[str, Any]] = together(parts, lambda results: results)

    def run(self, name: str) -> int:
        """Do one piece and enter it in the ledger; return its cases."""
        start, cases = time.perf_counter(), [0]

        def count(done: int) -> None:
            cases[0] += done

        piece = self._whole.solve(name, self.found, count)
        told = {_SECONDS: time.perf_counter() - start, _CASES: cases[0]}
        self.ledger.enter(name, piece.assign_attrs(told))
        return cases[0]

    @contextmanager
    def begun(self, plan: Mapping[str, Any], workers: int, *, fresh: bool) -> Iterator[None]:
        """Begin, or go on with, what the plan says, and keep every other run away.

        Parameters
        ----------
        plan : mapping
            What is asked.
        workers : int
            Processes, for the status.
        fresh : bool
            Forget what an earlier run finished.

        Raises
        ------
        EbbmapError
            If the folder holds another run, or one is at work in it.
        """
        make_folder(self.ledger.path)
        with self.ledger.held(workers):
            with disk_faults_told(self.folder):
                if fresh:
                    self.ledger.clear()
                self.ledger.begin(plan)
                self._note()
            yield

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
        told = [False]

        def missing() -> list[str]:
            wanted = [f"{part}.{name}" for name in self.parts[part].wanted(own)]
            todo = [name for name in wanted if name not in self.found]
            if not told[0]:
                told[0] = True
                progress(sum(self._cases(name) for name in wanted if name not in todo))
            self._note()
            return todo

        run_pieces(self, missing, workers=workers, cluster=cluster, progress=progress)
        return self.parts[part].join(own)

    def _cases(self, name: str) -> int:
        return _told(self.ledger.read(name))[1]

    def _note(self) -> None:
        """Say for the status how many pieces are known to be needed."""
        self.ledger.note(
            {part: len(work.wanted(Within(self.found, part))) for part, work in self.parts.items()}
        )


def _told(piece: xr.Dataset | None) -> tuple[float, int]:
    if piece is None:
        return 0.0, 0
    return float(piece.attrs.get(_SECONDS, 0.0)), int(piece.attrs.get(_CASES, 0))


@dataclass(frozen=True)
class PartStatus:
    """How far one part of a run in pieces has come.

    Parameters
    ----------
    name : str
        Of the part.
    pieces, done : int
        Pieces that are known to be needed, and those that are finished.
    cases : int
        Cases behind the finished ones.
    seconds : float
        Work in them.
    """

    name: str
    pieces: int
    done: int
    cases: int
    seconds: float

    @property
    def seconds_left(self) -> float:
        """Work that is left, if the other pieces are like these; NaN before the first."""
        return (self.pieces - self.done) * self.seconds / self.done if self.done else float("nan")


@dataclass(frozen=True)
class PiecesStatus:
    """How far a run in pieces has come.

    Parameters
    ----------
    parts : tuple of PartStatus
        Its parts.
    running : bool
        Whether a run is at work now.
    workers : int
        Of the run at work, or of the last one.
    started : str
        When the first run began, UTC.
    """

    parts: tuple[PartStatus, ...]
    running: bool
    workers: int
    started: str


def status_of_pieces(folder: Path) -> PiecesStatus | None:
    """Say how far the run in pieces in a folder has come; None if there is none.

    Raises
    ------
    EbbmapError
        If its plan cannot be read.
    """
    ledger = ledger_of(folder)
    plan = ledger.plan
    if plan is None:
        return None
    done: dict[str, list[tuple[float, int]]] = {}
    for name in ledger.finished():
        piece = ledger.read(name)
        if piece is not None:
            done.setdefault(name.partition(".")[0], []).append(_told(piece))
    parts = tuple(
        PartStatus(
            part, max(pieces, len(done.get(part, ()))), len(done.get(part, ())),
            sum(cases for _, cases in done.get(part, ())),
            sum(seconds for seconds, _ in done.get(part, ())),
        )
        for part, pieces in ledger.known.items()
    )  # fmt: skip
    return PiecesStatus(
        parts, ledger.busy(), int(ledger.holder().get("workers", 1)), str(plan["started"])
    )
