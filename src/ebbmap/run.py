"""Running a study: each analysis in turn, each result saved as soon as it is there."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.analysis.adjusting import adjust_settings
from ebbmap.analysis.boxes import find_boxes
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
    parts = (
        _window,
        _profile,
        _trade,
        _course,
        _compare,
        _startup,
        _inside,
        _adjust,
        _wean,
        _rules,
        _maps,
        _mapping,
        _boxes,
        _shapley,
        _screening,
        _sobol,
        _sweep,
    )
    return [task for part in parts for task in part(study)]


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


def _window(study: Study) -> Iterator[Task]:
    asked = study.file.analyses.window
    if asked is None:
        return
    grid = {asked.along: study.axes[asked.along]} if asked.along else {}
    yield Task(
        "window", "window", 0, lambda progress: find_population_windows(study.question, grid)
    )


def _profile(study: Study) -> Iterator[Task]:
    asked = study.file.analyses.profile
    if asked is None:
        return
    yield Task(
        "profile", "profile", 0,
        lambda progress: profile_outcomes(
            study.question, along=asked.along, grid=study.axes[asked.along],
            outcomes=tuple(asked.outcomes),
        ),
    )  # fmt: skip


def _trade(study: Study) -> Iterator[Task]:
    asked = study.file.analyses.trade
    if asked is None:
        return
    axes = {name: study.axes[name] for name in asked.axes}
    yield Task(
        "trade", "trade", 0,
        lambda progress: map_trade(study.question, axes, tuple(asked.costs)),
    )  # fmt: skip


def _course(study: Study) -> Iterator[Task]:
    asked = study.file.analyses.course
    if asked is None:
        return
    yield Task(
        "course", "course", 0,
        lambda progress: co2_course(study.question, change=asked.change, minutes=asked.minutes),
    )  # fmt: skip


def _compare(study: Study) -> Iterator[Task]:
    asked = study.file.analyses.compare
    if asked is None:
        return
    yield Task(
        "compare", "compare", 0,
        lambda progress: compare_lungs(
            study.question, models=tuple(asked.models), outcomes=tuple(asked.outcomes)
        ),
    )  # fmt: skip


def _startup(study: Study) -> Iterator[Task]:
    asked = study.file.analyses.startup
    if asked is None:
        return
    yield Task(
        "startup", "startup", 0,
        lambda progress: follow_start(study.question, **asked.model_dump()),
    )  # fmt: skip


def _inside(study: Study) -> Iterator[Task]:
    asked = study.file.analyses.inside
    if asked is None:
        return
    yield Task(
        "inside", "inside", 0,
        lambda progress: look_inside(study.question, seconds=asked.seconds),
    )  # fmt: skip


def _adjust(study: Study) -> Iterator[Task]:
    asked = study.file.analyses.adjust
    if asked is None:
        return
    yield Task(
        "adjust", "adjust", 0,
        lambda progress: adjust_settings(study.question, steps=asked.steps),
    )  # fmt: skip


def _wean(study: Study) -> Iterator[Task]:
    asked = study.file.analyses.wean
    if asked is None:
        return
    yield Task(
        "wean", "wean", 0,
        lambda progress: plan_weaning(study.question, **asked.model_dump()),
    )  # fmt: skip


def _rules(study: Study) -> Iterator[Task]:
    asked = study.file.analyses.rules
    if asked is None:
        return
    yield Task(
        "rules", "rules", 0,
        lambda progress: compare_rules(
            study.question, models=tuple(asked.models), along=asked.along,
            grid=study.axes[asked.along],
        ),
    )  # fmt: skip


def _maps(study: Study) -> Iterator[Task]:
    for asked in study.file.analyses.map:
        others = asked.average_over
        axes = {name: study.axes[name] for name in (asked.x, asked.y, *others)}
        cells = int(np.prod([len(axis) for axis in axes.values()]))

        def run(progress, asked=asked, axes=axes):
            return map_safe_region(study.question, axes, x=asked.x, y=asked.y, progress=progress)

        yield Task(f"map_{asked.x}_{asked.y}", "map", cells * _lungs(study), run)


def _sobol(study: Study) -> Iterator[Task]:
    asked = study.file.analyses.sobol
    if asked is None:
        return
    options = asked.model_dump(include={
        "base_size", "stopping_width", "max_base_size", "stopping_outcomes", "second_order",
        "replicates", "resamples", "pawn",
    })  # fmt: skip

    def run(progress):
        return find_drivers(
            study.question, **_of_outcomes(study, asked), **options, progress=progress
        )

    yield Task(f"drivers_{asked.along}", "sobol", 0, run)


def _screening(study: Study) -> Iterator[Task]:
    asked = study.file.analyses.screening
    if asked is None:
        return
    options = asked.model_dump(include={"trajectories", "levels", "fix_below", "resamples"})

    def run(progress):
        return find_screening(
            study.question, **_of_outcomes(study, asked), **options, progress=progress
        )

    yield Task(f"screening_{asked.along}", "screening", 0, run)


def _shapley(study: Study) -> Iterator[Task]:
    asked = study.file.analyses.shapley
    if asked is None:
        return
    options = asked.model_dump(include={"base_size", "replicates"})

    def run(progress):
        return find_shapley(
            study.question, **_of_outcomes(study, asked), **options, progress=progress
        )

    yield Task(f"shapley_{asked.along}", "shapley", 0, run)


def _mapping(study: Study) -> Iterator[Task]:
    asked = study.file.analyses.mapping
    if asked is None:
        return
    where = _where(study, asked)
    yield Task(
        f"mapping_{asked.along}", "mapping", len(where["grid"]) * _lungs(study),
        lambda progress: map_factors(
            study.question, **where, resamples=asked.resamples, progress=progress
        ),
    )  # fmt: skip


def _boxes(study: Study) -> Iterator[Task]:
    asked = study.file.analyses.boxes
    if asked is None:
        return
    axes = {name: study.axes[name] for name in asked.over}
    options = asked.model_dump(include={"density", "resamples", "level"})
    yield Task(
        f"boxes_{'_'.join(asked.over)}", "boxes", _lungs(study),
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


def _sweep(study: Study) -> Iterator[Task]:
    asked = study.file.analyses.sweep
    if asked is None:
        return
    outcomes = None if asked.outcomes is None else tuple(asked.outcomes)
    yield Task(
        "cases", "sweep", _grid(study) * _lungs(study),
        lambda progress: sweep(
            study.question, study.axes, outcomes=outcomes, judged=asked.judged, progress=progress
        ),
        streams(study),
    )  # fmt: skip
