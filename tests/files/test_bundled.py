"""Bundled studies are found by name, in a checkout and in an installed package."""

from pathlib import Path

import pytest
from typer.testing import CliRunner

from ebbmap.cli import app
from ebbmap.errors import EbbmapError
from ebbmap.files import bundled
from ebbmap.files.protocol import load_protocol
from ebbmap.files.study import load_study

CHECKOUT = Path(__file__).parents[2]
STUDIES = bundled.bundled_studies()


def call(*words):
    return CliRunner().invoke(app, [str(word) for word in words])


def test_a_checkout_has_its_studies_beside_the_code():
    if not (CHECKOUT / "src").is_dir():
        pytest.skip("needs the checkout, and these tests run away from it")
    assert bundled.bundled_studies() == CHECKOUT / "studies"


def test_an_installed_package_has_them_inside(tmp_path, monkeypatch):
    (tmp_path / "site" / "studies").mkdir(parents=True)
    monkeypatch.setattr(bundled, "_PACKAGE", tmp_path / "site")
    assert bundled.bundled_studies() == tmp_path / "site" / "studies"


@pytest.mark.parametrize("path", sorted(STUDIES.glob("*.toml")), ids=lambda path: path.stem)
def test_every_study_is_found_by_its_name(path):
    assert bundled.named_file(Path(path.stem), bundled.bundled_studies()) == path
    load_study(path)


def test_every_protocol_is_found_by_its_name():
    for path in (STUDIES / "protocols").glob("*.toml"):
        assert bundled.named_file(Path(path.stem), bundled.bundled_protocols()) == path
        load_protocol(path)


def test_a_file_goes_before_a_bundled_one_of_its_name(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "blame").write_text("mine")
    assert bundled.named_file(Path("blame"), STUDIES) == Path("blame")


@pytest.mark.parametrize("path", ["a/blame", "blame.toml", "/blame", "./x/blame"])
def test_a_path_is_never_a_name(path):
    assert bundled.named_file(Path(path), STUDIES) == Path(path)


def test_an_unknown_name_is_told_with_the_nearest():
    with pytest.raises(EbbmapError, match="did you mean 'release_time'"):
        bundled.named_file(Path("release_tme"), STUDIES)
    done = call("check", "harbor_draft")
    assert done.exit_code == 2
    assert "did you mean 'harbour_draft'" in done.stderr


def test_a_bundled_study_runs_by_name(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    done = call("run", "side_by_side")
    assert done.exit_code == 0, done.output
    assert (tmp_path / "out/side_by_side/compare.nc").is_file()


def test_studies_are_listed_and_copied(tmp_path):
    listed = call("studies").stdout
    copied = call("studies", "--copy", tmp_path / "mine")
    assert copied.exit_code == 0
    for path in STUDIES.rglob("*.toml"):
        assert path.stem in listed
        assert (tmp_path / "mine" / path.relative_to(STUDIES)).read_bytes() == path.read_bytes()
    again = call("studies", "--copy", tmp_path / "mine")
    assert again.exit_code == 2
    assert "is there already" in again.stderr
