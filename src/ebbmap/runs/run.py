"""Running what a study, a check or a comparison asks: one part after the other, each kept."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import xarray as xr

from ebbmap.cases.precision import measure_single
from ebbmap.committee.check import Check, join_check
from ebbmap.committee.difference import join_difference
from ebbmap.committee.protocol import Protocol
from ebbmap.engines import Engine, Precision, compiles, use_engine
from ebbmap.errors import EbbmapError
from ebbmap.files.study import Study
from ebbmap.files.writing import make_folder, write_text
from ebbmap.policies import pieces as policies
from ebbmap.policies.beside_draft import find_beside
from ebbmap.policies.language import Policy
from ebbmap.runs.chunks import check_begun
from ebbmap.runs.engine import disk_faults_reported
from ebbmap.runs.sources import (
    BESIDE,
    Source,
    Task,
    check_source,
    comparison_source,
    policies_source,
    policy_source,
    study_source,
)


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
    study: Study,
    folder: Path,
    *,
    engine: Engine | None = None,
    precision: Precision | None = None,
    **how: Any,
) -> Iterator[tuple[Task, xr.Dataset, Path]]:
    """Run every analysis of a study by its engine, or by another one; see `run_source`.

    Then the same by each of its other lung models, in a folder of its name; their tasks are named
    by folder and name.

    What single precision costs is measured first. Engine and precision are a part of what is
    asked, so that a folder holds pieces of one engine only.

    Raises
    ------
    EbbmapError
        Also if an engine that keeps one device busy is to be spread over a cluster, or single
        precision changes verdicts.
    """
    study = study.solved_by(engine, precision)
    progress = how.pop("progress")
    with _solved_by(study.file.engine, how, study.file.precision):
        # before any work, for all of them
        for one in (study, *study.beside):
            with one.catalogue.active():
                measure_single(one.question, one.axes, *one.computed)
        sources = {one.file.lung: study_source(one) for one in study.beside}
        for lung, source in sources.items() if not how.get("fresh") else ():
            if source.keeps:
                source.work(folder / lung).ledger.check()
        yield from run_source(study_source(study), folder, progress=progress, **how)
        for lung, source in sources.items():
            placed = partial(_placed, lung)
            done = run_source(source, folder / lung, progress=_of_placed(progress, placed), **how)
            yield from ((placed(task), dataset, path) for task, dataset, path in done)


def _placed(lung: str, task: Task) -> Task:
    """Return a task of another lung, named by its folder too."""
    return replace(task, name=f"{lung}/{task.name}")


def _of_placed(
    progress: Callable[[Task], Callable[[int], None]], placed: Callable[[Task], Task]
) -> Callable[[Task], Callable[[int], None]]:
    return lambda task: progress(placed(task))


@contextmanager
def _solved_by(
    engine: Engine, how: dict[str, Any], precision: Precision = "double"
) -> Iterator[None]:
    """Solve by an engine within a ``with`` block, in as many processes as it takes."""
    if engine != "numpy":
        if how.get("cluster"):
            raise EbbmapError(
                f"engine {engine!r} works in one process; got a cluster. Take engine 'numpy' there."
            )
        # one process keeps all processors, or the device, busy
        how["workers"] = 1
    with use_engine(engine, precision):
        yield


def run_check(
    protocol: Protocol,
    folder: Path,
    *,
    date: str,
    progress: Callable[[str], Callable[[int], None]],
    engine: Engine | None = None,
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
    engine : {"numpy", "jax", "auto"}, optional
        What solves the cases; that of the protocol if not given.
    """
    if protocol.differs:
        raise EbbmapError(
            "groups of this protocol have settings of their own. Check it by `ebbmap.check`, which "
            "takes each of them in turn."
        )
    protocol = protocol.solved_by(engine)
    with _solved_by(protocol.engine, how):
        compiles(protocol.lung)  # refuses a lung that the engine cannot solve, before any work
        found = _results(check_source(protocol), folder, progress, how)
        check = join_check(protocol, date, found)
    if BESIDE in found:
        compared = find_beside(protocol, check.results["lungs"], found[BESIDE])
        said = check.results["lungs"].attrs | {"title": f"{protocol.title}: {BESIDE}"}
        check.results[BESIDE] = compared.assign_attrs(said | compared.attrs)
    return check


def run_difference(
    old: Protocol,
    new: Protocol,
    folder: Path,
    *,
    progress: Callable[[str], Callable[[int], None]],
    engine: Engine | None = None,
    **how: Any,
) -> xr.Dataset:
    """Compare two drafts, as `compare_drafts` does; see `run_source` and `run_check`.

    One engine solves both: that of the new one if none is given.
    """
    old, new = old.solved_by(engine or new.engine), new.solved_by(engine)
    with _solved_by(new.engine, how):
        found = _results(comparison_source(old, new), folder, progress, how)
        return join_difference(old, new, found)


def run_policy(
    policy: Policy,
    conventional: Policy,
    folder: Path,
    *,
    date: str,
    progress: Callable[[str], Callable[[int], None]],
    engine: Engine | None = None,
    **how: Any,
) -> dict[str, xr.Dataset]:
    """Simulate a policy beside what it is compared with; see `run_source` and `run_check`."""
    policy = policy.solved_by(engine)
    conventional = conventional.solved_by(policy.protocol.engine)
    with _solved_by(policy.protocol.engine, how):
        compiles(policy.protocol.lung)
        found = _results(policy_source(policy, conventional), folder, progress, how)
        return policies.join_policy(policy, found, date)


def run_policies(
    old: Policy,
    new: Policy,
    folder: Path,
    *,
    date: str,
    progress: Callable[[str], Callable[[int], None]],
    engine: Engine | None = None,
    **how: Any,
) -> xr.Dataset:
    """Compare two policies on the same patients; see `run_source` and `run_difference`."""
    old, new = old.solved_by(engine or new.protocol.engine), new.solved_by(engine)
    with _solved_by(new.protocol.engine, how):
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
