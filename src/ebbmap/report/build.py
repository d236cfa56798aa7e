"""From a check to files: the page, the tables as CSV, the results as NetCDF."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined, Template

from ebbmap.analyses.common.knowledge import NOT_ASKED
from ebbmap.caution import CAUTION, CONTRAINDICATIONS
from ebbmap.committee.check import Check
from ebbmap.committee.draft import SETTINGS
from ebbmap.committee.protocol import Protocol
from ebbmap.committee.words import say_eligible, say_setting
from ebbmap.files.writing import make_folder, save_dataset, write_all, write_text, write_whole
from ebbmap.plotting.colours import TIMES, VERDICT_WORDS
from ebbmap.registries.glossary import GLOSSARY
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.report import persons, sentences
from ebbmap.report.advice import advice_lines, short_advice
from ebbmap.report.answer import answer_document
from ebbmap.report.pictures import pictures_of
from ebbmap.tables.committee.check import check_tables
from ebbmap.tables.csv import to_csv
from ebbmap.tables.html import to_html
from ebbmap.tables.model import Table
from ebbmap.tables.plain import document
from ebbmap.tables.workbook import can_write_workbooks, to_workbook

#: Name of the report's page.
PAGE = "report.html"

SECTIONS = (
    ("persons-section", "Of 100 patients"),
    ("beside-section", "Beside conventional ventilation"),
    ("fails-section", "Where it fails, and why"),
    ("hold-section", "What would hold"),
    ("question-section", "The question"),
    ("verdict-section", "The verdict in combinations"),
    ("ways-section", "Fixed range or rule?"),
    ("windows-section", "Release windows"),
    ("drivers-section", "What drives it"),
    ("limits-section", "Limits and lungs"),
    ("methods-section", "Methods and provenance"),
)


def write_report(check: Check, folder: Path, date: str) -> list[Path]:
    """Write everything that a check found: its numbers first, then the page with its pictures.

    Parameters
    ----------
    check : Check
        What was found.
    folder : Path
        Made if missing.
    date : str
        Stated on the page.

    Returns
    -------
    list of Path
        The page first, then CSV tables, the answer as JSON, and datasets.

    Raises
    ------
    EbbmapError
        If the folder cannot be written.
    """
    numbers = write_numbers(check, folder)
    return [write_page(check, folder, date), *numbers]


def write_numbers(check: Check, folder: Path) -> list[Path]:
    """Write tables (CSV), the answer (JSON) and results (NetCDF); see `write_report`."""
    make_folder(folder)
    answer = document(**answer_document(check, Path(PAGE)))  # the file lies beside the page
    tables = check_tables(check)
    written = [write_text(folder / f"{name}.csv", to_csv(table)) for name, table in tables.items()]
    written += write_workbook(folder, tables, check.protocol.title)
    written.append(write_text(folder / "answer.json", json.dumps(answer, indent=2) + "\n"))
    return written + [save_dataset(ds, folder / f"{name}.nc") for name, ds in check.results.items()]


def write_workbook(folder: Path, tables: Mapping[str, Table], title: str) -> list[Path]:
    """Write the tables as one workbook, where the package for it (extra) is installed."""
    if not can_write_workbooks():
        return []
    content = to_workbook(tables, title)
    return [write_whole(folder / "tables.xlsx", lambda part: write_all(part, content))]


def write_page(check: Check, folder: Path, date: str) -> Path:
    """Write the page; see `write_report`."""
    return write_text(folder / PAGE, page(check, check_tables(check), date))


def page(check: Check, tables: dict[str, Table], date: str) -> str:
    """Return the page as HTML; every text that comes from a file is escaped."""
    protocol = check.protocol
    beside = persons.beside(check)
    return template("page.html").render(
        title=protocol.title,
        meta=[
            part
            for part in (
                protocol.institution,
                f"version {protocol.version}" if protocol.version else "",
                date,
            )
            if part
        ],
        question=protocol.question or "For whom is this draft safe, and where does it fail?",
        answer="the draft holds" if check.holds else "the draft does not hold",
        holds=check.holds,
        lead=sentences.lead(check),
        for_whom=persons.for_whom(check),
        why_not=persons.why_not(check),
        instead=short_advice(check),
        hundred=persons.rows_of_hundred(check),
        left_out=persons.left_out(check),
        persons=persons.persons(check),
        recognise=persons.recognise(check),
        beside=beside,
        facts=facts(protocol, date),
        draft_lines=[
            *(
                f"{PARAMETERS[name].long_name}: {say_setting(protocol.draft, name)}"
                for name in SETTINGS
            ),
            who_gets_it(protocol),
        ],
        shares=sentences.shares_text(check),
        unjudged=sentences.unjudged(check),
        caution=CAUTION,
        contraindications=", ".join(CONTRAINDICATIONS),
        sections=[one for one in SECTIONS if beside or one[0] != "beside-section"],
        tables={name: to_html(table) for name, table in tables.items()},
        figures=pictures_of(check, tables),
        grades=sentences.GRADES,
        not_asked=NOT_ASKED,
        needs=advice_lines(check),
        box_method=sentences.box_method(check),
        ways_text=sentences.ways_text(check),
        drivers_text=sentences.drivers_text(check),
        rule_text=sentences.rule_text(check),
        methods=sentences.methods_text(check),
        provenance=sentences.provenance_items(check),
        file=protocol.text,
    )


def facts(protocol: Protocol, date: str) -> list[tuple[str, str]]:
    """Return what a committee has to know of a paper that it signs."""
    until = protocol.valid_until
    if until and until < date:
        until = f"{until}, expired"
    unknown = "not stated"
    return [
        ("Owner", protocol.owner or unknown),
        ("Version", protocol.version or unknown),
        ("Checked on", date),
        ("Valid until", until or unknown),
        ("File", protocol.digest),
    ]


def who_gets_it(protocol: Protocol) -> str:
    """Return who gets the mode, as it stands above the lines to sign."""
    return f"who gets the mode: {say_eligible(protocol)}"


def template(name: str) -> Template:
    """Return a page without its content; every text that comes from a file is escaped."""
    environment = Environment(
        loader=PackageLoader("ebbmap.report", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        keep_trailing_newline=True,
    )
    environment.globals |= {
        "glossary": GLOSSARY,
        "verdict_words": VERDICT_WORDS,
        "times": TIMES,
    }
    return environment.get_template(name)
