"""Running a study: each analysis in turn, each result saved as soon as it is there."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.analyses.adjust import adjust_settings
from ebbmap.analyses.boxes import box_pieces
from ebbmap.analyses.collapse import follow_collapse
from ebbmap.analyses.compare import compare_lungs
from ebbmap.analyses.course import co2_course
from ebbmap.analyses.inside import look_inside
from ebbmap.analyses.map import map_pieces
from ebbmap.analyses.mapping import mapping_pieces
from ebbmap.analyses.profile import profile_outcomes
from ebbmap.analyses.rules import compare_rules
from ebbmap.analyses.screening import screening_pieces
from ebbmap.analyses.shapley import shapley_pieces
from ebbmap.analyses.sobol import driver_pieces
from ebbmap.analyses.startup import follow_start
from ebbmap.analyses.sweep import sweep
from ebbmap.analyses.trade import map_trade
from ebbmap.analyses.wean import plan_weaning
from ebbmap.analyses.window import window_pieces
from ebbmap.cases.pieces import Pieces, single
from ebbmap.committee.check import Check, check_parts, join_check
from ebbmap.committee.difference import difference_parts, join_difference
from ebbmap.files.protocol import Protocol, parse_protocol
from ebbmap.files.study import Study, parse_study
from ebbmap.files.study.schema import Along, OfOutcomes
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

#: Analyses that may take long: a run with one of them keeps every finished piece.
LONG = frozenset({"window", "map", "mapping", "boxes", "shapley", "screening", "sobol"})

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
    streams : bool
        Whether it goes block by block to a store or to counts, which see to their own files.
    """

    name: str
    kind: str
    cases: int
    pieces: Pieces[xr.Dataset]
    streams: bool = False

    def run(self, progress: Callable[[int], None]) -> xr.Dataset:
        """Do all of it here and now."""
        return self.pieces.whole(progress)


def plan_tasks(study: Study) -> list[Task]:
    """List the analyses of a study in the order in which they run."""
    analyses = study.file.analyses
    asked = ((kind, plan, getattr(analyses, kind)) for kind, plan in _PLANS.items())
    return [task for kind, plan, what in asked if what for task in plan(kind, study, what)]


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
    with disk_faults_told(folder), ExitStack() as held:
        held.enter_context(study.catalogue.active())
        tasks = plan_tasks(study)
        ledger = study_ledger(study, folder)
        if any(task.streams for task in tasks):
            check_begun(study, folder, fresh=fresh)
        work = None
        if keeps := any(task.streams or task.kind in LONG for task in tasks):
            held.enter_context(ledger.begun(workers, fresh=fresh))
        elif fresh:
            ledger.forget()
        if any(task.kind in LONG for task in tasks):
            work = _work(study, ledger)
            ledger.note(work.known())
        study.used.keep_in(folder)
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
    study, work = _study_work(text, folder, run)
    with study.catalogue.active():
        return work.run(name)


@lru_cache(maxsize=1)
def _study_work(text: str, folder: str, run: str) -> tuple[Study, PieceWork]:
    study = parse_study(text, folder=Path(folder))
    with study.catalogue.active():
        return study, _work(study, study_ledger(study, Path(folder), run))


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


def _lungs(study: Study) -> int:
    groups = max(len(study.question.populations), 1)
    drawn = study.question.lungs if study.question.populations or study.question.samples else 1
    return groups * drawn


def _grid(study: Study) -> int:
    return int(np.prod([len(axis) for axis in study.axes.values()]))


def _window(kind: str, study: Study, asked: Any) -> Iterator[Task]:
    grid = {asked.along: study.axes[asked.along]} if asked.along else {}
    yield Task(kind, kind, 0, window_pieces(study.question, grid))


def _profile(kind: str, study: Study, asked: Any) -> Iterator[Task]:
    yield Task(
        kind,
        kind,
        0,
        single(
            lambda progress: profile_outcomes(
                study.question,
                along=asked.along,
                grid=study.axes[asked.along],
                outcomes=tuple(asked.outcomes),
            )
        ),
    )


def _trade(kind: str, study: Study, asked: Any) -> Iterator[Task]:
    axes = {name: study.axes[name] for name in asked.axes}
    yield Task(
        kind,
        kind,
        0,
        single(lambda progress: map_trade(study.question, axes, tuple(asked.costs))),
    )


def _course(kind: str, study: Study, asked: Any) -> Iterator[Task]:
    yield Task(
        kind,
        kind,
        0,
        single(
            lambda progress: co2_course(study.question, change=asked.change, minutes=asked.minutes)
        ),
    )


def _compare(kind: str, study: Study, asked: Any) -> Iterator[Task]:
    yield Task(
        kind,
        kind,
        0,
        single(
            lambda progress: compare_lungs(
                study.question, models=tuple(asked.models), outcomes=tuple(asked.outcomes)
            )
        ),
    )


def _startup(kind: str, study: Study, asked: Any) -> Iterator[Task]:
    yield Task(
        kind,
        kind,
        0,
        single(lambda progress: follow_start(study.question, **asked.model_dump())),
    )


