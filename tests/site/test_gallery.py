"""The gallery: fifteen pictures of bundled studies, each with its finding and two sentences."""

import re
import shlex
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from ebbmap.analyses.registry import ANALYSES
from ebbmap.cli import app
from ebbmap.files.bundled import bundled_studies, named_file
from ebbmap.site.gallery import GALLERY, gallery_page, result_of


def test_there_are_fifteen_different_pictures():
    assert len(GALLERY) == 15
    assert len({picture.name for picture in GALLERY}) == 15
    assert len({picture.headline for picture in GALLERY}) == 15


@pytest.mark.parametrize("picture", GALLERY, ids=lambda picture: picture.name)
def test_every_picture_has_a_study_two_sentences_and_plain_words(picture):
    assert (bundled_studies() / f"{picture.study}.toml").is_file()
    assert picture.kind in ANALYSES
    assert result_of(picture)
    assert len(picture.sentences) == 2
    for text in picture.sentences:
        assert len(re.split(r"(?<=[.?!]) (?=[A-Z])", text)) == 1
        assert text.endswith(".") and "_" not in text
    assert not picture.headline.endswith(".")


def test_obstruction_is_not_taught_as_safe():
    said = {p.study: " ".join(p.sentences) for p in GALLERY}
    assert "unsuitable in severe obstruction" in said["obstruction"]
    assert "does not make this mode safe in obstruction" in said["weaning"]


def test_the_page_has_a_command_and_python_for_each():
    text = gallery_page()
    for picture in GALLERY:
        assert f"ebbmap run {picture.study} --out out/{picture.study}" in text
        assert f'plot("{picture.kind}", results["{result_of(picture)}"])' in text


#: Blocks of the gallery's text, as a reader copies them: commands, and Python.
BLOCKS = re.findall(r"^```text\n(.*?)^```$", gallery_page(), re.MULTILINE | re.DOTALL)
COMMANDS = list(dict.fromkeys(block.strip() for block in BLOCKS if block.startswith("ebbmap ")))
PYTHON = [block for block in BLOCKS if block.startswith("import ebbmap\n")]


#: Keys of studies that cost, and what they are here.
CHEAP = {"count": 4, "lungs": 2, "resolution": 0.4, "own_breathing": [2.0]}


def smaller(text):
    """A study with few lungs and places, without Sobol indices and pictures."""
    sections = re.split(r"^(?=\[)", text, flags=re.MULTILINE)
    dear = re.compile(r"\[(?:outputs|analyses\.sobol)\]")
    text = "".join(part for part in sections if not dear.match(part))
    for key, value in CHEAP.items():
        text = re.sub(rf"\b{key} = (?:\[.*\]|[\d.]+)", f"{key} = {value}", text)
    return f"{text}\n[outputs]\nfigures = []\n"


def test_every_block_of_the_gallery_is_a_command_or_python():
    assert len(COMMANDS) == len({picture.study for picture in GALLERY})
    assert len(PYTHON) == len(GALLERY)
    assert len(BLOCKS) == 2 * len(GALLERY)


@pytest.fixture
def lay_smaller(tmp_path, monkeypatch):
    """Lays a smaller study here, under the name that a command has for the bundled one."""
    monkeypatch.chdir(tmp_path)

    def lay(study):
        bundled = named_file(Path(study), bundled_studies())
        assert bundled.parent == bundled_studies()
        Path(study).write_text(smaller(bundled.read_text(encoding="utf-8")), encoding="utf-8")

    return lay


def run(*words):
    done = CliRunner().invoke(app, [*words, "--workers", "1"])
    assert done.exit_code == 0, done.output


@pytest.mark.slow
@pytest.mark.parametrize("command", COMMANDS)
def test_what_the_gallery_says_runs_and_draws(command, lay_smaller):
    words = shlex.split(command)[1:]
    study = words[1]
    lay_smaller(study)
    run(*words)
    blocks = [block for block in PYTHON if f'"out/{study}"' in block]
    assert len(blocks) == sum(picture.study == study for picture in GALLERY)
    for block in blocks:
        names = {}
        exec(block.replace("\nplot(", "\ndrawn = plot("), names)
        panels = np.ravel(np.atleast_1d(names["drawn"]))
        assert any(panel.has_data() for panel in panels)
