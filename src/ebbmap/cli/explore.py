"""The command that makes a map which answers while one drags."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ebbmap.cli.answer import Answer
from ebbmap.cli.application import command
from ebbmap.cli.options import JsonOption, LungOption, SeedOption

if TYPE_CHECKING:
    from ebbmap.files.study import Study


@command
def explore(
    context: typer.Context,
    study: Annotated[
        Path | None,
        typer.Argument(
            help="Study file, name of a bundled study, or folder of its results: its lungs, "
            "settings and limits. The bundled populations if absent."
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(help="File of a page (HTML) that needs no server."),
    ] = None,
    lung: LungOption = None,
    lungs: Annotated[
        int | None,
        typer.Option(
            min=2,
            max=5000,
            help="Lungs to draw of each population, without a study; 200, and 80 of a lung whose "
            "results the page holds as tables, if absent.",
        ),
    ] = None,
    seed: SeedOption = 0,
    cells: Annotated[
        int | None, typer.Option(min=2, max=400, help="Cells along each axis of the map.")
    ] = None,
    port: Annotated[
        int, typer.Option(min=0, max=65535, help="Port on this machine; any free one if 0.")
    ] = 0,
    as_json: JsonOption = False,
) -> None:
    """Map where it is safe, for which lungs, and count anew while one drags.

    With --out, or without a study, writes a page that computes by itself (explorer.html); of a
    lung that costs too much for that, from tables that are solved first.
    With a study and no --out, serves the page on this machine until Ctrl-C: for any lung model.
    Of a folder with a stored sweep (cases.zarr, cases.nc) it then serves the stored cases and
    solves none; --lung or --cells has them solved anew.
    """
    from ebbmap.exploring import build_page, has_store, of_store, of_study, serve, usual
    from ebbmap.files.writing import write_text
    from ebbmap.lungs import DEFAULT_LUNG

    answer = Answer(as_json)
    if study is None:
        asked = usual(lung or DEFAULT_LUNG, lungs=lungs, seed=seed, cells=cells)
    else:
        checked = _study_of(study)
        context.with_resource(checked.catalogue.active())
        if out is None and lung is None and cells is None and has_store(study, checked):
            asked = of_store(study, checked)
            for sentence in asked.says:
                answer.say(sentence)
        else:
            asked = of_study(checked, lung=lung, cells=cells, page=out is not None)
    if study is not None and out is None:
        answer.say("Open this address in a browser; Ctrl-C ends it.")
        serve(asked, port=port, told=answer.say)
        return
    file = out or Path("explorer.html")
    page = build_page(asked, told=answer.say)
    write_text(file, page.html)
    answer.say(f"wrote {file}: lung {page.lung}; open it in a browser, no network needed")
    question = asked.question
    answer.close(lung=page.lung, lungs=question.lungs, seed=question.seed, page=str(file))


def _study_of(path: Path) -> Study:
    """Return a study by its file, its bundled name, or the folder of its results."""
    from ebbmap.files.bundled import bundled_studies, named_file
    from ebbmap.files.study import load_study, parse_study
    from ebbmap.runs.results import open_results

    if path.is_dir():
        return parse_study(str(open_results(path).study))
    return load_study(named_file(path, bundled_studies()))
