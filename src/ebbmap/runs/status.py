"""How far a run has come, and whether what it has finished is still what it wrote."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from ebbmap.errors import EbbmapError
from ebbmap.runs.entries import Entry
from ebbmap.runs.job import FEWER
from ebbmap.runs.ledger import FILES, Ledger


@dataclass(frozen=True)
class PartStatus:
    """How far one part of a run, an analysis or a sweep, has come.

    Parameters
    ----------
    name : str
        Of the part.
    pieces, done : int
        Pieces that are known to be needed, and those that are finished.
    cases, all_cases : int
        Cases behind the finished ones, and all if they are known beforehand; 0 if not.
    seconds : float
        Work in the finished ones, by a clock that cannot be set back.
    """

    name: str
    pieces: int
    done: int
    cases: int
    all_cases: int
    seconds: float

    @property
    def rate(self) -> float:
        """Cases per second of one worker; NaN before the first piece."""
        return self.cases / self.seconds if self.seconds > 0 else float("nan")

    @property
    def seconds_left(self) -> float:
        """Work that is left, if the other pieces are like these; NaN before the first."""
        return (self.pieces - self.done) * self.seconds / self.done if self.done else float("nan")


@dataclass(frozen=True)
class Status:
    """How far a run has come.

    Parameters
    ----------
    parts : tuple of PartStatus
        Its analyses.
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


def status_of(folder: Path) -> Status | None:
    """Return how far the run in a folder has come; None if there is none.

    Raises
    ------
    EbbmapError
        If the folder no longer says what was asked.
    """
    ledger = Ledger(folder)
    if not ledger.exists:
        return None
    if not ledger.sound:
        raise EbbmapError(
            f"{ledger.path / 'plan.json'} must say what was asked; it is missing or damaged. Give "
            "the command of the run again: it keeps what it finished, and writes the file anew."
        )
    done: dict[str, list[Entry]] = {}
    for entry in _finished(ledger):
        done.setdefault(entry.name.partition(".")[0], []).append(entry)
    parts = []
    for part, (pieces, cases) in ledger.known.items():
        if part == FILES:
            continue
        own = done.get(part, [])
        parts.append(
            PartStatus(
                part,
                max(pieces, len(own)),
                len(own),
                sum(entry.cases for entry in own),
                cases,
                sum(entry.seconds for entry in own),
            )
        )
    return Status(tuple(parts), ledger.busy(), int(ledger.holder.get("workers", 1)), ledger.started)


def _finished(ledger: Ledger) -> Iterator[Entry]:
    """Yield the entries of pieces that are whole."""
    return (entry for entry in ledger.entries() if not entry.name.endswith(f".{FEWER}"))


def find_damage(folder: Path) -> Iterator[str]:
    """Compare every file that a run vouches for, byte for byte, with what it wrote.

    Yields
    ------
    str
        A sentence for each file that is damaged, missing, or of something else.

    Raises
    ------
    EbbmapError
        If there is no run, or one is at work.
    """
    status, ledger = status_of(folder), Ledger(folder)
    if status is None:
        raise EbbmapError(f"{str(folder)!r} must hold a run; it holds none.")
    if status.running:
        raise EbbmapError(f"a run is at work in {str(folder)!r}. Wait for it, then compare.")
    for name in ledger.names():
        entry, whole = ledger.read(name), name.removesuffix(f".{FEWER}")
        if whole != name and ledger.read(whole) is not None:
            continue  # replaced, with another status
        if entry is None:
            yield f"{ledger.path / name}.piece is damaged, or of another piece or another study"
            continue
        for place in entry.differing(ledger.folder):
            yield f"{folder / place} is missing, or is not what was written"
    known = ledger.known
    if not known:
        yield f"{ledger.path / 'known.json'} must say which pieces there are; it is not readable"
    finished = Counter(entry.name.partition(".")[0] for entry in _finished(ledger))
    for part, (pieces, _) in known.items():
        if finished[part] < pieces:
            left = pieces - finished[part]
            yield f"{ledger.path}: {left:,} of {pieces:,} pieces of {part!r} are missing"
