"""The command that writes new files: by questions, from a table, as a template or a form."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ebbmap.cli.answer import Answer
from ebbmap.cli.application import command
from ebbmap.cli.options import JsonOption

if TYPE_CHECKING:
    from ebbmap.files.new.questions import Kind, Question, Value


@command
def new(
    kind: Annotated[str, typer.Argument(help="protocol, study or population.")] = "protocol",
    out: Annotated[Path | None, typer.Option(help="File to write; KIND.toml by default.")] = None,
    given: Annotated[
        list[str] | None,
        typer.Option(
            "--set", metavar="KEY=VALUE", help="Answer to a question; then nothing is asked."
        ),
    ] = None,
    table: Annotated[
        Path | None,
        typer.Option("--from", help="Spreadsheet (.xlsx, .csv) with a row for each phenotype."),
    ] = None,
    template: Annotated[
        bool, typer.Option("--template", help="Ask nothing: write every key with its meaning.")
    ] = False,
    template_table: Annotated[
        bool, typer.Option("--template-table", help="Write the spreadsheet to fill in for --from.")
    ] = False,
    form: Annotated[
        bool, typer.Option("--form", help="Write an offline page that fills in a protocol.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Write a new file without TOML: asks a few questions, and checks what it writes.

    A number may have its unit: --set p_high_low="2 kPa". Nothing is written over.
    """
    from ebbmap.errors import EbbmapError

    answer = Answer(as_json)
    answers: dict[str, Any] = {}
    if form or template_table:
        path, content = _page_or_table(out, form=form)
    else:
        from ebbmap.errors import unknown_name
        from ebbmap.files.new.asked import KINDS

        if kind not in KINDS:
            raise EbbmapError(unknown_name("kind of file", kind, KINDS))
        path = out or Path(f"{kind}.toml")
        if path.exists():
            raise EbbmapError(f"{path} is there already. Name another file with --out.")
        quiet = bool(given or table or template or as_json)
        answers, text = _text(KINDS[kind], given, table, template=template, quiet=quiet)
        content = text.encode("utf-8")
    _put(path, content)
    answer.say(f"wrote {path}.", *_what_next(kind, path, form=form, table=template_table))
    answer.close(file=str(path), answers=answers)


def _page_or_table(out: Path | None, *, form: bool) -> tuple[Path, bytes]:
    """Return the file and the content of a form, or of an empty table."""
    if form:
        from ebbmap.files.new.form import form_page

        return out or Path("form.html"), form_page().encode("utf-8")
    from ebbmap.files.new.sheet import template_csv, template_workbook

    path = out or Path("phenotypes.xlsx")
    if path.suffix.lower() == ".csv":
        # spreadsheets take UTF-8 for what it is by its mark
        return path, template_csv().encode("utf-8-sig")
    return path, template_workbook()


def _text(
    kind: Kind, given: list[str] | None, table: Path | None, *, template: bool, quiet: bool
) -> tuple[dict[str, Value], str]:
    """Return the answers and the text of a new file, which has passed its check."""
    from ebbmap.errors import EbbmapError
    from ebbmap.files.new.lines import population_study, template_of, text_of, with_groups
    from ebbmap.files.new.sheet import read_rows

    if table is not None and kind.name == "study":
        raise EbbmapError("--from makes a protocol or a population. Name one of them.")
    if template:
        return {}, _checked(kind.name, template_of(kind.name))
    rows = None if table is None else read_rows(table, kind.name)
    if rows is not None and kind.name == "population":
        return {}, _checked(kind.name, population_study(rows))
    answers = kind.answers(_pairs(given)) if quiet else _asked(kind)
    text = text_of(kind.name, answers)
    return answers, _checked(kind.name, text if rows is None else with_groups(text, rows))


def _pairs(given: list[str] | None) -> dict[str, str]:
    from ebbmap.errors import EbbmapError

    found: dict[str, str] = {}
    for pair in given or []:
        key, equals, text = (part.strip() for part in pair.partition("="))
        if not equals or not text:
            raise EbbmapError(f"--set must be KEY=VALUE; got {pair!r}. Write --set p_low=5.")
        if key in found:
            raise EbbmapError(f"{key} is set twice. Keep one of them.")
        found[key] = text
    return found


def _asked(kind: Kind) -> dict[str, Value]:
    """Ask every question, again where an answer cannot be, and return the answers."""
    from ebbmap.errors import EbbmapError

    answers: dict[str, Value] = {one.key: one.default for one in kind.questions}
    given: dict[str, Value] = {}
    for question in kind.questions:
        while question.asked(answers):
            try:
                value = question.value(typer.prompt(_prompt(question), question.default))
            except EbbmapError as error:
                typer.echo(f"  {error}")
                continue
            trial = {**answers, question.key: value}
            ahead = [
                pair.swapped
                for pair in kind.pairs
                if question.key in (pair.first, pair.second)
                and {pair.first, pair.second} <= {*given, question.key}
                and pair.broken(trial)
            ]
            if ahead:
                typer.echo(f"  {ahead[0]}")
                continue
            answers[question.key] = given[question.key] = value
            break
    if problems := kind.problems(given):
        raise EbbmapError("\n".join(problems))
    return given


def _prompt(question: Question) -> str:
    from ebbmap.units import display

    parts = [display(question.units)] if display(question.units) else []
    if question.usual and question.kind == "number" and question.units != "1":
        parts.append(f"usually {question.usual[0]:g} to {question.usual[1]:g}")
    if question.choices:
        parts.append(", ".join(question.choices))
    return f"{question.label} [{'; '.join(parts)}]" if parts else question.label


def _checked(kind: str, text: str) -> str:
    """Return a text that passes the check of its kind."""
    from ebbmap.files.protocol import parse_protocol
    from ebbmap.files.study import parse_study

    if kind == "protocol":
        parse_protocol(text, "the new protocol")
    else:
        parse_study(text, f"the new {kind}")
    return text


def _put(path: Path, content: bytes) -> None:
    from ebbmap.errors import EbbmapError
    from ebbmap.files.writing import write_all, write_whole

    if path.exists():
        raise EbbmapError(f"{path} is there already. Name another file with --out.")
    write_whole(path, lambda part: write_all(part, content))


def _what_next(kind: str, path: Path, *, form: bool, table: bool) -> list[str]:
    if form:
        return ["Open it in a browser: it needs no network, and offers the protocol as a download."]
    if table:
        return [f"Fill it in, then: ebbmap new protocol --from {path}"]
    if kind == "protocol":
        return [f"Next: ebbmap check {path} --explain"]
    return [f"Next: ebbmap run {path}"]
