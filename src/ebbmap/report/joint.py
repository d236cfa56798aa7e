"""The page of groups that are set each in its own way."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import xarray as xr

from ebbmap.caution import CAUTION, CONTRAINDICATIONS
from ebbmap.committee.joint import joint_holds
from ebbmap.committee.protocol import Protocol
from ebbmap.files.writing import make_folder, save_dataset, write_text
from ebbmap.report.build import facts, template, who_gets_it, write_workbook
from ebbmap.tables.committee.joint import joint_sentence, joint_table
from ebbmap.tables.csv import to_csv
from ebbmap.tables.html import to_html


def write_joint_report(
    protocol: Protocol, joint: xr.Dataset, pages: Mapping[str, str], folder: Path, date: str
) -> list[Path]:
    """Write the verdict on all groups at once: page, CSV, workbook, NetCDF.

    Parameters
    ----------
    protocol : Protocol
        The whole.
    joint : Dataset
        As `join_verdicts` gives it.
    pages : mapping of str to str
        Addresses of the groups' own reports, relative to the page.
    folder : Path
        Made if missing.
    date : str
        Stated on the page.

    Returns
    -------
    list of Path
        The page first.
    """
    make_folder(folder)
    shown = joint_table(protocol, joint)
    holds = joint_holds(joint)
    version = f"version {protocol.version}" if protocol.version else ""
    page = template("joint.html").render(
        title=protocol.title,
        answer="the draft holds" if holds else "the draft does not hold",
        holds=holds,
        meta=[text for text in (protocol.institution, version, date) if text],
        caution=CAUTION,
        contraindications=", ".join(CONTRAINDICATIONS),
        sentence=joint_sentence(joint),
        sentences=[],
        table=to_html(shown),
        heading="Each group's own report",
        items=[],
        links=list(pages.items()),
        facts=facts(protocol, date),
        draft_lines=[who_gets_it(protocol), "settings and limits: as in each group's own report"],
        files=[protocol.text],
    )
    return [
        write_text(folder / "report.html", page),
        write_text(folder / "joint.csv", to_csv(shown)),
        *write_workbook(folder, {"joint": shown}, protocol.title),
        save_dataset(joint, folder / "joint.nc"),
    ]
