"""Running a study: each analysis in turn, each result saved as soon as it is there."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import xarray as xr

from ebbmap.cases.pieces import Pieces
from ebbmap.committee.check import Check, check_parts, join_check
from ebbmap.committee.difference import difference_parts, join_difference
from ebbmap.files.protocol import Protocol, parse_protocol
from ebbmap.files.study import Study, parse_study
from ebbmap.files.writing import make_folder, save_dataset, write_text
from ebbmap.runs import (
    Ledger,
    PieceWork,
    check_begun,
    plan_of,
    stream_sweep,
    streams,
    study_ledger,
)
from ebbmap.runs.engine import disk_faults_told

#: History of a result that is put together from kept pieces: no time of day, so that the same
#: study gives the same bytes.
UNDATED = "made by ebbmap, piece by piece; pieces/plan.json tells when"


@dataclass(frozen=True)
class Task:
    """One analysis of a study.

    Parameters
    ----------
    name : str
        Stem of its result file.
    kind : str
        Name of the analysis in the study file.
    cases : int
        Cases that it will solve, as far as this is known beforehand.
    pieces : Pieces
        What it does.
    options : Options
        What it is asked.
    keeps_pieces : bool
        Whether it may take long, so that every finished piece is kept.
    streams : bool
        Whether it goes block by block to a store or to counts, which see to their own files.
    """

    name: str
    kind: str
    cases: int
    pieces: Pieces[xr.Dataset]
    options: Any
    keeps_pieces: bool = False
    streams: bool = False

    def run(self, progress: Callable[[int], None]) -> xr.Dataset:
        """Do all of it here and now."""
        return self.pieces.whole(progress)


def plan_tasks(study: Study) -> list[Task]:
    """List the analyses of a study in the order in which they run."""
    tasks = []
    for entry, options in study.asked():
        cases = entry.size(study.question, options, study.axes).cases if entry.counts_cases else 0
        tasks.append(
            Task(
                entry.result_name(options),
                entry.name,
                cases,
                entry.pieces(study.question, options, study.axes),
                options,
                keeps_pieces=entry.keeps_pieces,
                streams=entry.every_case and streams(study),
            )
        )
    return tasks


def run_study(
    study: Study,
    folder: Path,
    *,
    progress: Callable[[Task], Callable[[int], None]],
    workers: int = 1,
    cluster: str | None = None,
    fresh: bool = False,
) -> Iterator[tuple[Task, xr.Dataset, Path]]:
    """Run every analysis; yield each with its result as soon as it is saved.

    Parameters
    ----------
    study : Study
        A checked study.
    folder : Path
        Where the results go; made if missing. What an earlier run of the same study finished
        there is kept.
    progress : callable
        Called with a task before it starts; returns what is called with finished cases.
    workers : int
        Processes.
    cluster : str, optional
        Address of a dask.distributed scheduler.
    fresh : bool
        Forget what an earlier run finished in the folder.

    Raises
    ------
    EbbmapError
        If the folder cannot be written, a task is too large, another run is at work there, or
        the folder holds what is finished of another study. What was saved stays.
    UnfinishedError
        If the run had to stop midway.
    """
    make_folder(folder)
    tasks = plan_tasks(study)
    ledger = study_ledger(study, folder)
    if any(task.streams for task in tasks):
        check_begun(study, folder, fresh=fresh)
    with disk_faults_told(folder), ExitStack() as held:
        work = None
        if keeps := any(task.streams or task.keeps_pieces for task in tasks):
            held.enter_context(ledger.begun(workers, fresh=fresh))
        elif fresh:
            ledger.forget()
        if any(task.keeps_pieces for task in tasks):
            work = _work(study, ledger)
            ledger.note(work.known())
        write_text(folder / "study.toml", study.text)
        written = ["study.toml"]
        for task in tasks:
            if task.streams:
                for result, path in stream_sweep(
                    study, ledger, workers=workers, cluster=cluster, progress=progress(task)
                ):
                    if path.is_file():
                        written.append(path.name)
                    yield task, result, path
                continue
            if work is None:
                result = task.run(progress(task))
            else:
                result = work.finish(
                    task.name, workers=workers, cluster=cluster, progress=progress(task)
                )
                result.attrs["history"] = UNDATED
            result.attrs |= {
                "study": study.text,
                "study_hash": study.digest,
                "study_title": study.file.title,
            }
            path = save_dataset(result, folder / f"{task.name}.nc")
            written.append(path.name)
            yield task, result, path
        if keeps:
            ledger.vouch("results", written)


def _work(study: Study, ledger: Ledger) -> PieceWork:
    parts = {task.name: task.pieces for task in plan_tasks(study) if not task.streams}
    return PieceWork(parts, ledger, run_study_piece, study.text)


def run_study_piece(text: str, folder: str, run: str, name: str) -> int:
    """Do one piece of a study in whatever process this is; return its cases."""
    return _study_work(text, folder, run).run(name)


@lru_cache(maxsize=1)
def _study_work(text: str, folder: str, run: str) -> PieceWork:
    study = parse_study(text)
    return _work(study, study_ledger(study, Path(folder), run))


def run_check(
    protocol: Protocol,
    folder: Path,
    *,
    date: str,
    progress: Callable[[str], Callable[[int], None]],
    workers: int = 1,
    cluster: str | None = None,
    fresh: bool = False,
) -> Check:
    """Check a protocol, going on with what an earlier run of the same check finished.

    Parameters
    ----------
    protocol : Protocol
        A checked protocol file.
    folder : Path
        Where finished pieces are kept; made if missing.
    date : str
        Stated in every result.
    progress : callable
        Called with the name of a part before it starts; returns what is called with finished
        cases.
    workers, cluster, fresh
        As in `run_study`.

    Raises
    ------
    EbbmapError, UnfinishedError
        As in `run_study`.
    """
    make_folder(folder)
    work = _check_work(protocol, folder)
    with _begun(work, workers, fresh=fresh):
        return join_check(protocol, date, _finished(work, progress, workers, cluster))


@contextmanager
def _begun(work: PieceWork, workers: int, *, fresh: bool) -> Iterator[None]:
    with disk_faults_told(work.folder), work.ledger.begun(workers, fresh=fresh):
        work.ledger.note(work.known())
        yield


def _finished(
    work: PieceWork,
    progress: Callable[[str], Callable[[int], None]],
    workers: int,
    cluster: str | None,
) -> dict[str, Any]:
    return {
        part: work.finish(part, workers=workers, cluster=cluster, progress=progress(part))
        for part in work.parts
    }


def _check_work(protocol: Protocol, folder: Path, run: str = "") -> PieceWork:
    ledger = Ledger(folder, plan_of("protocol", protocol.file, protocol.digest), run)
    return PieceWork(check_parts(protocol), ledger, run_check_piece, protocol.text)


def run_check_piece(text: str, folder: str, run: str, name: str) -> int:
    """Do one piece of a check in whatever process this is; return its cases."""
    return _protocol_work(text, folder, run).run(name)


@lru_cache(maxsize=1)
def _protocol_work(text: str, folder: str, run: str) -> PieceWork:
    return _check_work(parse_protocol(text), Path(folder), run)


def run_difference(
    old: Protocol,
    new: Protocol,
    folder: Path,
    *,
    progress: Callable[[str], Callable[[int], None]],
    workers: int = 1,
    cluster: str | None = None,
    fresh: bool = False,
) -> xr.Dataset:
    """Compare two drafts, going on with what an earlier run of the same comparison finished.

    Parameters
    ----------
    old, new : Protocol
        As in `compare_drafts`.
    folder, progress, workers, cluster, fresh
        As in `run_check`.

    Raises
    ------
    EbbmapError, UnfinishedError
        As in `run_study`; and if the files cannot be compared.
    """
    make_folder(folder)
    work = _difference_work(old, new, folder)
    with _begun(work, workers, fresh=fresh):
        return join_difference(old, new, _finished(work, progress, workers, cluster))


def _difference_work(old: Protocol, new: Protocol, folder: Path, run: str = "") -> PieceWork:
    plan = {**plan_of("new", new.file, new.digest), **plan_of("old", old.file, old.digest)}
    return PieceWork(
        difference_parts(old, new),
        Ledger(folder, plan, run),
        run_difference_piece,
        old.text,
        new.text,
    )


def run_difference_piece(old: str, new: str, folder: str, run: str, name: str) -> int:
    """Do one piece of a comparison in whatever process this is; return its cases."""
    return _drafts_work(old, new, folder, run).run(name)


@lru_cache(maxsize=1)
def _drafts_work(old: str, new: str, folder: str, run: str) -> PieceWork:
    return _difference_work(parse_protocol(old), parse_protocol(new), Path(folder), run)
