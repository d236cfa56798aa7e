"""Commands that list what there is: registries, bundled files, schemas."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from ebbmap.cli.answer import Answer, print_json
from ebbmap.cli.application import command
from ebbmap.cli.options import JsonOption


@command
def describe(
    name: Annotated[
        str | None, typer.Argument(help="Name of one entry; all entries by default.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Print the registries: parameters, outcomes, limits, populations, lungs."""
    from ebbmap.tables.registries import registry_document, registry_tables

    answer = Answer(as_json)
    answer.say(*registry_tables(name))
    answer.close(**registry_document(name))


@command
def validate(
    out: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", help="Write validation.png, .txt and .csv there."),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Hold the bundled lungs beside published findings: what agrees, what does not, and why."""
    from ebbmap.report.validation import write_validation
    from ebbmap.tables.terminal import progress_bar
    from ebbmap.tables.validation import tables, validation_data
    from ebbmap.validation.validate import find_validation, steps

    answer = Answer(as_json)
    with progress_bar() as bar:
        result = find_validation(progress=bar.start("findings", steps()))
    answer.say(*tables(result))
    written = write_validation(result, out) if out is not None else []
    answer.say(*(f"wrote {path}" for path in written))
    answer.close(**validation_data(result), written=[str(path) for path in written])


@command
def studies(
    copy: Annotated[
        Path | None, typer.Option(metavar="FOLDER", help="Copy all of them into this folder.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """List the bundled studies, drafts and policies; `run` and `check` take their names."""
    from ebbmap.files.bundled import copy_bundled
    from ebbmap.tables.bundled import bundled_data, bundled_table

    answer = Answer(as_json)
    copied = copy_bundled(copy) if copy is not None else []
    answer.say(*(f"wrote {path}" for path in copied))
    if copy is None:
        answer.say(bundled_table())
    answer.close(bundled=bundled_data(), copied=[str(path) for path in copied])


@command
def schema(
    protocol: Annotated[
        bool, typer.Option("--protocol", help="Of protocol files instead of study files.")
    ] = False,
    policy: Annotated[
        bool, typer.Option("--policy", help="Of policy files instead of study files.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Print the JSON schema of study, protocol or policy files, for editors.

    It is JSON with or without --json.
    """
    from ebbmap.files.policy.schema import PolicyFile
    from ebbmap.files.protocol.schema import ProtocolFile
    from ebbmap.files.study.schema import StudyFile

    file = PolicyFile if policy else ProtocolFile if protocol else StudyFile
    print_json(file.model_json_schema())
