import io
import os
import resource

import numpy as np
import pytest
import xarray as xr

import kept_runs
from ebbmap.errors import EbbmapError
from ebbmap.files import writing as files
from ebbmap.files.writing import make_folder, save_dataset, write_text, write_whole


def test_a_folder_is_made_with_its_parents(tmp_path):
    make_folder(tmp_path / "a" / "b")
    assert list((tmp_path / "a" / "b").iterdir()) == []


def test_a_file_is_no_folder(tmp_path):
    write_text(tmp_path / "taken", "x")
    with pytest.raises(EbbmapError, match=r"must be a folder that can be written.*--out"):
        make_folder(tmp_path / "taken")


def test_a_text_is_written_whole(tmp_path):
    path = write_text(tmp_path / "a.txt", "cmH₂O\n")
    assert path.read_text(encoding="utf-8") == "cmH₂O\n"
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize("failure", [OSError(28, "No space left"), RuntimeError("bug")])
def test_a_failed_write_leaves_the_old_file_and_no_part(tmp_path, failure):
    path = write_text(tmp_path / "a.txt", "old")

    def write(at):
        at.write_text("half")
        raise failure

    expected = EbbmapError if isinstance(failure, OSError) else RuntimeError
    with pytest.raises(expected, match=r"a\.txt could not be written: No space left|bug"):
        write_whole(path, write)
    assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]


def test_a_dataset_comes_back_with_values_names_and_attributes(tmp_path):
    dataset = xr.Dataset(
        {
            "margin": ("sample", np.array([0.1, np.nan]), {"units": "1"}),
            "verdict": ("sample", np.array([0, 3], np.int8)),
            "closer": ("sample", np.array(["flow_ratio_low", "none"])),
        },
        attrs={"title": "t", "seed": 0},
    )
    path = save_dataset(dataset, tmp_path / "one.nc")
    with xr.open_dataset(path) as found:
        xr.testing.assert_equal(found.load(), dataset)
        assert found.attrs == dataset.attrs
        assert found["margin"].attrs["units"] == "1"


def test_a_dataset_that_cannot_be_written_is_told(tmp_path):
    with pytest.raises(EbbmapError, match=r"one\.nc could not be written"):
        save_dataset(xr.Dataset(), tmp_path / "missing" / "one.nc")


@pytest.mark.parametrize("columns", [1, 5, 20, 40])
def test_a_dataset_has_the_bytes_that_its_library_would_write(columns, tmp_path):
    rng, size = np.random.default_rng(columns), 60 * columns
    numbers = {
        f"c{n}": (("x", "y"), rng.random((size, 3)), {"units": "1", "long_name": f"number {n}"})
        for n in range(columns)
    }
    dataset = xr.Dataset(
        {**numbers, "words": ("y", ["b", "cd", ""]), "flag": ("x", np.zeros(size, np.int8))},
        {"x": np.arange(size, dtype=float), "whole": 3.0},
        {"title": "t" * 50 * columns},
    )
    path = save_dataset(dataset, tmp_path / "ours.nc")
    encoding = {name: {"zlib": True, "complevel": 4} for name in (*numbers, "flag")}
    dataset.to_netcdf(tmp_path / "theirs.nc", engine="h5netcdf", encoding=encoding)
    assert path.read_bytes() == (tmp_path / "theirs.nc").read_bytes()


def test_every_byte_is_written_even_if_each_write_takes_few(tmp_path, monkeypatch):
    class Sparing(io.FileIO):
        def write(self, content):
            return super().write(content[:7])

    monkeypatch.setattr(files, "open", lambda path, *_, **__: Sparing(path, "w"), raising=False)
    files.write_all(tmp_path / "a", bytes(range(100)))
    monkeypatch.undo()
    assert (tmp_path / "a").read_bytes() == bytes(range(100))


def test_a_write_that_takes_nothing_is_refused(tmp_path, monkeypatch):
    class Full(io.FileIO):
        def write(self, content):
            return 0

    monkeypatch.setattr(files, "open", lambda path, *_, **__: Full(path, "w"), raising=False)
    with pytest.raises(EbbmapError, match=r"a\.txt could not be written: No space left on device"):
        write_text(tmp_path / "a.txt", "words")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("room", [100, 20_000, 40_000])
def test_a_disk_that_refuses_the_last_bytes_of_a_dataset_is_told(room, tmp_path):
    """HDF5 itself would end the process with a segmentation fault."""
    values = np.random.default_rng(0).random(5000)

    def save():
        resource.setrlimit(resource.RLIMIT_FSIZE, (room, room))
        with pytest.raises(EbbmapError, match=r"one\.nc could not be written: File too large"):
            save_dataset(xr.Dataset({"a": ("x", values)}), tmp_path / "one.nc")
        assert not (tmp_path / "one.nc").exists()

    with kept_runs.forks(tmp_path) as fork:
        process = fork(save)
        assert process.wait() == 0, process.said


def test_what_a_killed_process_left_half_written_is_cleared_away(tmp_path):
    ended = os.fork()
    if ended == 0:
        os._exit(0)
    os.waitpid(ended, 0)
    (tmp_path / f".a.{ended}.part.txt").write_text("half")
    (tmp_path / f".b.{os.getpid()}.part.txt").write_text("of a process at work")
    make_folder(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == [f".b.{os.getpid()}.part.txt"]
