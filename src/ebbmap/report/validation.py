"""The page of validation as files: picture, words and table."""

from __future__ import annotations

from pathlib import Path

import xarray as xr

from ebbmap.files.writing import make_folder, write_text
from ebbmap.plotting.pages.validation import pages
from ebbmap.report.pages import save_pages
from ebbmap.tables.csv import to_csv
from ebbmap.tables.validation import full_table


def write_validation(result: xr.Dataset, folder: Path) -> list[Path]:
    """Write the picture of a validation, the same in words, and its table.

    Parameters
    ----------
    result : xarray.Dataset
        Of `find_validation`.
    folder : Path
        Where to write; made if missing.

    Returns
    -------
    list of Path
        What was written.

    Raises
    ------
    EbbmapError
        If the folder cannot be made or a file cannot be written.
    """
    make_folder(folder)
    written = save_pages(pages(result), folder)
    table = full_table(result)
    return [*written, write_text(folder / f"{table.name}.csv", to_csv(table))]
