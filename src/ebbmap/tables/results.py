"""The tables of any result, found by the name of its analysis."""

from __future__ import annotations

from collections.abc import Iterator
from importlib import import_module
from importlib.util import find_spec

import xarray as xr

from ebbmap.tables.held import held_text
from ebbmap.tables.model import Table, note


def tables_of(kind: str, result: xr.Dataset) -> Iterator[Table]:
    """Yield the tables of a result; none where its analysis has none.

    Parameters
    ----------
    kind : str
        Name of the analysis in a study file: its tables come from ``ebbmap.tables.KIND``.
    result : xarray.Dataset
        What the analysis gave.
    """
    module = f"ebbmap.tables.{kind}"
    if find_spec(module) is not None:
        yield from getattr(import_module(module), "tables", _none)(result)


def _none(result: xr.Dataset) -> Iterator[Table]:
    """Yield nothing, for a module of this name that is of no analysis."""
    return iter(())


def summary(kind: str, result: xr.Dataset) -> Iterator[Table]:
    """Yield the tables of a result, then what it held to find them."""
    yield from tables_of(kind, result)
    if text := held_text(result):
        yield note(text)
