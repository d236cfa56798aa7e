"""From a check to files: the page, the tables as CSV, the results as NetCDF."""

from __future__ import annotations

from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined, Template

from ebbmap.analyses.common.knowledge import NOT_ASKED
from ebbmap.caution import CAUTION, CONTRAINDICATIONS
from ebbmap.committee.check import Check
from ebbmap.files.writing import make_folder, save_dataset, write_text
from ebbmap.report import sentences
from ebbmap.report.pictures import pictures_of
from ebbmap.tables.committee.check import check_tables
from ebbmap.tables.csv import to_csv
from ebbmap.tables.html import to_html
from ebbmap.tables.model import Table

SECTIONS = (
    ("question-section", "The question"),
    ("verdict-section", "The verdict"),
    ("fails-section", "Where it fails, and why"),
    ("hold-section", "What would hold"),
    ("ways-section", "Fixed range or rule?"),
    ("windows-section", "Release windows"),
    ("drivers-section", "What drives it"),
    ("limits-section", "Limits and lungs"),
    ("methods-section", "Methods and provenance"),
)


def write_report(check: Check, folder: Path, date: str) -> list[Path]:
    """Write everything that a check found.

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
        The page first, then CSV tables, then datasets.

    Raises
    ------
    EbbmapError
        If the folder cannot be written.
    """
    make_folder(folder)
    tables = check_tables(check)
    written = [write_text(folder / "report.html", page(check, tables, date))]
    written += [write_text(folder / f"{name}.csv", to_csv(table)) for name, table in tables.items()]
    written += [save_dataset(ds, folder / f"{name}.nc") for name, ds in check.results.items()]
    return written


def page(check: Check, tables: dict[str, Table], date: str) -> str:
    """Return the page as HTML; every text that comes from a file is escaped."""
    protocol = check.protocol
    return template("page.html").render(
        title=protocol.title,
        institution=protocol.institution,
        question=protocol.question or "For whom is this draft safe, and where does it fail?",
        answer="the draft holds" if check.holds else "the draft does not hold",
        holds=check.holds,
        lead=sentences.lead(check),
        unjudged=sentences.unjudged(check),
        date=date,
        caution=CAUTION,
        contraindications=", ".join(CONTRAINDICATIONS),
        sections=SECTIONS,
        tables={name: to_html(table) for name, table in tables.items()},
        figures=pictures_of(check, tables),
        grades=sentences.GRADES,
        not_asked=NOT_ASKED,
        needs=sentences.needs(check),
        box_method=sentences.box_method(check),
        ways_text=sentences.ways_text(check),
        drivers_text=sentences.drivers_text(check),
        rule_text=sentences.rule_text(check),
        methods=sentences.methods_text(check),
        provenance=sentences.provenance_items(check),
        file=protocol.text,
    )


def template(name: str) -> Template:
    """Return a page without its content; every text that comes from a file is escaped."""
    environment = Environment(
        loader=PackageLoader("ebbmap.report", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        keep_trailing_newline=True,
    )
    return environment.get_template(name)
