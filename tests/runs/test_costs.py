"""Forecasts of every analysis, refusals of what no machine holds, and the limit for --yes."""

import math
import re
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest
from typer.testing import CliRunner

from ebbmap.cli import app
from ebbmap.errors import EbbmapError, TooLargeError
from ebbmap.files.protocol.load import load_protocol
from ebbmap.files.study import load_study, parse_study
from ebbmap.runs import forecast
from ebbmap.runs.costs import LARGE_BYTES, LONG_SECONDS, Cost, approve, check_costs, study_costs
from ebbmap.runs.sources import plan_tasks

STUDIES = sorted((Path(__file__).parents[2] / "studies").glob("*.toml"))
DRAFT = Path(__file__).parents[1] / "files" / "protocol" / "small_draft.toml"

BASE = """
title = "t"
lung = "linear"
lungs = 40
populations = ["normal", "restrictive"]
[fixed]
p_low = 0.0
[axes]
"""

#: Axes of a study, and the analyses that lay out less than both or nothing.
LAID_OUT = {"t_low": "t_low = [0.3, 0.5, 0.8]\n", "p_high": "p_high = [20.0, 24.0]\n"}
FEWER = {
    **dict.fromkeys(("mapping", "boxes", "profile", "sobol"), ("t_low",)),
    **dict.fromkeys(("compare", "startup"), ()),
}

#: Each analysis, and the cases that follow from its options by hand.
COUNTED = {
    "[[analyses.map]]\nx = 't_low'\ny = 'p_high'": 2 * 3 * 2 * 40,
    "[analyses.sweep]": 2 * 3 * 2 * 40,
    "[analyses.mapping]": 2 * 3 * 40,
    "[analyses.boxes]": 2 * 40,
    "[analyses.profile]\nalong = 't_low'\noutcomes = ['auto_peep']": 2 * 3,
    "[analyses.compare]\nmodels = ['linear', 'tube']": 2 * 2,
    "[analyses.startup]\ncycles = 7": 2 * 2 * 7,
}


def whole(text):
    """A study with one analysis and the axes that it lays out."""
    kind = re.search(r"analyses\.(\w+)", text)[1]
    return BASE + "".join(LAID_OUT[name] for name in FEWER.get(kind, LAID_OUT)) + text


def said(text, tmp_path, **how):
    return study_costs(parse_study(whole(text)), tmp_path, 2, **how)


@pytest.mark.parametrize("path", STUDIES, ids=lambda path: path.stem)
def test_every_bundled_study_has_a_forecast_and_needs_no_yes(path, tmp_path):
    study = load_study(path)
    found = study_costs(study, tmp_path, 2)
    assert [cost.name for cost in found] == [task.name for task in plan_tasks(study)]
    for cost in found:
        assert cost.cases > 0
        assert 0 < cost.seconds < math.inf
        assert cost.memory > 0
    approve(found, tmp_path, yes=False)
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(("text", "cases"), COUNTED.items(), ids=lambda one: str(one)[:25])
def test_cases_are_those_of_the_options(text, cases, tmp_path):
    (cost,) = said(text, tmp_path)
    assert cost.cases == cases


@pytest.mark.parametrize("order", [True, False])
def test_cases_of_a_design_are_its_rows_at_every_place(order, tmp_path):
    text = (
        f"[analyses.sobol]\nalong = 't_low'\nbase_size = 32\nsecond_order = {str(order).lower()}\n"
    )
    (cost,) = said(text + "outcomes = ['auto_peep']\nresamples = 100", tmp_path)
    study = parse_study(whole(text) + "outcomes = ['auto_peep']\nresamples = 100\npawn = false")
    solved = []
    (task,) = plan_tasks(study)
    task.run(solved.append)
    assert cost.cases == sum(solved)


def test_a_design_that_may_grow_counts_at_its_largest(tmp_path):
    text = "[analyses.sobol]\nalong = 't_low'\nbase_size = 32\n"
    (small,) = said(text, tmp_path)
    (grown,) = said(text + "stopping_width = 0.1\n", tmp_path)
    (stated,) = said(text + "stopping_width = 0.1\nmax_base_size = 64\n", tmp_path)
    assert (grown.cases, stated.cases) == (16 * small.cases, 2 * small.cases)
    assert grown.disk > 0


def test_every_part_of_a_check_has_a_forecast():
    protocol = load_protocol(DRAFT)
    found = {cost.name: cost for cost in check_costs(protocol, 2)}
    assert set(found) == {"verdict", "boxes", "ways", "windows", "map", "limits", "drivers"}
    assert found["verdict"].cases == 2 * 256 * 64
    assert all(cost.seconds > 0 for cost in found.values())


