"""Whole figures: which panels a result gets, its caption, and the caution below.

One module for each analysis, named by its study key; its function ``pages`` takes a result and
yields (name, Figure, alternative text).
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import xarray as xr
from matplotlib import rc_context
from matplotlib.figure import Figure

from ebbmap.analyses.registry import ANALYSES
from ebbmap.plotting.languages import ENGLISH
from ebbmap.plotting.pages.caption import Page
from ebbmap.plotting.sentences import own_names
from ebbmap.plotting.speaking import paragraph, speaking

#: Dots per inch of PNG files.
PRINT_DPI = 130


def pages_of(kind: str, result: xr.Dataset, language: str = ENGLISH) -> Iterator[Page]:
    """Draw every page of a result.

    Parameters
    ----------
    kind : str
        Name of the analysis in a study file.
    result : xarray.Dataset
        What it gave.
    language : str
        Code of a catalogue.
    """
    drawn = iter(ANALYSES[kind].pages(result))
    names = own_names(result)
    while True:
        with speaking(language, names):
            page = next(drawn, None)
            if page is None:
                return
            name, figure, text = page
            text = paragraph(text)
        yield name, figure, text


def save_page(figure: Figure, path: Path) -> None:
    """Save a page without date and random names: the same result gives the same bytes.

    Text stays text in SVG and in PDF (Type 42 fonts), so that it can be edited.
    """
    dates = {"svg": {"Date": None}, "pdf": {"CreationDate": None}, "png": {"Software": None}}
    with rc_context({"svg.hashsalt": "ebbmap", "svg.fonttype": "none", "pdf.fonttype": 42}):
        figure.savefig(path, dpi=PRINT_DPI, metadata=dates[path.suffix.lstrip(".")])
