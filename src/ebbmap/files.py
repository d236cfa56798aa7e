"""Files: results and pictures appear whole or not at all."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable
from pathlib import Path

import xarray as xr

from ebbmap.errors import EbbmapError


def make_folder(folder: Path) -> None:
    """Make an output folder and see that it can be written, before any work starts.

    Raises
    ------
    EbbmapError
        With the reason.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError as error:
        raise EbbmapError(
            f"the output folder {str(folder)!r} must be a folder that can be written: "
            f"{error.strerror}. Name another one with --out."
        ) from None


def write_whole(path: Path, write: Callable[[Path], object]) -> Path:
    """Write to a temporary name beside `path`, then rename: nobody ever sees half a file.

    Raises
    ------
    EbbmapError
        If the file cannot be written.
    """
    temporary = path.with_name(f".{path.stem}.part{path.suffix}")
    try:
        write(temporary)
        os.replace(temporary, path)
    except OSError as error:
        raise EbbmapError(f"{path.name} could not be written: {error.strerror}.") from None
    finally:
        temporary.unlink(missing_ok=True)
    return path


def write_text(path: Path, text: str) -> Path:
    """Write a text file whole.

    Raises
    ------
    EbbmapError
        If the file cannot be written.
    """
    return write_whole(path, lambda at: at.write_text(text, encoding="utf-8"))


def save_dataset(dataset: xr.Dataset, path: Path) -> Path:
    """Save a result as one NetCDF file.

    Raises
    ------
    EbbmapError
        If the file cannot be written.
    """
    encoding = {
        name: {"zlib": True, "complevel": 4}
        for name, array in dataset.data_vars.items()
        if array.size > 1 and array.dtype.kind in "fiu"
    }
    return write_whole(path, lambda at: dataset.to_netcdf(at, engine="h5netcdf", encoding=encoding))
