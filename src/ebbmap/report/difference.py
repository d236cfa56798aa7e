"""The page of two drafts on the same lungs."""

from __future__ import annotations

from pathlib import Path

import xarray as xr

from ebbmap.caution import CAUTION, CONTRAINDICATIONS
from ebbmap.committee.protocol import Protocol
from ebbmap.files.writing import make_folder, save_dataset, write_text
from ebbmap.report.build import template, write_workbook
from ebbmap.tables.committee.difference import difference_sentences, difference_table
from ebbmap.tables.csv import to_csv
from ebbmap.tables.html import to_html


def write_difference(old: Protocol, new: Protocol, found: xr.Dataset, folder: Path) -> list[Path]:
    """Write a comparison of two drafts: page, CSV, workbook, NetCDF.

    Parameters
    ----------
    old, new : Protocol
        The drafts.
    found : Dataset
        As `compare_drafts` gives it.
    folder : Path
        Made if missing.

    Returns
    -------
    list of Path
        The page first.
    """
    make_folder(folder)
    shown = difference_table(found)
    title = f"{old.title} -> {new.title}"
    page = template("joint.html").render(
        title=title,
        answer="two drafts on the same lungs",
        holds=True,
        meta=[text for text in dict.fromkeys((old.institution, new.institution)) if text],
        caution=CAUTION,
        contraindications=", ".join(CONTRAINDICATIONS),
        sentence="Who gains, who loses, and why",
        sentences=difference_sentences(found),
        table=to_html(shown),
        heading="What changed",
        items=found.attrs["changes"].splitlines(),
        links=[],
        facts=[],
        files=[old.text, new.text],
    )
    return [
        write_text(folder / "difference.html", page),
        write_text(folder / "difference.csv", to_csv(shown)),
        *write_workbook(folder, {"difference": shown}, title),
        save_dataset(found, folder / "difference.nc"),
    ]
