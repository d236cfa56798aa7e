"""Every picture of every study, written with its text, and checked against a folder."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Protocol

import xarray as xr

from ebbmap.errors import EbbmapError, unknown_name
from ebbmap.files.study import Study, load_study
from ebbmap.files.writing import make_folder, write_text, write_whole
from ebbmap.plotting.languages import ENGLISH, check_language
from ebbmap.plotting.moving import animations_of, save_animation
from ebbmap.plotting.pages import pages_of, save_page
from ebbmap.plotting.pages.caption import Page
from ebbmap.plotting.slides import slides_of
from ebbmap.runs.sources import plan_tasks

#: Formats of still pictures, and of moving ones.
STILL, MOVING = ("png", "svg", "pdf"), ("gif",)

#: How a picture is laid out.
LOOKS = ("paper", "slides")

#: Stems of files beside the pictures that no study draws: `ebbmap validate` writes them.
NO_STUDY = ("validation",)


@dataclass(frozen=True)
class Drawing:
    """How pictures are drawn.

    Parameters
    ----------
    look : {"paper", "slides"}
        Whole pages with their captions, or one panel a slide with its finding.
    language : str
        Code of a catalogue.

    Raises
    ------
    EbbmapError
        If there is no such look or language.
    """

    look: str = "paper"
    language: str = ENGLISH

    def __post_init__(self) -> None:
        """Refuse what there is not."""
        if self.look not in LOOKS:
            raise EbbmapError(unknown_name("look", self.look, LOOKS))
        check_language(self.language)

    def pages(self, kind: str, result: xr.Dataset) -> Iterator[Page]:
        """Yield the pages or the slides of a result."""
        draw = slides_of if self.look == "slides" else pages_of
        yield from draw(kind, result, self.language)


class Progress(Protocol):
    """Anything that can be notified when a task starts and ends."""

    def start(self, name: str, cases: int) -> Any:
        """Begin a task; return what is called with the number of cases just finished."""

    def finish(self, name: str) -> None:
        """End a task."""


def check_formats(formats: Sequence[str] | None) -> None:
    """Refuse formats that there are not.

    Raises
    ------
    EbbmapError
        With the nearest one.
    """
    for ending in formats or ():
        if ending not in (*STILL, *MOVING):
            raise EbbmapError(unknown_name("format", ending, (*STILL, *MOVING)))


def draw_result(
    kind: str,
    result: xr.Dataset,
    folder: Path,
    stem: str,
    formats: Sequence[str],
    drawing: Drawing | None = None,
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
    drawing : Drawing, optional
        How they are drawn; for paper, in English if None.

    Returns
    -------
    list of Path
        What was written.
    """
    return [
        write_text(folder / name, content)
        if isinstance(content, str)
        else write_whole(folder / name, content)
        for name, content in _files(kind, result, stem, formats, drawing or Drawing())
    ]


def _files(
    kind: str, result: xr.Dataset, stem: str, formats: Sequence[str], drawing: Drawing
) -> Iterator[tuple[str, str | Callable[[Path], object]]]:
    """Yield each file's name, and its text or what saves its picture."""
    still = [ending for ending in formats if ending in STILL]
    for name, figure, text in drawing.pages(kind, result) if still else ():
        for ending in still:
            yield f"{stem}_{name}.{ending}", partial(save_page, figure)
        yield f"{stem}_{name}.txt", text + "\n"
    for name, moving, text in animations_of(kind, result) if "gif" in formats else ():
        yield f"{stem}_{name}.gif", partial(save_animation, moving)
        yield f"{stem}_{name}.txt", text + "\n"


def draw_figures(
    studies: Path,
    out: Path,
    formats: Sequence[str] | None = None,
    *,
    progress: Progress,
    drawing: Drawing | None = None,
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
    drawing : Drawing, optional
        How they are drawn; for paper, in English if None.

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
    loaded = _load(studies, formats)
    make_folder(out)
    for kind, result, stem, asked in _results(loaded, formats, progress):
        yield from draw_result(kind, result, out, stem, asked, drawing)


def _load(studies: Path, formats: Sequence[str] | None) -> list[tuple[str, Study]]:
    """Return every study of a folder by its stem; see `draw_figures` for what is refused."""
    check_formats(formats)
    paths = sorted(studies.glob("*.toml"))
    if not paths:
        raise EbbmapError(f"{str(studies)!r} must hold study files (*.toml); it has none.")
    return [(path.stem, load_study(path)) for path in paths]


def _results(
    loaded: list[tuple[str, Study]], formats: Sequence[str] | None, progress: Progress
) -> Iterator[tuple[str, xr.Dataset, str, Sequence[str]]]:
    """Run every study; yield kind and result of each task, the study's stem and its formats."""
    for stem, study in loaded:
        asked = study.file.outputs.figures if formats is None else formats
        with study.catalogue.active():
            for task in plan_tasks(study):
                shown = f"{stem}: {task.name}"
                result = task.run(progress.start(shown, task.cases))
                progress.finish(shown)
                yield task.kind, result, stem, asked


def check_figures(
    studies: Path, out: Path, formats: Sequence[str] | None = None, *, progress: Progress
) -> list[str]:
    """Return where names or texts of a folder differ from those of pictures drawn anew.

    Still pictures are not saved, and none is compared: fonts differ between machines.

    Parameters
    ----------
    studies, out, formats, progress
        As in `draw_figures`.

    Returns
    -------
    list of str
        One sentence for each difference.
    """
    built: dict[str, str | None] = {}
    with tempfile.TemporaryDirectory() as folder:
        for kind, result, stem, asked in _results(_load(studies, formats), formats, progress):
            for name, content in _files(kind, result, stem, asked, Drawing()):
                built[name] = content if isinstance(content, str) else None
                # matplotlib warns of a moving picture that nobody saves
                if not isinstance(content, str) and Path(name).suffix[1:] in MOVING:
                    content(Path(folder) / name)
    endings = tuple(f".{ending}" for ending in (*STILL, *MOVING, "txt"))
    held = {
        path.name: path
        for path in out.glob("*")
        if path.suffix in endings and path.stem not in NO_STUDY
    }
    problems = [f"{name} is missing from {out}." for name in sorted(built.keys() - held.keys())]
    problems += [f"{name} comes from no study." for name in sorted(held.keys() - built.keys())]
    for name in sorted(built.keys() & held.keys()):
        new = built[name]
        if new is not None and new != (old := held[name].read_text(encoding="utf-8")):
            problems.append(f"{name} now says: {new.strip()} It said: {old.strip()}")
    return problems
