import numpy as np
import pytest
import xarray as xr

from ebbmap.errors import EbbmapError
from ebbmap.files import make_folder, save_dataset, write_text, write_whole


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
