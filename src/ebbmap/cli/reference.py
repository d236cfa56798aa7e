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
        str | None,
        typer.Argument(help="Name of one entry, or a study for its limits; else all entries."),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Print the registries: parameters, outcomes, limits, populations, lungs, terms.

    Of a study, print its limits, and which of them can hold together.
    """
    from ebbmap.tables.registries import is_known, registry_document, registry_tables

    answer = Answer(as_json)
    if name is not None and not is_known(name) and (study := _study_named(name)):
        _describe_study(answer, study)
        return
    answer.say(*registry_tables(name))
    answer.close(**registry_document(name))


def _study_named(name: str) -> Path | None:
    """Return the file of a study of this name, bundled or not; None where there is none."""
    from ebbmap.files.bundled import bundled_studies, files_in

    bundled = {path.stem: path for path in files_in(bundled_studies())}
    path = bundled.get(name, Path(name))
    return path if path.suffix == ".toml" else None


def _describe_study(answer: Answer, path: Path) -> None:
    """Print the limits of a study, and which of them can hold together."""
    from ebbmap.files.study import load_study
    from ebbmap.tables.plain import tables_document
    from ebbmap.tables.together import study_tables

    study = load_study(path)
    with study.catalogue.active():
        tables = list(study_tables(study))
    answer.say(*tables)
    answer.close(study={"title": study.file.title, "tables": tables_document(tables)})


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
