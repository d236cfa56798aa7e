"""A study whose population is a table of patients."""

import numpy as np
import pytest

from ebbmap.errors import StudyError
from ebbmap.files.study import load_study
from ebbmap.runs.api import run

STUDY = """
title = "own patients"
lung = "linear"
lungs = 50
populations = ["ours"]
[population.ours]
table = "{table}"
missing = "drop"
source = "invented rows"
[axes]
t_low = [0.3, 0.5, 0.8]
compliance = [30.0, 50.0]
[[analyses.map]]
x = "t_low"
y = "compliance"
"""


def write(folder, table="patients.csv", rows=40):
    rng = np.random.default_rng(0)
    lines = ["compliance [L/cmH2O],resistance_exp"]
    lines += [
        f"{0.04 * np.exp(0.3 * z):.5f},{12.0 * np.exp(0.4 * y):.3f}"
        for z, y in rng.normal(size=(rows, 2))
    ]
    (folder / "patients.csv").write_text("\n".join([*lines, "0.05,"]), encoding="utf-8")
    path = folder / "study.toml"
    path.write_text(STUDY.format(table=table), encoding="utf-8")
    return path


def test_a_table_is_a_population(tmp_path):
    (group,) = load_study(write(tmp_path)).question.populations
    assert group.properties == ("compliance", "resistance_exp")
    assert group.rows.shape == (40, 2)
    assert "invented rows: 40 rows" in group.source


def test_maps_run_on_it(tmp_path):
    done = run(write(tmp_path), out=tmp_path / "out")
    (name,) = done
    assert done[name]["population"].values.tolist() == ["ours"]
    # the run keeps the table that it was asked about
    assert (tmp_path / "out" / "patients.csv").is_file()


def test_another_table_is_another_question(tmp_path):
    first = load_study(write(tmp_path)).digest
    assert load_study(write(tmp_path, rows=41)).digest != first


@pytest.mark.parametrize("table", ["../patients.csv", "/etc/passwd", "nothing.csv", "patients.exe"])
def test_tables_elsewhere_are_refused(tmp_path, table):
    with pytest.raises(StudyError, match=r"population\.ours\.table"):
        load_study(write(tmp_path, table))
