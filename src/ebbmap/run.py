"""Running a study: each analysis in turn, each result saved as soon as it is there."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.analysis.adjusting import adjust_settings
from ebbmap.analysis.boxes import find_boxes
from ebbmap.analysis.collapse import follow_collapse
from ebbmap.analysis.comparing import compare_lungs
from ebbmap.analysis.course import co2_course
from ebbmap.analysis.drivers import find_drivers
from ebbmap.analysis.hidden import look_inside
from ebbmap.analysis.mapping import map_factors
from ebbmap.analysis.profiles import profile_outcomes
from ebbmap.analysis.regions import map_safe_region
from ebbmap.analysis.rules import compare_rules
from ebbmap.analysis.screening import find_screening
from ebbmap.analysis.shapley import find_shapley
from ebbmap.analysis.starting import follow_start
from ebbmap.analysis.trade import map_trade
from ebbmap.analysis.weaning import plan_weaning
from ebbmap.analysis.windows import find_population_windows
from ebbmap.files import make_folder, save_dataset, write_text
from ebbmap.streaming import check_begun, stream_sweep, streams
from ebbmap.study import Study
from ebbmap.study.schema import Along, OfOutcomes
from ebbmap.sweep import sweep


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
    run : callable
        ``run(progress) -> Dataset``.
    streams : bool
        Whether it goes block by block to a store or to counts, which see to their own files.
    """

    name: str
    kind: str
    cases: int
    run: Callable[[Callable[[int], None]], xr.Dataset]
    streams: bool = False


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
) -> Iterator[tuple[Task, xr.Dataset, Path]]:
    """Run every analysis; yield each with its result as soon as it is saved.

    Parameters
    ----------
    study : Study
        A checked study.
    folder : Path
        Where the results go; made if missing.
    progress : callable
        Called with a task before it starts; returns what is called with finished cases.
    workers, cluster
        Of a sweep that streams; see `stream_sweep`.

    Raises
    ------
    EbbmapError
        If the folder cannot be written, a task is too large, or the folder holds the store of
        another study. What was saved stays.
    """
    make_folder(folder)
    tasks = plan_tasks(study)
    if any(task.streams for task in tasks):
        check_begun(study, folder)
    write_text(folder / "study.toml", study.text)
    for task in tasks:
        if task.streams:
            found = stream_sweep(
                study, folder, workers=workers, cluster=cluster, progress=progress(task)
            )
            yield from ((task, result, path) for result, path in found)
            continue
        result = task.run(progress(task))
        result.attrs |= {
            "study": study.text,
            "study_hash": study.digest,
            "study_title": study.file.title,
        }
        yield task, result, save_dataset(result, folder / f"{task.name}.nc")


def _lungs(study: Study) -> int:
    groups = max(len(study.question.populations), 1)
    drawn = study.question.lungs if study.question.populations or study.question.samples else 1
    return groups * drawn


def _grid(study: Study) -> int:
    return int(np.prod([len(axis) for axis in study.axes.values()]))


def _window(kind: str, study: Study, asked: Any) -> Iterator[Task]:
    grid = {asked.along: study.axes[asked.along]} if asked.along else {}
    yield Task(kind, kind, 0, lambda progress: find_population_windows(study.question, grid))


def _profile(kind: str, study: Study, asked: Any) -> Iterator[Task]:
    yield Task(
        kind, kind, 0,
        lambda progress: profile_outcomes(
            study.question, along=asked.along, grid=study.axes[asked.along],
            outcomes=tuple(asked.outcomes),
        ),
    )  # fmt: skip


def _trade(kind: str, study: Study, asked: Any) -> Iterator[Task]:
    axes = {name: study.axes[name] for name in asked.axes}
    yield Task(
        kind, kind, 0,
        lambda progress: map_trade(study.question, axes, tuple(asked.costs)),
    )  # fmt: skip


def _course(kind: str, study: Study, asked: Any) -> Iterator[Task]:
    yield Task(
        kind, kind, 0,
        lambda progress: co2_course(study.question, change=asked.change, minutes=asked.minutes),
    )  # fmt: skip


def _compare(kind: str, study: Study, asked: Any) -> Iterator[Task]:
    yield Task(
        kind, kind, 0,
        lambda progress: compare_lungs(
            study.question, models=tuple(asked.models), outcomes=tuple(asked.outcomes)
        ),
    )  # fmt: skip


