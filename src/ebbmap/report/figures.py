"""Every picture of every study, written with its text, and checked against a folder."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import Any, Protocol

import xarray as xr

from ebbmap.errors import EbbmapError, unknown_name
from ebbmap.files.study import Study, load_study
from ebbmap.files.writing import make_folder, write_text, write_whole
from ebbmap.plotting.moving import animations_of, save_animation
from ebbmap.plotting.pages import pages_of, save_page
from ebbmap.runs.run import plan_tasks

#: Formats of still pictures, and of moving ones.
STILL, MOVING = ("png", "svg", "pdf"), ("gif",)

#: Stems of files beside the pictures that no study draws: `ebbmap validate` writes them.
NO_STUDY = ("validation",)


class Progress(Protocol):
    """Anything that can be notified when a task starts and ends."""

    def start(self, name: str, cases: int) -> Any:
        """Begin a task; return what is called with the number of cases just finished."""

    def finish(self, name: str) -> None:
        """End a task."""


def draw_result(
    kind: str, result: xr.Dataset, folder: Path, stem: str, formats: Sequence[str]
) -> list[Path]:
    """Write every picture of a result, and beside each the text for those who cannot see it.

    Parameters
    ----------
    kind : str
        Name of the analysis in a study file.
    result : xarray.Dataset
        Result of the analysis.
    folder : Path
        Folder of the pictures.
    stem : str
        First part of every file name: that of the study file.
    formats : sequence of str
        Of `STILL` and `MOVING`; nothing is written if empty.

    Returns
    -------
    list of Path
        What was written.
    """
    written: list[Path] = []
    still = [ending for ending in formats if ending in STILL]
    for name, figure, text in pages_of(kind, result) if still else ():
        for ending in still:
            written.append(
                write_whole(folder / f"{stem}_{name}.{ending}", partial(save_page, figure))
            )
        written.append(write_text(folder / f"{stem}_{name}.txt", text + "\n"))
    for name, moving, text in animations_of(kind, result) if "gif" in formats else ():
        written.append(write_whole(folder / f"{stem}_{name}.gif", partial(save_animation, moving)))
        written.append(write_text(folder / f"{stem}_{name}.txt", text + "\n"))
    return written


def draw_figures(
    studies: Path, out: Path, formats: Sequence[str] | None = None, *, progress: Progress
) -> Iterator[Path]:
    """Run every study of a folder and write all its pictures; nothing else is touched.

    Parameters
    ----------
    studies, out : Path
        Folder of study files; folder of the pictures, made if missing.
    formats : sequence of str, optional
        Formats of the pictures; each study's own if None.
    progress : Progress
        Notified of every task.

    Yields
    ------
    Path
        Each file as soon as it is written.

    Raises
    ------
    EbbmapError
        If there is no study, a study has problems (before anything is run), or a format is
        unknown.
    """
    for ending in formats or ():
        if ending not in (*STILL, *MOVING):
            raise EbbmapError(unknown_name("format", ending, (*STILL, *MOVING)))
    paths = sorted(studies.glob("*.toml"))
    if not paths:
        raise EbbmapError(f"{str(studies)!r} must hold study files (*.toml); it has none.")
    loaded: list[tuple[str, Study]] = [(path.stem, load_study(path)) for path in paths]
    make_folder(out)
    for stem, study in loaded:
        asked = study.file.outputs.figures if formats is None else formats
        with study.catalogue.active():
            for task in plan_tasks(study):
                shown = f"{stem}: {task.name}"
                result = task.run(progress.start(shown, task.cases))
                progress.finish(shown)
                yield from draw_result(task.kind, result, out, stem, asked)


def check_figures(
    studies: Path, out: Path, formats: Sequence[str] | None = None, *, progress: Progress
) -> list[str]:
    """Return where names or texts of a folder differ from those of pictures rebuilt elsewhere.

    Pictures are not compared: fonts differ between machines.

    Parameters
    ----------
    studies, out, formats, progress
        As in `draw_figures`.

    Returns
    -------
    list of str
        One sentence for each difference.
    """
    with tempfile.TemporaryDirectory() as folder:
        built = {
            path.name: path
            for path in draw_figures(studies, Path(folder), formats, progress=progress)
        }
        endings = tuple(f".{ending}" for ending in (*STILL, *MOVING, "txt"))
        held = {
            path.name: path
            for path in out.glob("*")
            if path.suffix in endings and path.stem not in NO_STUDY
        }
        problems = [f"{name} is missing from {out}." for name in sorted(built.keys() - held.keys())]
        problems += [f"{name} comes from no study." for name in sorted(held.keys() - built.keys())]
        for name in sorted(built.keys() & held.keys()):
            if name.endswith(".txt"):
                new, old = (paths[name].read_text(encoding="utf-8") for paths in (built, held))
                if new != old:
                    problems.append(f"{name} now says: {new.strip()} It said: {old.strip()}")
    return problems