def _inside(kind: str, study: Study, asked: Any) -> Iterator[Task]:
    yield Task(
        kind,
        kind,
        0,
        single(lambda progress: look_inside(study.question, seconds=asked.seconds)),
    )


def _collapse(kind: str, study: Study, asked: Any) -> Iterator[Task]:
    yield Task(
        kind,
        kind,
        0,
        single(
            lambda progress: follow_collapse(
                study.question, grid=study.axes["t_low"], t_low=tuple(asked.t_low)
            )
        ),
    )


def _adjust(kind: str, study: Study, asked: Any) -> Iterator[Task]:
    yield Task(
        kind,
        kind,
        0,
        single(lambda progress: adjust_settings(study.question, steps=asked.steps)),
    )


def _wean(kind: str, study: Study, asked: Any) -> Iterator[Task]:
    yield Task(
        kind,
        kind,
        0,
        single(lambda progress: plan_weaning(study.question, **asked.model_dump())),
    )


def _rules(kind: str, study: Study, asked: Any) -> Iterator[Task]:
    yield Task(
        kind,
        kind,
        0,
        single(
            lambda progress: compare_rules(
                study.question,
                models=tuple(asked.models),
                along=asked.along,
                grid=study.axes[asked.along],
            )
        ),
    )


def _maps(kind: str, study: Study, maps: Any) -> Iterator[Task]:
    for asked in maps:
        axes = {name: study.axes[name] for name in (asked.x, asked.y, *asked.average_over)}
        cells = int(np.prod([len(axis) for axis in axes.values()]))
        pieces = map_pieces(study.question, axes, x=asked.x, y=asked.y)
        yield Task(f"map_{asked.x}_{asked.y}", kind, cells * _lungs(study), pieces)


def _sobol(kind: str, study: Study, asked: Any) -> Iterator[Task]:
    options = asked.model_dump(
        include={
            "base_size",
            "stopping_width",
            "max_base_size",
            "stopping_outcomes",
            "second_order",
            "replicates",
            "resamples",
            "pawn",
        }
    )
    pieces = driver_pieces(study.question, **_of_outcomes(study, asked), **options)
    yield Task(f"drivers_{asked.along}", kind, 0, pieces)


def _screening(kind: str, study: Study, asked: Any) -> Iterator[Task]:
    options = asked.model_dump(include={"trajectories", "levels", "fix_below", "resamples"})
    pieces = screening_pieces(study.question, **_of_outcomes(study, asked), **options)
    yield Task(f"screening_{asked.along}", kind, 0, pieces)


def _shapley(kind: str, study: Study, asked: Any) -> Iterator[Task]:
    options = asked.model_dump(include={"base_size", "replicates"})
    pieces = shapley_pieces(study.question, **_of_outcomes(study, asked), **options)
    yield Task(f"shapley_{asked.along}", kind, 0, pieces)


def _mapping(kind: str, study: Study, asked: Any) -> Iterator[Task]:
    where = _where(study, asked)
    yield Task(
        f"mapping_{asked.along}",
        kind,
        len(where["grid"]) * _lungs(study),
        mapping_pieces(study.question, **where, resamples=asked.resamples),
    )


def _boxes(kind: str, study: Study, asked: Any) -> Iterator[Task]:
    axes = {name: study.axes[name] for name in asked.over}
    options = asked.model_dump(include={"density", "resamples", "level"})
    yield Task(
        f"boxes_{'_'.join(asked.over)}",
        kind,
        _lungs(study),
        box_pieces(study.question, axes, **options),
    )


def _where(study: Study, asked: Along) -> dict[str, Any]:
    """Return the places of an analysis along an axis, and the level of its intervals."""
    grid = study.axes[asked.along] if asked.at is None else np.asarray(asked.at, float)
    return {"along": asked.along, "grid": grid, "level": asked.level}


def _of_outcomes(study: Study, asked: OfOutcomes) -> dict[str, Any]:
    """Return what the analyses of what drives outcomes have in common."""
    return {
        **_where(study, asked),
        "outcomes": None if asked.outcomes is None else tuple(asked.outcomes),
        "groups": asked.groups,
        "drop_failed": asked.drop_failed,
    }


def _sweep(kind: str, study: Study, asked: Any) -> Iterator[Task]:
    outcomes = None if asked.outcomes is None else tuple(asked.outcomes)
    yield Task(
        "cases",
        kind,
        _grid(study) * _lungs(study),
        single(
            lambda progress: sweep(
                study.question,
                study.axes,
                outcomes=outcomes,
                judged=asked.judged,
                progress=progress,
            )
        ),
        streams(study),
    )


#: Every analysis of a study file, in the order in which they run.
_PLANS: Mapping[str, Callable[[str, Study, Any], Iterator[Task]]] = MappingProxyType(
    {
        "window": _window,
        "profile": _profile,
        "trade": _trade,
        "course": _course,
        "compare": _compare,
        "startup": _startup,
        "inside": _inside,
        "collapse": _collapse,
        "adjust": _adjust,
        "wean": _wean,
        "rules": _rules,
        "map": _maps,
        "mapping": _mapping,
        "boxes": _boxes,
        "shapley": _shapley,
        "screening": _screening,
        "sobol": _sobol,
        "sweep": _sweep,
    }
)
