"""Running what a study, a check or a comparison asks: one part after the other, each kept."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import ExitStack
from dataclasses import dataclass, field
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
from ebbmap.committee.protocol import Protocol
from ebbmap.files.protocol import parse_protocol
from ebbmap.files.study import Study, parse_study
from ebbmap.files.study.schema import Along, OfOutcomes
from ebbmap.files.writing import make_folder, save_dataset, write_text
from ebbmap.runs.chunks import Chunks, check_begun, streams
from ebbmap.runs.engine import disk_faults_reported
from ebbmap.runs.ledger import Ledger
from ebbmap.runs.plan import plan_of
from ebbmap.runs.work import Part, Solved, Work

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
        What a run is told apart by.
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
    """

    name: str
    texts: tuple[str, ...]
    plan: Mapping[str, Any]
    tasks: tuple[Task, ...]
    parts: Mapping[str, Part]
    keeps: bool = True
    files: Mapping[str, str] = field(default_factory=dict)
    save: Save = _unsaved

    def work(self, folder: Path, run: str = "") -> Work:
        """Return the work of this source in a folder, for a run."""
        return Work(self.parts, Ledger(folder, self.plan, run), run_piece, self.name, *self.texts)


def study_source(study: Study) -> Source:
    """Return a study as a source of analyses; one without long analyses keeps no pieces."""
    tasks = tuple(plan_tasks(study))
    keeps = any(task.streams or task.kind in LONG for task in tasks)

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
        plan_of("study", study.file.model_dump(mode="json"), study.digest),
        tasks,
        {t.name: Chunks(study) if t.streams else Solved(t.name, t.pieces) for t in tasks},
        keeps,
        {"study.toml": study.text},
        save,
    )


def check_source(protocol: Protocol) -> Source:
    """Return a protocol as a source of the parts of its check."""
    plan = plan_of("protocol", protocol.stated, protocol.digest)
    return _committee("check", (protocol.text,), plan, check_parts(protocol))


def comparison_source(old: Protocol, new: Protocol) -> Source:
    """Return two drafts as a source of the parts of their comparison."""
    plan = {**plan_of("new", new.stated, new.digest), **plan_of("old", old.stated, old.digest)}
    return _committee("comparison", (old.text, new.text), plan, difference_parts(old, new))


def _committee(
    name: str, texts: tuple[str, ...], plan: Mapping[str, Any], parts: Mapping[str, Pieces[Any]]
) -> Source:
    tasks = tuple(Task(part, name, 0, pieces) for part, pieces in parts.items())
    return Source(name, texts, plan, tasks, {n: Solved(n, pieces) for n, pieces in parts.items()})


#: What makes a source from the texts of its files, by name.
SOURCES: Mapping[str, Callable[..., Source]] = MappingProxyType(
    {
        "study": lambda text: study_source(parse_study(text)),
        "check": lambda text: check_source(parse_protocol(text)),
        "comparison": lambda old, new: comparison_source(parse_protocol(old), parse_protocol(new)),
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
    return _work(name, tuple(texts), folder, run).run(piece)


@lru_cache(maxsize=1)
def _work(name: str, texts: tuple[str, ...], folder: str, run: str) -> Work:
    return SOURCES[name](*texts).work(Path(folder), run)


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
        if source.keeps:
            held.enter_context(work.ledger.begun(workers, fresh=fresh))
            work.ledger.note(work.known())
        elif fresh:
            work.ledger.forget()
        written = [write_text(folder / name, text).name for name, text in source.files.items()]
        for task in source.tasks:
            told = progress(task)
            if source.keeps:
                result = work.finish(task.name, workers=workers, cluster=cluster, progress=told)
            else:
                result = task.run(told)
            for dataset, path in source.save(task, result, folder):
                if path is not None and path.is_file():
                    written.append(path.name)
                yield task, dataset, path
        if source.keeps and written:
            work.ledger.vouch("results", written)


def run_study(study: Study, folder: Path, **how: Any) -> Iterator[tuple[Task, xr.Dataset, Path]]:
    """Run every analysis of a study; see `run_source`."""
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


def _results(
    source: Source,
    folder: Path,
    progress: Callable[[str], Callable[[int], None]],
    how: Mapping[str, Any],
) -> dict[str, Any]:
    """Return what came of every part, by name."""
    done = run_source(source, folder, progress=lambda task: progress(task.name), **how)
    return {task.name: result for task, result, _ in done}


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
