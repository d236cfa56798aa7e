"""The command that checks entries of one's own: ``ebbmap extend check mine.py``."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from ebbmap.caution import CAUTION

app = typer.Typer(
    help="Entries of your own: outcomes, limits, lungs and populations.", no_args_is_help=True
)


@app.callback()
def extend() -> None:
    """Entries of your own: outcomes, limits, lungs and populations."""


@app.command()
def check(
    file: Annotated[
        Path, typer.Argument(help="A .py file of entries. It is run, with all your rights.")
    ],
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Say what each entry of a file reads, which lungs it runs with, and whether it passes.

    Ends with status 1 if an entry has a problem, and 2 if the file cannot be read or run.
    """
    from ebbmap.catalogue.findings import check_file
    from ebbmap.errors import EbbmapError

    try:
        findings = check_file(file)
    except EbbmapError as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(2) from None
    if as_json:
        found = [{**asdict(finding), "passes": finding.passes} for finding in findings]
        typer.echo(json.dumps({"caution": CAUTION, "file": str(file), "entries": found}))
    else:
        typer.echo(CAUTION)
        for finding in findings:
            typer.echo(f"{finding.kind} {finding.name}: {'passes' if finding.passes else 'fails'}")
            typer.echo(f"  reads: {', '.join(finding.reads) or 'nothing'}")
            if finding.lungs:
                typer.echo(f"  runs with: {', '.join(finding.lungs)}")
            for problem in finding.problems:
                typer.echo(f"  {problem}")
    if not all(finding.passes for finding in findings):
        raise typer.Exit(1)
