"""The commands about entries of one's own: ``ebbmap extend check mine.py``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from ebbmap.cli.answer import Answer
from ebbmap.cli.application import app
from ebbmap.cli.failures import failures_reported
from ebbmap.cli.options import JsonOption

extend = typer.Typer(no_args_is_help=True, rich_markup_mode=None)
app.add_typer(extend, name="extend")


@extend.callback()
def _about() -> None:
    """Check outcomes, limits, lungs, populations and analyses of your own."""


@extend.command("check")
def check_entries(
    file: Annotated[
        Path, typer.Argument(help="A .py file of entries. It is run, with all your rights.")
    ],
    as_json: JsonOption = False,
) -> None:
    """Say what each entry of a file reads, which lungs it runs with, and whether it passes.

    Ends with status 1 if an entry has a problem. With --json: file, and entries with kind, name,
    reads, lungs, problems and passes.
    """
    with failures_reported():
        from dataclasses import asdict

        from ebbmap.catalogue.findings import check_file

        answer = Answer(as_json)
        findings = check_file(file)
        for finding in findings:
            answer.say(
                f"{finding.kind} {finding.name}: {'passes' if finding.passes else 'fails'}",
                f"  reads: {', '.join(finding.reads) or 'nothing'}",
            )
            if finding.lungs:
                answer.say(f"  runs with: {', '.join(finding.lungs)}")
            answer.say(*(f"  {problem}" for problem in finding.problems))
        entries = [{**asdict(finding), "passes": finding.passes} for finding in findings]
        answer.close(file=str(file), entries=entries)
        if not all(finding.passes for finding in findings):
            raise typer.Exit(1)
