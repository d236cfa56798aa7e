"""Entries of a ledger: one file each, sealed with a checksum, never by pickle.

A seal covers every byte of the entry, its own name and what was asked, so that a damaged entry, or
one of another piece or another study, is never taken for the one that it stands in for.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr
import xxhash

#: First bytes of an entry, and bytes read at a time while a file is compared.
MAGIC = b"ebbmap piece 1\n"
READ_AT_ONCE = 2**18

#: Size in bytes, and checksum.
Fingerprint = tuple[int, str]


@dataclass(frozen=True)
class Entry:
    """What is kept of a finished piece.

    Parameters
    ----------
    name : str
        Of the piece.
    plan : str
        Hash of what was asked.
    run : str
        The run that finished it.
    seconds : float
        Work in it.
    cases : int
        Cases behind it.
    files : dict of str to (int, str)
        Files that belong to it, by place in the output folder: size in bytes, and checksum.
    labels : dict
        What is said of the arrays, as JSON knows it.
    arrays : dict of str to ndarray
        Its numbers and words.
    """

    name: str
    plan: str
    run: str
    seconds: float
    cases: int
    files: dict[str, Fingerprint]
    labels: dict[str, Any]
    arrays: dict[str, np.ndarray]

    def differing(self, folder: Path, *, content: bool = True) -> list[str]:
        """Return its files that are not what was entered.

        Parameters
        ----------
        folder : Path
            Output folder of the run.
        content : bool
            Compare every byte, not only sizes.
        """
        found = []
        for place, meant in self.files.items():
            path = folder / place
            try:
                same = fingerprint(path) == meant if content else path.stat().st_size == meant[0]
            except OSError:
                same = False
            if not same:
                found.append(place)
        return found


def checksum(content: bytes | memoryview) -> str:
    """Return the checksum of bytes: XXH3 with 128 bits, which is no slower than memory."""
    return xxhash.xxh3_128_hexdigest(content)


def fingerprint(path: Path) -> Fingerprint:
    """Return the size and the checksum of a file.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    digest, size, held = xxhash.xxh3_128(), 0, memoryview(bytearray(READ_AT_ONCE))
    with open(path, "rb", buffering=0) as file:
        while got := file.readinto(held):
            digest.update(held[:got])
            size += got
    return size, digest.hexdigest()


def seal(entry: Entry) -> bytes:
    """Return an entry as the bytes of its file: seal, one line of JSON, numbers.

    Raises
    ------
    TypeError
        If an array holds objects.
    """
    arrays = {name: np.ascontiguousarray(array) for name, array in entry.arrays.items()}
    if any(array.dtype.hasobject for array in arrays.values()):
        raise TypeError("an entry keeps numbers and words of fixed width, not objects")
    words = {
        **{key: value for key, value in vars(entry).items() if key != "arrays"},
        # zero-dimensional arrays become one-dimensional by ascontiguousarray
        "arrays": {n: [a.dtype.str, list(entry.arrays[n].shape)] for n, a in arrays.items()},
    }
    body = b"".join(
        [json.dumps(words).encode(), b"\n", *(array.tobytes() for array in arrays.values())]
    )
    return b"".join([MAGIC, checksum(body).encode(), b"\n", body])


def unseal(content: bytes) -> Entry:
    """Read an entry from the bytes of its file.

    Raises
    ------
    ValueError
        If it is not, byte for byte, what was sealed.
    """
    given, _, body = content.removeprefix(MAGIC).partition(b"\n")
    if not content.startswith(MAGIC) or checksum(body).encode() != given:
        raise ValueError("not what was sealed")
    words, _, numbers = body.partition(b"\n")
    header = json.loads(words)
    arrays, start = {}, 0
    for name, (kind, shape) in header.pop("arrays").items():
        array = np.zeros(shape, kind)
        if array.nbytes:
            array[...] = np.ndarray(shape, kind, numbers, start)
        arrays[name] = array
        start += array.nbytes
    files = {path: (size, digest) for path, (size, digest) in header.pop("files").items()}
    return Entry(**header, files=files, arrays=arrays)


def pack_dataset(dataset: xr.Dataset) -> tuple[dict[str, Any], dict[str, np.ndarray]]:
    """Return the labels and the arrays of a Dataset; NetCDF takes 50 times longer for small ones.

    Words are kept at a fixed width.
    """
    variables = {
        str(name): [list(array.dims), _plain(array.attrs), name in dataset.coords]
        for name, array in dataset.variables.items()
    }
    arrays = {
        str(name): array.values.astype(str) if array.dtype == object else array.values
        for name, array in dataset.variables.items()
    }
    return {"variables": variables, "attrs": _plain(dataset.attrs)}, arrays


def unpack_dataset(entry: Entry) -> xr.Dataset:
    """Return the Dataset that an entry keeps."""
    labels = entry.labels
    variables = {
        name: xr.Variable(dims, entry.arrays[name], _arrays_in(attrs))
        for name, (dims, attrs, _) in labels["variables"].items()
    }
    coords = {name for name, (*_, coord) in labels["variables"].items() if coord}
    return xr.Dataset(
        {name: array for name, array in variables.items() if name not in coords},
        {name: array for name, array in variables.items() if name in coords},
        _arrays_in(labels["attrs"]),
    )


def _plain(attrs: Mapping[Any, Any]) -> dict[str, Any]:
    """Turn attributes into what JSON knows; arrays keep their type."""
    return {
        str(key): {"type": str(value.dtype), "values": value.tolist()}
        if isinstance(value, np.ndarray)
        else value.item()
        if isinstance(value, np.generic)
        else value
        for key, value in attrs.items()
    }


def _arrays_in(attrs: Mapping[str, Any]) -> dict[str, Any]:
    return {
        key: np.array(value["values"], value["type"]) if isinstance(value, dict) else value
        for key, value in attrs.items()
    }
