"""A fit as files: the result, its page, and the same in words."""

from __future__ import annotations

from pathlib import Path

import xarray as xr

from ebbmap.files.writing import make_folder, save_dataset
from ebbmap.plotting.pages.fit import pages
from ebbmap.report.pages import save_pages
from ebbmap.tables.fit import fit_sentences


def save_fit(fit: xr.Dataset, folder: Path) -> list[Path]:
    """Write a fit (NetCDF), its page (PNG) and what stands under it (text).

    Parameters
    ----------
    fit : Dataset
        From `find_fit`.
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
    drawn = pages(fit, " ".join(fit_sentences(fit)))
    return [save_dataset(fit, folder / "fit.nc"), *save_pages(drawn, folder)]
