"""Commands that run studies, draw their pictures and show how far a run has come."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ebbmap.cli.answer import Answer
from ebbmap.cli.application import command
from ebbmap.cli.options import (
    ClusterOption,
    ColourOption,
    DryRunOption,
    EngineOption,
    FormatOption,
    FreshOption,
    JsonOption,
    LanguageOption,
    LookOption,
    OutOption,
    PrecisionOption,
    WorkersOption,
    YesOption,
    named_texts,
)

if TYPE_CHECKING:
    from ebbmap.files.study import Study
    from ebbmap.report.figures import Drawing


@command
def run(
    context: typer.Context,
    study: Annotated[Path, typer.Argument(help="Study file (TOML), or name of a bundled study.")],
    out: OutOption = None,
    figures: Annotated[
        Path | None, typer.Option(help="Folder for pictures; that of the results by default.")
    ] = None,
    workers: WorkersOption = None,
    cluster: ClusterOption = None,
    fresh: FreshOption = False,
    engine: EngineOption = None,
    precision: PrecisionOption = None,
    formats: FormatOption = None,
    look: LookOption = "paper",
    language: LanguageOption = "en",
    colours: ColourOption = None,
    dry_run: DryRunOption = False,
    yes: YesOption = False,
    as_json: JsonOption = False,
) -> None:
    """Run a study: results as NetCDF or Zarr, pictures, and tables of what was found.

    Resumes an earlier run of the same command; long analyses keep every finished piece. A run
    that is expected to take more than an hour or 10 GB needs --yes.
    """
    answer = Answer(as_json)
    from ebbmap.files.bundled import bundled_studies, named_file
    from ebbmap.files.study import load_study
    from ebbmap.runs import default_workers
    from ebbmap.runs.costs import approve, study_costs
    from ebbmap.tables.held import study_notes
    from ebbmap.tables.runs import cost_data, cost_table, kept_lines

    drawn = context.with_resource(_drawing(answer, formats, look, language, colours))
    checked = load_study(named_file(study, bundled_studies()))
    checked = checked.solved_by(engine, precision)  # type: ignore[arg-type]
    context.with_resource(checked.catalogue.active())
    folder = out or Path("out") / study.stem
    pictures, at_work = figures or folder, workers or default_workers()
    notes = list(study_notes(checked))
    answer.say(*notes)
    costs = study_costs(checked, folder, at_work, fresh=fresh)
    answer.say(*kept_lines(costs))
    results: list[dict[str, Any]] = []
    if dry_run:
        answer.say(cost_table(costs, at_work))
    else:
        approve(costs, folder, yes=yes)
        how = {"workers": at_work, "cluster": cluster, "fresh": fresh}
        asked = checked.file.outputs.figures if formats is None else formats
        results += _results(answer, checked, study.stem, folder, (pictures, asked, drawn), how)
        answer.say(_closing(len({one["name"] for one in results}), pictures))
    answer.close(
        title=checked.file.title,
        notes=notes,
        folder=str(folder),
        figures=str(pictures),
        costs=cost_data(costs),
        results=results,
    )


@contextmanager
def _drawing(
    answer: Answer,
    formats: Sequence[str] | None,
    look: str,
    language: str,
    colours: list[str] | None,
) -> Iterator[Drawing]:
    """Yield how pictures are drawn, checked before any work starts, with the colours asked for."""
    from ebbmap.plotting.colours import own_colours
    from ebbmap.report.figures import Drawing, check_formats

    check_formats(formats)
    drawing = Drawing(look, language)
    with own_colours(named_texts("--colour", colours)) as doubts:
        answer.say(*doubts)
        yield drawing


def _results(
    answer: Answer,
    study: Study,
    stem: str,
    folder: Path,
    drawing: tuple[Path, Sequence[str], Drawing],
    how: dict[str, Any],
) -> Iterator[dict[str, Any]]:
    """Run a study; draw, print and yield each result as plain data as soon as it is there."""
    from ebbmap.files.writing import make_folder
    from ebbmap.report.figures import draw_result
    from ebbmap.runs.run import run_study
    from ebbmap.tables.held import held_text
    from ebbmap.tables.plain import tables_document
    from ebbmap.tables.results import summary, tables_of
    from ebbmap.tables.terminal import progress_bar

    pictures, formats, look = drawing
    make_folder(pictures)
    with progress_bar() as bar:
        started = run_study(
            study, folder, progress=lambda task: bar.start(task.name, task.cases), **how
        )
        for task, result, path in started:
            bar.finish(task.name)
            named = stem if path.parent == folder else f"{stem}_{path.parent.name}"
            drawn = draw_result(task.kind, result, pictures, named, formats, look)
            answer.say(f"wrote {path}", *summary(task.kind, result))
            yield {
                "name": task.name,
                "analysis": task.kind,
                "file": str(path),
                "pictures": [str(picture) for picture in drawn],
                "held": held_text(result),
                "engine": result.attrs["engine"],
                "tables": tables_document(tables_of(task.kind, result)),
            }


def _closing(count: int, pictures: Path) -> str:
    """Return the last line of a run: where the pictures are, and the caution once more."""
    from ebbmap.caution import CAUTION

    analyses = "1 analysis" if count == 1 else f"{count} analyses"
    return f"{analyses} done; pictures and their texts are in {pictures}. {CAUTION}"


@command
def status(
    folder: Annotated[Path, typer.Argument(help="Folder of a run, a check or a comparison.")],
    verify: Annotated[
        bool, typer.Option("--verify", help="Compare every file with what the run wrote.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Show how far a run has come: what is done, what is left, and the rate.

    With --verify the exit status is 0 if every file is there and as it was written, 1 if not.
    """
    from ebbmap.runs import find_damage
    from ebbmap.tables.runs import run_status, status_data, status_table

    answer = Answer(as_json)
    found = run_status(folder)
    answer.say(status_table(found))
    damage = []
    for problem in find_damage(folder) if verify else ():
        damage.append(problem)
        answer.say(problem)
    if damage:
        answer.say("Give the command of the run again: it redoes these files and nothing else.")
    elif verify:
        answer.say("every file is as it was written")
    answer.close(**status_data(found), damage=damage if verify else None)
    if damage:
        raise typer.Exit(1)


@command
def figures(
    studies: Annotated[
        Path | None,
        typer.Option(help="Folder of study files; ./studies by default, or else the bundled ones."),
    ] = None,
    out: Annotated[Path, typer.Option(help="Folder of the pictures.")] = Path("figures"),
    formats: FormatOption = None,
    look: LookOption = "paper",
    language: LanguageOption = "en",
    colours: ColourOption = None,
    check: Annotated[
        bool,
        typer.Option("--check", help="Write nothing; list where names or texts differ."),
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Rebuild every picture of every study, each with its text."""
    from ebbmap.files.bundled import bundled_studies
    from ebbmap.report.figures import check_figures, draw_figures
    from ebbmap.tables.terminal import progress_bar

    if studies is None:
        studies = Path("studies") if Path("studies").is_dir() else bundled_studies()
    answer = Answer(as_json)
    written, problems = [], []
    with progress_bar() as bar, _drawing(answer, formats, look, language, colours) as drawing:
        if check:
            problems = check_figures(studies, out, formats, progress=bar)
            answer.say(*problems)
        else:
            for path in draw_figures(studies, out, formats, progress=bar, drawing=drawing):
                written.append(str(path))
                answer.say(f"wrote {path}")
    answer.close(folder=str(out), written=written, problems=problems)
    if problems:
        raise typer.Exit(1)
    answer.say("names and texts agree" if check else f"pictures and their texts are in {out}")
