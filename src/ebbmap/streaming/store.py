"""The Zarr store of a streamed sweep. Every chunk of it is written by one task.

Format 2, because its names of lungs and its one-file index are read without a warning.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterable, Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

import numcodecs
import numpy as np
import xarray as xr
import zarr

from ebbmap.streaming.layout import Layout


def codec(compression: str, itemsize: int) -> Any:
    """Return the compressor of a name, None for none.

    `fast` shuffles bits and compresses lightly; `small` compresses more, with a checksum.
    """
    if compression == "fast":
        return numcodecs.Blosc("lz4", clevel=1, shuffle=numcodecs.Blosc.SHUFFLE, typesize=itemsize)
    return numcodecs.Zstd(level=5, checksum=True) if compression == "small" else None


def create(
    path: Path,
    coords: xr.Dataset,
    layout: Layout,
    columns: Mapping[str, tuple[np.dtype, Mapping[str, Any]]],
    compression: str,
) -> None:
    """Make an empty store, whole or not at all.

    Parameters
    ----------
    path : Path
        Where.
    coords : Dataset
        Coordinates and attributes.
    layout : Layout
        Dimensions and chunks of every column.
    columns : mapping of str to (dtype, attributes)
        What is kept of every case.
    compression : str
        As `codec` names it.
    """
    part = path.with_name(f".{path.name}.part")
    shutil.rmtree(part, ignore_errors=True)
    coords.to_zarr(part, zarr_format=2, consolidated=False)
    group = zarr.open_group(part, mode="r+", zarr_format=2)
    for name, (kind, attrs) in columns.items():
        group.create_array(
            name, shape=layout.shape, chunks=layout.chunk, dtype=kind,
            compressors=codec(compression, kind.itemsize),
            fill_value=np.nan if kind.kind == "f" else None,
            attributes={**attrs, "_ARRAY_DIMENSIONS": list(layout.dims)},
            chunk_key_encoding={"name": "v2", "separator": "/"},
            # a chunk of nothing but NaN is written too, so that a missing one is a loss
            config={"write_empty_chunks": True},
        )  # fmt: skip
    zarr.consolidate_metadata(part, zarr_format=2)
    os.replace(part, path)


def write(path: Path, box: tuple[slice, ...], filled: Mapping[str, np.ndarray]) -> None:
    """Write the columns of one block."""
    group = _open(str(path))
    for name, values in filled.items():
        group[name][box] = values


def sizes(path: Path, names: Iterable[str], place: tuple[int, ...]) -> np.ndarray:
    """Bytes of each column's chunk at a place of the layout; -1 where it is missing."""
    inner = os.path.join(*map(str, place))
    found = []
    for name in names:
        try:
            found.append(os.stat(os.path.join(path, name, inner)).st_size)
        except OSError:
            found.append(-1)
    return np.array(found)


def sweep_up(path: Path) -> None:
    """Remove what a killed writer left half written."""
    for one in path.rglob("*.partial"):
        one.unlink(missing_ok=True)


class _Arrays(dict):
    """Arrays of a store, each opened once, however often it is written to."""

    def __init__(self, path: str):
        self._group: Any = zarr.open_group(path, mode="r+", zarr_format=2)

    def __missing__(self, name: str) -> zarr.Array:
        array = self._group[name].with_config({"write_empty_chunks": True})
        return self.setdefault(name, array)


@lru_cache(maxsize=1)
def _open(path: str) -> _Arrays:
    return _Arrays(path)
