"""Running what a study, a check or a comparison asks: one part after the other, each kept."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import ExitStack
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

import xarray as xr

from ebbmap.cases.pieces import Pieces
from ebbmap.catalogue.sources import NOTHING_USED, Used
from ebbmap.committee.check import Check, check_parts, join_check
from ebbmap.committee.difference import difference_parts, join_difference
from ebbmap.committee.protocol import Protocol
from ebbmap.engines import Engine, use_engine
from ebbmap.errors import EbbmapError
from ebbmap.files.policy import parse_policy
from ebbmap.files.protocol import parse_protocol
from ebbmap.files.study import Study, parse_study
from ebbmap.files.writing import make_folder, save_dataset, write_text
from ebbmap.policies import pieces as policies
from ebbmap.policies.language import Policy
from ebbmap.runs.chunks import Chunks, check_begun, streams, study_plan
from ebbmap.runs.engine import disk_faults_reported
from ebbmap.runs.ledger import Ledger
from ebbmap.runs.plan import plan_of
from ebbmap.runs.work import Part, Solved, Work

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
    options: Any = None
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


#: Gives every dataset of a finished task, and its file if it has one.
Save = Callable[[Task, Any, Path], Iterable[tuple[Any, Path | None]]]


def _unsaved(task: Task, result: Any, folder: Path) -> Iterator[tuple[Any, None]]:
    yield result, None


@dataclass(frozen=True)
class Source:
    """What a run is asked by: a study, a protocol, or two drafts.

    Parameters
    ----------
    name : str
        Of its kind, among `SOURCES`.
    texts : tuple of str
        Of its files: all that another process needs to do a piece.
    plan : mapping
        What distinguishes a run from another one.
    tasks : tuple of Task
        Its parts, in the order in which they run.
    parts : mapping of str to Part
        Their pieces, by name.
    keeps : bool
        Whether every finished piece is kept, so that a run can be resumed.
    files : mapping of str to str
        Texts that are written before any work, by file name.
    save : callable
        ``save(task, result, folder) -> (dataset, path or None), ...``
    used : Used
        Own entries: their files are kept beside the results, where other processes find them.
    """

    name: str
    texts: tuple[str, ...]
    plan: Mapping[str, Any]
    tasks: tuple[Task, ...]
    parts: Mapping[str, Part]
    keeps: bool = True
    files: Mapping[str, str] = field(default_factory=dict)
    save: Save = _unsaved
    used: Used = NOTHING_USED

    def work(self, folder: Path, run: str = "") -> Work:
        """Return the work of this source in a folder, for a run."""
        return Work(self.parts, Ledger(folder, self.plan, run), run_piece, self.name, *self.texts)


def study_source(study: Study) -> Source:
    """Return a study as a source of analyses; one without long analyses keeps no pieces."""
    with study.catalogue.active():
        tasks = tuple(plan_tasks(study))
        parts = {t.name: Chunks(study) if t.streams else Solved(t.name, t.pieces) for t in tasks}
    keeps = any(task.streams or task.keeps_pieces for task in tasks)

    def save(task: Task, result: Any, folder: Path) -> Iterator[tuple[xr.Dataset, Path]]:
        if task.streams:
            yield from result
            return
        if keeps:
            result.attrs["history"] = UNDATED
        result.attrs |= {
            "study": study.text,
            "study_hash": study.digest,
            "study_title": study.file.title,
        }
        yield result, save_dataset(result, folder / f"{task.name}.nc")

    return Source(
        "study",
        (study.text,),
        study_plan(study),
        tasks,
        parts,
        keeps,
        {"study.toml": study.text},
        save,
        study.used,
    )


def check_source(protocol: Protocol) -> Source:
    """Return a protocol as a source of the parts of its check."""
    plan = plan_of("protocol", protocol.stated, protocol.digest)
    return _committee("check", (protocol.text,), plan, check_parts(protocol))


def comparison_source(old: Protocol, new: Protocol) -> Source:
    """Return two drafts as a source of the parts of their comparison."""
    plan = {**plan_of("new", new.stated, new.digest), **plan_of("old", old.stated, old.digest)}
    return _committee("comparison", (old.text, new.text), plan, difference_parts(old, new))


def policy_source(policy: Policy, conventional: Policy) -> Source:
    """Return a policy, and the usual way beside it, as a source of the parts of its check."""
    plan = _policies_plan(policy=policy, conventional=conventional)
    texts = (policy.protocol.text, conventional.protocol.text)
    return _committee("policy", texts, plan, policies.policy_parts(policy, conventional))


def policies_source(old: Policy, new: Policy) -> Source:
    """Return two policies as a source of the parts of their comparison."""
    texts = (old.protocol.text, new.protocol.text)
    plan = _policies_plan(new=new, old=old)
    return _committee("policies", texts, plan, policies.difference_parts(old, new))


def _policies_plan(**named: Policy) -> dict[str, Any]:
    plan: dict[str, Any] = {}
    for name, one in named.items():
        plan |= plan_of(name, one.protocol.stated, one.protocol.digest)
    return plan


def _committee(
    name: str, texts: tuple[str, ...], plan: Mapping[str, Any], parts: Mapping[str, Pieces[Any]]
) -> Source:
    tasks = tuple(
        Task(part, name, 0, pieces, None, keeps_pieces=True) for part, pieces in parts.items()
    )
    return Source(name, texts, plan, tasks, {n: Solved(n, pieces) for n, pieces in parts.items()})


#: What makes a source from the output folder and the texts of its files, by name.
SOURCES: Mapping[str, Callable[..., Source]] = MappingProxyType(
    {
        "study": lambda folder, text: study_source(parse_study(text, folder=folder)),
        "check": lambda folder, text: check_source(parse_protocol(text)),
        "comparison": lambda folder, *texts: comparison_source(*map(parse_protocol, texts)),
        "policy": lambda folder, *texts: policy_source(*map(parse_policy, texts)),
        "policies": lambda folder, *texts: policies_source(*map(parse_policy, texts)),
    }
)


def run_piece(name: str, *words: str) -> int:
    """Do one piece in whatever process this is; return its cases.

    Parameters
    ----------
    name : str
        Of the source.
    words : sequence of str
        Texts of its files, the output folder, the run, and the piece.
    """
    *texts, folder, run, piece = words
    used, work = _work(name, tuple(texts), folder, run)
    with used.catalogue.active():
        return work.run(piece)


@lru_cache(maxsize=1)
def _work(name: str, texts: tuple[str, ...], folder: str, run: str) -> tuple[Used, Work]:
    source = SOURCES[name](Path(folder), *texts)
    return source.used, source.work(Path(folder), run)


def run_source(
    source: Source,
    folder: Path,
    *,
    progress: Callable[[Task], Callable[[int], None]],
    workers: int = 1,
    cluster: str | None = None,
    fresh: bool = False,
) -> Iterator[tuple[Task, Any, Any]]:
    """Do every part of a source; yield each with its result as soon as it is saved.

    Parameters
    ----------
    source : Source
        What is asked.
    folder : Path
        Where the results go; made if missing. What an earlier run of the same source finished
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
        the folder holds what is finished of another source. What was saved stays.
    UnfinishedError
        If the run had to stop midway.
    """
    make_folder(folder)
    work = source.work(folder)
    if any(task.streams for task in source.tasks):
        check_begun(work.ledger, fresh=fresh)
    with disk_faults_reported(folder), ExitStack() as held:
        held.enter_context(source.used.catalogue.active())
        if source.keeps:
            held.enter_context(work.ledger.begun(workers, fresh=fresh))
            work.ledger.note(work.known())
        elif fresh:
            work.ledger.forget()
        source.used.keep_in(folder)
        written = [write_text(folder / name, text).name for name, text in source.files.items()]
        for task in source.tasks:
            count = progress(task)
            if source.keeps:
                result = work.finish(task.name, workers=workers, cluster=cluster, progress=count)
            else:
                result = task.run(count)
            for dataset, path in source.save(task, result, folder):
                if path is not None and path.is_file():
                    written.append(path.name)
                yield task, dataset, path
        if source.keeps and written:
            work.ledger.vouch("results", written)


def run_study(
    study: Study, folder: Path, *, engine: Engine | None = None, **how: Any
) -> Iterator[tuple[Task, xr.Dataset, Path]]:
    """Run every analysis of a study by its engine, or by another one; see `run_source`.

    Raises
    ------
    EbbmapError
        Also if an engine that keeps one device busy is to be spread over a cluster.
    """
    taken = engine or study.file.engine
    if taken != "numpy":
        if how.get("cluster"):
            raise EbbmapError(
                f"engine {taken!r} works in one process; got a cluster. Take engine 'numpy' there."
            )
        # one process keeps all processors, or the device, busy
        how["workers"] = 1
    with use_engine(taken):
        yield from run_source(study_source(study), folder, **how)


def run_check(
    protocol: Protocol,
    folder: Path,
    *,
    date: str,
    progress: Callable[[str], Callable[[int], None]],
    **how: Any,
) -> Check:
    """Check a protocol; see `run_source`.

    Parameters
    ----------
    protocol : Protocol
        A checked protocol.
    folder : Path
        Where finished pieces are kept.
    date : str
        Stated in every result.
    progress : callable
        Called with the name of a part before it starts; returns what is called with finished
        cases.
    """
    return join_check(protocol, date, _results(check_source(protocol), folder, progress, how))


def run_difference(
    old: Protocol,
    new: Protocol,
    folder: Path,
    *,
    progress: Callable[[str], Callable[[int], None]],
    **how: Any,
) -> xr.Dataset:
    """Compare two drafts, as `compare_drafts` does; see `run_source` and `run_check`."""
    return join_difference(old, new, _results(comparison_source(old, new), folder, progress, how))


def run_policy(
    policy: Policy,
    conventional: Policy,
    folder: Path,
    *,
    date: str,
    progress: Callable[[str], Callable[[int], None]],
    **how: Any,
) -> dict[str, xr.Dataset]:
    """Simulate a policy beside what it is compared with; see `run_source` and `run_check`."""
    found = _results(policy_source(policy, conventional), folder, progress, how)
    return policies.join_policy(policy, found, date)


def run_policies(
    old: Policy,
    new: Policy,
    folder: Path,
    *,
    date: str,
    progress: Callable[[str], Callable[[int], None]],
    **how: Any,
) -> xr.Dataset:
    """Compare two policies on the same patients; see `run_source` and `run_check`."""
    found = _results(policies_source(old, new), folder, progress, how)
    return policies.join_difference(old, new, found, date)


def _results(
    source: Source,
    folder: Path,
    progress: Callable[[str], Callable[[int], None]],
    how: Mapping[str, Any],
) -> dict[str, Any]:
    """Return what came of every part, by name."""
    done = run_source(source, folder, progress=lambda task: progress(task.name), **how)
    return {task.name: result for task, result, _ in done}
