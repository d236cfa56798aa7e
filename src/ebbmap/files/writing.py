"""Files: results and pictures appear whole or not at all."""

from __future__ import annotations

import errno
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager, nullcontext, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

import psutil

from ebbmap.errors import EbbmapError

if TYPE_CHECKING:
    import xarray as xr

#: What happens to a file on its way into place, in this order.
STEPS = ("before write", "after write", "before rename", "after rename")

#: The seam of the tests of faults: called with each of `STEPS` and the file's own path.
on_step: Callable[[str, Path], None] | None = None


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
        _clear_parts(folder)
    except OSError as error:
        raise EbbmapError(
            f"the output folder {str(folder)!r} must be a folder that can be written: "
            f"{error.strerror}. Name another one with --out."
        ) from None


def _clear_parts(folder: Path) -> None:
    """Remove private files whose process was killed before it could rename or remove them."""
    for part in folder.glob(".*.part*"):
        writer = part.name.partition(".part")[0].rpartition(".")[2]
        if writer.isdigit() and not psutil.pid_exists(int(writer)):
            part.unlink(missing_ok=True)


def put_in_place(
    writers: Mapping[Path, Callable[[Path], object]],
    *,
    parts: Path | None = None,
    turn: Callable[[], AbstractContextManager[object]] = nullcontext,
) -> None:
    """Write files under private names, then rename them all: nobody ever sees half a file.

    Parameters
    ----------
    writers : mapping of Path to callable
        ``writer(private_path)`` by the file's place; written, and renamed, in this order.
    parts : Path, optional
        Folder of the private names, on the same file system; beside each file if not given.
    turn : callable
        Gives the context in which the files are renamed, all of them or none.

    Raises
    ------
    OSError
        If a file cannot be written whole; what has no name yet is removed.
    """
    private: dict[Path, Path] = {}
    # processes on several machines may share the folder, and have the same number
    token = os.urandom(8).hex()
    try:
        for path, write in writers.items():
            _step("before write", path)
            if parts is None:
                private[path] = path.with_name(f".{path.stem}.{os.getpid()}.part{path.suffix}")
            else:
                private[path] = parts / f"{token}.{len(private)}"
            write(private[path])
            _step("after write", path)
        with turn():
            for path, part in private.items():
                _step("before rename", path)
                os.replace(part, path)
                _step("after rename", path)
    except BaseException:
        for part in private.values():
            with suppress(OSError):
                part.unlink(missing_ok=True)
        raise


def write_all(path: Path, content: bytes | memoryview) -> None:
    """Write every byte to a new file.

    A write may take fewer bytes than it was given (a quota, a limit on the size of files, a disk
    that is nearly full); the rest is tried again until it is written or refused.

    Raises
    ------
    OSError
        If the file does not hold all of it afterwards.
    """
    left = memoryview(content).cast("B")
    size = left.nbytes
    with open(path, "wb", buffering=0) as out:
        # room claimed at once: measured a fifth faster than page by page, where it can be done
        with suppress(AttributeError, OSError):
            os.posix_fallocate(out.fileno(), 0, size)
        while left.nbytes:
            written = out.write(left)
            if not written:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            left = left[written:]
        if os.fstat(out.fileno()).st_size != size:
            raise OSError(errno.EIO, "a file is not as long as what was written to it")


def write_whole(path: Path, write: Callable[[Path], object]) -> Path:
    """Write a file with `write(private_path)`, and put it in place.

    Raises
    ------
    EbbmapError
        If the file cannot be written.
    """
    with _refusal_named(path):
        put_in_place({path: write})
    return path


def write_text(path: Path, text: str) -> Path:
    """Write a text file whole.

    Raises
    ------
    EbbmapError
        If the file cannot be written.
    """
    return write_whole(path, lambda part: write_all(part, text.encode("utf-8")))


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
    return write_whole(path, lambda part: write_all(part, _netcdf(dataset, encoding)))


def _netcdf(dataset: xr.Dataset, encoding: Mapping[Any, Any]) -> bytes:
    """Return the bytes of a NetCDF file.

    It is made in memory: HDF5 ends the whole process when a disk refuses its last bytes.
    """
    import h5netcdf
    import h5py
    from xarray.backends import H5NetCDFStore

    # the order of creation is tracked because NetCDF wants it so
    with h5py.File("memory", "w", driver="core", backing_store=False, track_order=True) as held:
        with h5netcdf.File(held, "w") as file:
            dataset.dump_to_store(H5NetCDFStore(file), encoding=encoding)
        held.flush()
        # the second lets go of room at the end that the first one claimed, as closing does
        held.flush()
        return bytes(held.id.get_file_image())


@contextmanager
def _refusal_named(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        reason = error.strerror or str(error)
        raise EbbmapError(f"{path.name} could not be written: {reason}.") from None


def _step(name: str, path: Path) -> None:
    if on_step is not None:
        on_step(name, path)


def remove(path: Path) -> None:
    """Remove a file, or a folder that stands where a file should."""
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path, ignore_errors=True)
    else:
        path.unlink(missing_ok=True)
