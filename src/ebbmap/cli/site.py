"""Commands that make the documentation, and say what a result rests on."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from ebbmap.cli.answer import Answer, print_json
from ebbmap.cli.application import command
from ebbmap.cli.options import JsonOption


@command
def docs(
    out: Annotated[Path, typer.Option(metavar="FOLDER", help="Folder of the site.")] = Path("site"),
    as_json: JsonOption = False,
) -> None:
    """Make the documentation as one site of HTML, which needs no network."""
    from ebbmap.site.build import build_site

    answer = Answer(as_json)
    problems = build_site(out)
    answer.say(*problems, f"wrote {out / 'index.html'}; open it in a browser, no network needed")
    answer.close(page=str(out / "index.html"), problems=problems)


@command
def cite(
    result: Annotated[
        Path, typer.Argument(help="A result (.nc), or the folder of a run or a check.")
    ],
    bibtex: Annotated[
        bool, typer.Option("--bibtex", help="Print entries for a bibliography instead.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Print what a result rests on, from the sources in the registries."""
    from ebbmap import __version__
    from ebbmap.tables.cite import bibtex as entries_of
    from ebbmap.tables.cite import cite_data, cite_lines, opened, rests_of
    from ebbmap.tables.terminal import width

    with opened(result) as results:
        rests = rests_of(results)
    if as_json:
        print_json(cite_data(rests, __version__))
    elif bibtex:
        typer.echo(entries_of(rests, __version__))
    else:
        Answer(as_json).say_lines(cite_lines(rests, width()))
