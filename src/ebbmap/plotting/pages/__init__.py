"""Whole figures: which panels a result gets, its caption, and the caution below.

One file for each kind of analysis; each page function takes a result and yields
(name, Figure, alternative text).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from types import MappingProxyType

import xarray as xr
from matplotlib import rc_context
from matplotlib.figure import Figure

from ebbmap.plotting.pages.adjust import adjust_pages
from ebbmap.plotting.pages.caption import Page
from ebbmap.plotting.pages.collapse import collapse_pages
from ebbmap.plotting.pages.compare import compare_pages
from ebbmap.plotting.pages.course import course_pages
from ebbmap.plotting.pages.inside import hidden_pages
from ebbmap.plotting.pages.map import map_pages
from ebbmap.plotting.pages.mapping import box_pages, mapping_pages
from ebbmap.plotting.pages.profile import profile_pages
from ebbmap.plotting.pages.rules import rules_pages
from ebbmap.plotting.pages.shares import screening_pages, shapley_pages
from ebbmap.plotting.pages.sobol import sobol_pages
from ebbmap.plotting.pages.startup import start_pages
from ebbmap.plotting.pages.trade import trade_pages
from ebbmap.plotting.pages.wean import wean_pages
from ebbmap.plotting.pages.window import window_pages

#: Dots per inch of PNG files.
PRINT_DPI = 130

_PAGES: Mapping[str, Callable[[xr.Dataset], Iterator[Page]]] = MappingProxyType(
    {
        "map": map_pages,
        "sobol": sobol_pages,
        "window": window_pages,
        "profile": profile_pages,
        "mapping": mapping_pages,
        "boxes": box_pages,
        "shapley": shapley_pages,
        "screening": screening_pages,
        "trade": trade_pages,
        "course": course_pages,
        "compare": compare_pages,
        "startup": start_pages,
        "inside": hidden_pages,
        "collapse": collapse_pages,
        "adjust": adjust_pages,
        "wean": wean_pages,
        "rules": rules_pages,
    }
)


def pages_of(kind: str, result: xr.Dataset) -> Iterator[Page]:
    """Draw every page of a result.

    Parameters
    ----------
    kind : str
        Name of the analysis in a study file.
    result : xarray.Dataset
        What it gave.
    """
    yield from _PAGES.get(kind, _no_page)(result)


def _no_page(result: xr.Dataset) -> Iterator[Page]:
    yield from ()


def save_page(figure: Figure, path: Path) -> None:
    """Save a page without date and random names: the same result gives the same bytes."""
    dates = {"svg": {"Date": None}, "pdf": {"CreationDate": None}, "png": {"Software": None}}
    with rc_context({"svg.hashsalt": "ebbmap"}):
        figure.savefig(path, dpi=PRINT_DPI, metadata=dates[path.suffix.lstrip(".")])
