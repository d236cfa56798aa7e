"""The Zarr store of a streamed sweep. Every chunk of it is written by one task, whole.

Format 2, because its names of lungs and its one-file index are read without a warning.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numcodecs
import numpy as np
import xarray as xr
import zarr

from ebbmap.runs.layout import Layout

#: Bytes that Blosc shuffles at a time: measured a fifth faster than its own choice, and the result
#: a tenth smaller.
BLOSC_BLOCK = 2**19

# every process keeps to its own processor
numcodecs.blosc.use_threads = False


def codec(compression: str, itemsize: int) -> Any:
    """Return the compressor of a name, None for none.

    `fast` shuffles bits and compresses lightly; `small` compresses more, with a checksum.
    """
    if compression == "fast":
        return numcodecs.Blosc(
            "lz4",
            clevel=1,
            shuffle=numcodecs.Blosc.SHUFFLE,
            blocksize=BLOSC_BLOCK,
            typesize=itemsize,
        )
    return numcodecs.Zstd(level=5, checksum=True) if compression == "small" else None


def create(
    path: Path,
    coords: xr.Dataset,
    layout: Layout,
    columns: Mapping[str, tuple[np.dtype, Mapping[str, Any]]],
    compression: str,
) -> None:
    """Make an empty store.

    Parameters
    ----------
    path : Path
        Folder of the store.
    coords : Dataset
        Coordinates and attributes.
    layout : Layout
        Dimensions and chunks of every column.
    columns : mapping of str to (dtype, attributes)
        What is kept of every case.
    compression : str
        As `codec` names it.
    """
    coords.to_zarr(path, zarr_format=2, consolidated=False)
    group = zarr.open_group(path, mode="r+", zarr_format=2)
    for name, (kind, attrs) in columns.items():
        group.create_array(
            name,
            shape=layout.shape,
            chunks=layout.chunk,
            dtype=kind,
            compressors=codec(compression, kind.itemsize),
            fill_value=np.nan if kind.kind == "f" else None,
            attributes={**attrs, "_ARRAY_DIMENSIONS": list(layout.dims)},
            # one folder for a column: a folder for each chunk takes longer than the chunk
            chunk_key_encoding={"name": "v2", "separator": "."},
            # a chunk of nothing but NaN is written too, so that a missing one is a loss
            config={"write_empty_chunks": True},
        )
    zarr.consolidate_metadata(path, zarr_format=2)


def unpacked(
    content: bytes, kind: np.dtype, shape: tuple[int, ...], layout: Layout, compression: str
) -> np.ndarray:
    """Return the values of a block from the bytes of a chunk; see `packed`.

    Parameters
    ----------
    content : bytes
        Of the chunk.
    kind : dtype
        Of its values.
    shape : tuple of int
        Of the block: as large as a chunk, or smaller at an edge.
    layout, compression
        As `packed` has them.
    """
    pack = codec(compression, kind.itemsize)
    flat = np.frombuffer(content if pack is None else pack.decode(content), kind)
    return flat.reshape(layout.chunk)[tuple(slice(n) for n in shape)]


def packed(values: np.ndarray, layout: Layout, compression: str) -> memoryview:
    """Return the bytes of the one chunk that a column of a block is.

    Parameters
    ----------
    values : ndarray
        Values of the block, as large as a chunk or smaller at an edge.
    layout : Layout
        Dimensions and chunks.
    compression : str
        As `codec` names it.

    Notes
    -----
    A chunk of Zarr's format 2 is its values in C order, compressed, in a file named by its place.
    Handing over whole chunks saves what Zarr spends on finding out that they are whole.
    """
    if values.shape != layout.chunk:
        # a chunk at an edge is as large as any other; nobody reads what lies beyond
        full = np.zeros(layout.chunk, values.dtype)
        full[tuple(slice(n) for n in values.shape)] = values
        values = full
    flat = np.ascontiguousarray(values)
    pack = codec(compression, values.dtype.itemsize)
    return memoryview(flat.data if pack is None else pack.encode(flat)).cast("B")