COST = Cost("cases", 1000, 1e6, 1e6, 1.0)


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"disk": 2e12}, r"must fit on the disk \(1,000.0 GB free\); they take about 2,000.0 GB"),
        ({"memory": 9e9}, r"cases must fit in memory \(10.0 GB free\); it takes about 9.0 GB"),
    ],
    ids=["disk", "memory"],
)
@pytest.mark.parametrize("yes", [True, False])
def test_what_the_machine_cannot_hold_is_refused_whatever_is_wanted(
    change, sentence, yes, tmp_path, monkeypatch
):
    monkeypatch.setattr(forecast.shutil, "disk_usage", lambda _: SimpleNamespace(free=1e12))
    monkeypatch.setattr(forecast.psutil, "virtual_memory", lambda: SimpleNamespace(available=10e9))
    with pytest.raises(TooLargeError, match=sentence):
        approve([COST, replace(COST, **change)], tmp_path / "not" / "there", yes=yes)


@pytest.mark.parametrize(
    "change", [{"seconds": LONG_SECONDS + 1}, {"disk": LARGE_BYTES + 1}], ids=str
)
def test_a_long_or_large_run_is_started_only_if_it_is_wanted(change, tmp_path, monkeypatch):
    monkeypatch.setattr(forecast.shutil, "disk_usage", lambda _: SimpleNamespace(free=1e12))
    with pytest.raises(EbbmapError, match="more than 1 hour or 10 GB needs --yes"):
        approve([replace(COST, **change)], tmp_path, yes=False)
    approve([replace(COST, **change)], tmp_path, yes=True)
    approve([COST], tmp_path, yes=False)


HUGE = {
    "sweep": "lungs = 100000\n{axes}\n[analyses.sweep]",
    "netcdf": "lungs = 100000\n{axes}\n[analyses.sweep]\nstore = 'netcdf'",
    "counts": "lungs = 1000000\n{axes}\n[analyses.sweep]\nstore = 'none'\n"
    "reductions = ['safe_share']\nreduce_to = ['t_low']",
    "map": "lungs = 1000000\n{axes}\n[[analyses.map]]\nx = 't_low'\ny = 'p_high'\n"
    "average_over = ['resistance_exp']",
    "sobol": "lungs = 20\n{axis}\n[analyses.sobol]\nbase_size = 1048576\nalong = 't_low'",
    "shapley": "lungs = 20\n{axis}\n[analyses.shapley]\nbase_size = 1048576\nalong = 't_low'",
    "screening": "lungs = 20\n{axis}\n[analyses.screening]\ntrajectories = 1048576",
    "mapping": "lungs = 1000000\n{axis}\n[analyses.mapping]\nalong = 't_low'\nresamples = 10000",
    "trade": "{axes}\n[analyses.trade]\naxes = ['t_low', 'p_high', 'resistance_exp']",
    "wean": "[fixed]\np_high = 30.0\n[analyses.wean]\np_high_step = 1e-9",
}
AXIS = """populations = ["normal"]
[axes]
t_low = { start = 0.2, stop = 2.0, count = 10000 }"""
AXES = f"""{AXIS}
p_high = {{ start = 15.0, stop = 30.0, count = 10000 }}
resistance_exp = {{ start = 5.0, stop = 50.0, count = 1000 }}"""


@pytest.mark.parametrize("kind", HUGE)
def test_nothing_huge_is_begun_by_mistake(kind, tmp_path):
    (tmp_path / "huge.toml").write_text(
        'title = "t"\nlung = "linear"\n' + HUGE[kind].format(axes=AXES, axis=AXIS)
    )
    words = ["run", str(tmp_path / "huge.toml"), "--workers", "2"]
    done = CliRunner().invoke(app, [*words, "--out", str(tmp_path / "out")])
    assert done.exit_code == 2, done.output
    assert "needs --yes" in done.stderr or "must fit" in done.stderr
    assert not (tmp_path / "out").exists()
    shown = CliRunner().invoke(app, [*words, "--dry-run"])
    assert shown.exit_code == 0
    assert "expected costs" in shown.stdout


def test_a_check_shows_its_costs_and_writes_nothing(tmp_path):
    words = ["check", str(DRAFT), "--out", str(tmp_path / "out"), "--dry-run"]
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 0
    assert "verdict" in done.stdout
    assert not (tmp_path / "out").exists()
