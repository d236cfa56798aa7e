"""The script that compares results before and after a change finds what it should."""

import numpy as np
import pytest
import xarray as xr
from matplotlib.image import imsave

import same_results


def write(
    folder, *, value=1.0, units="s", caption="as before", code="abc", shade=0.0, name="share"
):
    folder.mkdir(parents=True)
    values = xr.Variable("t_low", [0.0, np.nan, value], {"units": units})
    attrs = {"source": f"ebbmap 0.1.0, code {code}", "study_hash": code, "title": "a study"}
    dataset = xr.Dataset({name: values}, {"population": ["normal"]}, attrs)
    dataset.to_netcdf(folder / "map.nc", engine="h5netcdf")
    (folder / "map.txt").write_text(caption)
    (folder / "pieces").mkdir()
    (folder / "pieces" / "plan.json").write_text(code)
    imsave(folder / "map.png", np.full((2, 2), shade), vmin=0, vmax=1)


@pytest.fixture
def old(tmp_path):
    write(tmp_path / "old" / "study")
    return tmp_path / "old"


def compared(old, tmp_path, capsys, **changes):
    write(tmp_path / "new" / "study", **changes)
    status = same_results.main(old, tmp_path / "new")
    return status, capsys.readouterr().out


def test_another_code_and_ledger_are_no_difference(old, tmp_path, capsys):
    status, text = compared(old, tmp_path, capsys, code="def")
    assert (status, "3 files compared, 0 difference(s)" in text) == (0, True)


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"value": np.nextafter(1.0, 2.0)}, "share: 1 of 3 values differ, at most by 2.22e-16"),
        ({"units": "min"}, "share: attribute 'units': 1 of 1 lines differ"),
        ({"caption": "as after"}, "map.txt: 1 of 1 lines differ"),
        ({"shade": 1.0}, "map.png: 4 pixels differ"),
        ({"name": "safe_share"}, "variable 'share' is gone"),
    ],
)
def test_every_kind_of_difference_is_found(changes, told, old, tmp_path, capsys):
    status, text = compared(old, tmp_path, capsys, **changes)
    assert status == 1
    assert told in text


def test_the_sign_of_zero_is_a_difference(tmp_path, capsys):
    write(tmp_path / "old" / "study", value=0.0)
    status, text = compared(tmp_path / "old", tmp_path, capsys, value=-0.0)
    assert status == 1
    assert "another type or sign" in text


def test_a_missing_file_is_a_difference(old, tmp_path, capsys):
    write(old / "again")
    assert compared(old, tmp_path, capsys)[0] == 1


def test_names_that_changed_are_followed(old, tmp_path, capsys, monkeypatch):
    monkeypatch.setattr(same_results, "NAMES", {"share": "safe_share"})
    status, text = compared(old, tmp_path, capsys, name="safe_share")
    assert status == 0
    assert "| share | safe_share | name in files |" in text


def test_nothing_to_compare_is_refused(tmp_path):
    (tmp_path / "old").mkdir()
    with pytest.raises(SystemExit, match="holds no results"):
        same_results.main(tmp_path / "old", tmp_path)
