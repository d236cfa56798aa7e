"""The tables of any result, found by the name of its analysis."""

from __future__ import annotations

from collections.abc import Iterator

import xarray as xr

from ebbmap.analyses.registry import ANALYSES
from ebbmap.tables.held import held_text
from ebbmap.tables.model import Table, note


def tables_of(kind: str, result: xr.Dataset) -> Iterator[Table]:
    """Yield the tables of a result; none where its analysis has none.

    Parameters
    ----------
    kind : str
        Name of the analysis in a study file.
    result : xarray.Dataset
        What the analysis gave.
    """
    return ANALYSES[kind].tables(result)


def summary(kind: str, result: xr.Dataset) -> Iterator[Table]:
    """Yield the tables of a result, then what it held to find them."""
    yield from tables_of(kind, result)
    if text := held_text(result):
        yield note(text)
