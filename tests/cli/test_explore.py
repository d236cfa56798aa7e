"""The command `explore`: own lungs from a study or its results, and what it refuses."""

import json

import pytest
from typer.testing import CliRunner

import ebbmap
import ebbmap.exploring
from ebbmap.caution import CAUTION
from ebbmap.cli import app

STUDY = """
title = "own lungs"
lung = "linear"
lungs = 6
seed = 3
populations = ["stiff"]
[population.stiff]
base = "restrictive"
long_name = "stiff lungs"
[fixed]
fio2 = 0.7
[axes]
t_low = { start = 0.2, stop = 0.9, count = 3 }
p_high = { start = 16.0, stop = 28.0, count = 3 }
[limits]
sets = ["harm"]
rules = []
[[analyses.map]]
x = "t_low"
y = "p_high"
"""


def call(*words):
    return CliRunner().invoke(app, [str(word) for word in words])


def data_of(path):
    return json.loads(path.read_text(encoding="utf-8").split('id="data">')[1].split("</script>")[0])


@pytest.fixture
def study(tmp_path):
    path = tmp_path / "own.toml"
    path.write_text(STUDY, encoding="utf-8")
    return path


def test_a_page_of_own_lungs(study, tmp_path):
    done = call("explore", study, "--out", tmp_path / "map.html", "--cells", 8)
    assert done.exit_code == 0, done.output
    assert done.stdout.startswith(CAUTION)
    data = data_of(tmp_path / "map.html")
    assert [group["label"] for group in data["groups"].values()] == ["stiff lungs"]
    assert (data["count"], data["seed"], data["cells"]) == (6, 3, 8)
    assert data["opening"]["fio2"] == 0.7
    assert data["axes"][1] == {"name": "p_high", "from": 16.0, "to": 28.0}


def test_results_lead_to_the_lungs_of_their_study(study, tmp_path):
    ebbmap.run(STUDY, out=tmp_path / "results")
    done = call("explore", tmp_path / "results", "--out", tmp_path / "map.html", "--cells", 8)
    assert done.exit_code == 0, done.output
    assert list(data_of(tmp_path / "map.html")["groups"]) == ["stiff"]


def test_a_study_without_a_file_is_served(study, monkeypatch):
    served = []
    monkeypatch.setattr(
        ebbmap.exploring, "serve", lambda asked, port, told: served.append((asked, port))
    )
    done = call("explore", study, "--lung", "whole", "--port", 8123)
    assert done.exit_code == 0, done.output
    ((asked, port),) = served
    assert (asked.question.lung, port, asked.cells) == ("whole", 8123, 20)


def test_a_stored_sweep_is_served_and_said_and_anew_only_if_asked(tmp_path, monkeypatch):
    served = []
    monkeypatch.setattr(ebbmap.exploring, "serve", lambda asked, port, told: served.append(asked))
    text = STUDY[: STUDY.index("[[analyses")] + '[analyses.sweep]\nstore = "zarr"\n'
    ebbmap.run(text, out=tmp_path / "results")
    done = call("explore", tmp_path / "results")
    assert done.exit_code == 0, done.output
    assert done.stdout.startswith(CAUTION)
    assert "nothing is solved" in done.stdout and "Not offered" in done.stdout
    done = call("explore", tmp_path / "results", "--cells", 8)
    assert done.exit_code == 0, done.output
    assert "nothing is solved" not in done.stdout
    stored, anew = served
    assert isinstance(stored, ebbmap.exploring.Stored)
    assert not isinstance(anew, ebbmap.exploring.Stored) and anew.cells == 8
    chunk = next((tmp_path / "results" / "cases.zarr" / "ph").glob("0.*"))
    chunk.unlink()
    done = call("explore", tmp_path / "results")
    assert done.exit_code == 2
    assert "is missing, or is not what was written" in " ".join(done.stderr.split())
    assert len(served) == 2


def test_a_lung_that_cannot_be_traced_is_solved_into_tables(study, tmp_path):
    done = call("explore", study, "--lung", "whole", "--out", tmp_path / "map.html", "--cells", 8)
    assert done.exit_code == 0, done.output
    assert "solving 2160 settings of stiff lungs for a table" in done.stdout
    data = data_of(tmp_path / "map.html")
    assert "compliance" in data["tabled"] and data["curves"] is True
    # as many as the study draws, and none of its numbers as text
    assert len(data["groups"]["stiff"]["table"]["steps"]) < 6 * 360 * 12 * 2 * 4 / 3


def test_a_name_that_is_no_study_is_refused(tmp_path):
    done = call("explore", tmp_path / "nothing.toml")
    assert done.exit_code == 2
    assert "nothing.toml" in done.stderr