def _startup(kind: str, study: Study, asked: Any) -> Iterator[Task]:
    yield Task(
        kind, kind, 0,
        lambda progress: follow_start(study.question, **asked.model_dump()),
    )  # fmt: skip


def _inside(kind: str, study: Study, asked: Any) -> Iterator[Task]:
    yield Task(
        kind, kind, 0,
        lambda progress: look_inside(study.question, seconds=asked.seconds),
    )  # fmt: skip


def _collapse(kind: str, study: Study, asked: Any) -> Iterator[Task]:
    yield Task(
        kind, kind, 0,
        lambda progress: follow_collapse(
            study.question, grid=study.axes["t_low"], t_low=tuple(asked.t_low)
        ),
    )  # fmt: skip


def _adjust(kind: str, study: Study, asked: Any) -> Iterator[Task]:
    yield Task(
        kind, kind, 0,
        lambda progress: adjust_settings(study.question, steps=asked.steps),
    )  # fmt: skip


def _wean(kind: str, study: Study, asked: Any) -> Iterator[Task]:
    yield Task(
        kind, kind, 0,
        lambda progress: plan_weaning(study.question, **asked.model_dump()),
    )  # fmt: skip


def _rules(kind: str, study: Study, asked: Any) -> Iterator[Task]:
    yield Task(
        kind, kind, 0,
        lambda progress: compare_rules(
            study.question, models=tuple(asked.models), along=asked.along,
            grid=study.axes[asked.along],
        ),
    )  # fmt: skip


def _maps(kind: str, study: Study, maps: Any) -> Iterator[Task]:
    for asked in maps:
        axes = {name: study.axes[name] for name in (asked.x, asked.y, *asked.average_over)}
        cells = int(np.prod([len(axis) for axis in axes.values()]))

        def run(progress, asked=asked, axes=axes):
            return map_safe_region(study.question, axes, x=asked.x, y=asked.y, progress=progress)

        yield Task(f"map_{asked.x}_{asked.y}", kind, cells * _lungs(study), run)


def _sobol(kind: str, study: Study, asked: Any) -> Iterator[Task]:
    options = asked.model_dump(include={
        "base_size", "stopping_width", "max_base_size", "stopping_outcomes", "second_order",
        "replicates", "resamples", "pawn",
    })  # fmt: skip

    def run(progress):
        return find_drivers(
            study.question, **_of_outcomes(study, asked), **options, progress=progress
        )

    yield Task(f"drivers_{asked.along}", kind, 0, run)


def _screening(kind: str, study: Study, asked: Any) -> Iterator[Task]:
    options = asked.model_dump(include={"trajectories", "levels", "fix_below", "resamples"})

    def run(progress):
        return find_screening(
            study.question, **_of_outcomes(study, asked), **options, progress=progress
        )

    yield Task(f"screening_{asked.along}", kind, 0, run)


def _shapley(kind: str, study: Study, asked: Any) -> Iterator[Task]:
    options = asked.model_dump(include={"base_size", "replicates"})

    def run(progress):
        return find_shapley(
            study.question, **_of_outcomes(study, asked), **options, progress=progress
        )

    yield Task(f"shapley_{asked.along}", kind, 0, run)


def _mapping(kind: str, study: Study, asked: Any) -> Iterator[Task]:
    where = _where(study, asked)
    yield Task(
        f"mapping_{asked.along}", kind, len(where["grid"]) * _lungs(study),
        lambda progress: map_factors(
            study.question, **where, resamples=asked.resamples, progress=progress
        ),
    )  # fmt: skip


def _boxes(kind: str, study: Study, asked: Any) -> Iterator[Task]:
    axes = {name: study.axes[name] for name in asked.over}
    options = asked.model_dump(include={"density", "resamples", "level"})
    yield Task(
        f"boxes_{'_'.join(asked.over)}", kind, _lungs(study),
        lambda progress: find_boxes(study.question, axes, **options, progress=progress),
    )  # fmt: skip


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
        "cases", kind, _grid(study) * _lungs(study),
        lambda progress: sweep(
            study.question, study.axes, outcomes=outcomes, judged=asked.judged, progress=progress
        ),
        streams(study),
    )  # fmt: skip


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
