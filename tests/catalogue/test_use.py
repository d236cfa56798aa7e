"""What a study uses: loaded because it says so, seen by every worker, and part of its key."""

import ast
import json
import os
import shutil
import sys
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from typer.testing import CliRunner

import ebbmap
from clusters import two_workers
from ebbmap.catalogue import add_outcome, builtin, check_file, load_use
from ebbmap.catalogue.marks import entry_of
from ebbmap.cli import app
from ebbmap.errors import EbbmapError, StudyError
from ebbmap.files.study import load_study, parse_study
from ebbmap.registries.outcomes import OUTCOMES
from ebbmap.runs.costs import study_costs
from ebbmap.runs.plan import key_of
from ebbmap.runs.run import run_study
from ebbmap.runs.sources import plan_tasks, study_source

EXAMPLES = Path(__file__).parents[2] / "studies" / "extending"

MINE = """
import ebbmap

@ebbmap.outcome(units="1", source="invented", version="3")
def trapped_share(trapped_volume, release_volume):
    return {factor} * trapped_volume / (trapped_volume + release_volume)
"""

#: Says which process solved a case.
WHO = """

import os

@ebbmap.outcome(units="1", source="invented")
def process(release_volume):
    return 0.0 * release_volume + os.getpid()
"""

STUDY = """
title = "t"
lung = "linear"
use = ["mine.py"]
lungs = 300
populations = ["restrictive"]
[axes]
t_low = [0.3, 0.5, 0.7, 0.9]
[analyses.sweep]
outcomes = ["trapped_share", "trapped_volume", "release_volume"]
judged = false
store = "zarr"
block = 1000
"""


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "mine.py").write_text(MINE.format(factor=1.0), encoding="utf-8")
    (tmp_path / "study.toml").write_text(STUDY, encoding="utf-8")
    return tmp_path


def results_of(study, folder, **options):
    def silent(task):
        return lambda done: None

    found = {}
    for task, result, path in run_study(study, folder, progress=silent, **options):
        found[task.name] = (result, path)
    return found


def check_trapped(result):
    share = result.trapped_volume / (result.trapped_volume + result.release_volume)
    np.testing.assert_allclose(result.trapped_share.values, share.values, rtol=1e-12)
    assert np.isfinite(result.trapped_share.values).all()


def test_every_worker_sees_an_own_outcome(folder):
    with (folder / "mine.py").open("a", encoding="utf-8") as file:
        file.write(WHO)
    text = STUDY.replace("outcomes = [", 'outcomes = ["process", ')
    (folder / "study.toml").write_text(text, encoding="utf-8")
    study = load_study(folder / "study.toml")
    assert "trapped_share" not in OUTCOMES
    result, path = results_of(study, folder / "out", workers=2)["cases"]
    assert "trapped_share" not in OUTCOMES
    with xr.open_zarr(path, consolidated=False) as stored:
        check_trapped(stored.load())
        assert os.getpid() not in stored["process"].values
    entry = json.loads(result.attrs["own_entries"])[-1]
    assert (entry["kind"], entry["name"], entry["version"]) == ("outcome", "trapped_share", "3")
    assert entry["from"] == "mine.py"


@pytest.mark.slow
def test_every_worker_of_a_cluster_sees_it_too(folder):
    study = load_study(folder / "study.toml")
    with two_workers() as cluster:
        _, path = results_of(study, folder / "out", cluster=cluster.scheduler_address)["cases"]
    with xr.open_zarr(path, consolidated=False) as stored:
        check_trapped(stored.load())


def test_results_hold_the_code_and_are_a_study_themselves(folder):
    results_of(load_study(folder / "study.toml"), folder / "out")
    assert (folder / "out" / "mine.py").read_bytes() == (folder / "mine.py").read_bytes()
    again = load_study(folder / "out" / "study.toml")
    assert again.catalogue == load_study(folder / "study.toml").catalogue


def test_the_costs_of_a_run_that_is_resumed_know_own_entries(folder):
    study = load_study(folder / "study.toml")
    results_of(study, folder / "out")
    with study.catalogue.active():
        (cost,) = study_costs(study, folder / "out", 1)
    assert (cost.cases, cost.blocks) == (0, 0)


def test_changed_code_is_another_run(folder):
    before = load_study(folder / "study.toml")
    results_of(before, folder / "out")
    (folder / "mine.py").write_text(MINE.format(factor=2.0), encoding="utf-8")
    after = load_study(folder / "study.toml")
    assert before.digest == after.digest
    assert before.catalogue != after.catalogue
    assert key_of(study_source(before).plan) != key_of(study_source(after).plan)
    with pytest.raises(EbbmapError, match="own_entries was"):
        results_of(after, folder / "out")
    # what the first run left there still belongs together
    assert (folder / "out" / "mine.py").read_text() == MINE.format(factor=1.0)


def test_a_file_is_run_once_for_each_content(folder):
    (folder / "mine.py").write_text(MINE.format(factor=1.0) + "\nprint('ran')\n", encoding="utf-8")
    first, second = (load_use(["mine.py"], folder).catalogue for _ in range(2))
    assert first == second
    assert entry_of(first.own[0].entry) is entry_of(second.own[0].entry)


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("gone.py", "must be a file of at most 1 MiB"),
        ("../mine.py", "must be the path of a .py file in the folder of the study"),
        ("/tmp/mine.py", "must be the path of a .py file"),
        ("a/../mine.py", "must be the path of a .py file"),
        (".hidden.py", "must be the path of a .py file"),
        ("c:mine.py", "must be the path of a .py file"),
        ("folder.py", "must be a file"),
        ("no such package !", "must be a .py file or a package"),
        ("surely-not-installed-here", "is not installed"),
        ("numpy >= 999", "numpy must be >=999"),
        ("numpy", "must offer one entry point of the group ebbmap.catalogue; it offers 0"),
    ],
)
def test_what_cannot_be_used_is_said(folder, name, text):
    (folder / "folder.py").mkdir()
    with pytest.raises(EbbmapError, match=text):
        load_use([name], folder)


@pytest.mark.parametrize(
    ("content", "text"),
    [
        ("x = 1\n", "mine.py has no entry"),
        ("import ebbmap\n1 / 0\n", "mine.py fails with ZeroDivisionError in line 2"),
        ("def f(:\n", "mine.py fails with SyntaxError in line 1"),
        (MINE.format(factor="missing"), "outcome 'trapped_share': raises NameError"),
        (MINE.format(factor=1).replace('"1"', '"furlong"'), "EbbmapError in line 4.*furlong"),
        (MINE.format(factor=1).replace("def trapped_share", "def auto_peep"), "there is one of"),
        ("from ebbmap.registries.populations import POPULATIONS\nP = POPULATIONS['normal']", "no"),
    ],
)
def test_a_study_says_what_is_wrong_with_its_files(folder, content, text):
    (folder / "mine.py").write_text(content, encoding="utf-8")
    with pytest.raises(StudyError, match=text) as refused:
        load_study(folder / "study.toml")
    assert all(", use: " in problem for problem in refused.value.problems)


def test_a_text_without_a_folder_loads_no_file():
    with pytest.raises(StudyError, match=r"use: mine\.py needs the folder of the study"):
        parse_study(STUDY)


def test_nothing_is_loaded_that_no_study_names(folder):
    (folder / "mine.py").write_text("raise SystemExit(9)\n", encoding="utf-8")
    study = load_study_without_use(folder)
    assert study.catalogue == builtin()


def load_study_without_use(folder):
    text = STUDY.replace('use = ["mine.py"]', "").replace('"trapped_share", ', "")
    (folder / "other.toml").write_text(text, encoding="utf-8")
    return load_study(folder / "other.toml")


def test_code_is_run_in_one_module_only():
    root = Path(ebbmap.__file__).parent
    running = {
        path.relative_to(root).as_posix()
        for path in root.rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Attribute) and node.attr in ("exec_module", "source_to_code")
    }
    assert running == {"catalogue/sources.py"}


def packaged(folder, monkeypatch, version="1.4"):
    """Write a package as an installer would leave it, with an entry point."""
    info = folder / f"ebbmap_ward-{version}.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(
        f"Metadata-Version: 2.1\nName: ebbmap-ward\nVersion: {version}\n"
    )
    (info / "entry_points.txt").write_text("[ebbmap.catalogue]\nward = ebbmap_ward:entries\n")
    (folder / "ebbmap_ward.py").write_text(
        MINE.format(factor=1.0) + "\n\ndef entries():\n    return [trapped_share]\n"
    )
    monkeypatch.syspath_prepend(folder)


def test_a_package_is_used_through_its_entry_point(folder, monkeypatch):
    packaged(folder, monkeypatch)
    assert "ebbmap_ward" not in sys.modules
    load_study_without_use(folder)
    assert "ebbmap_ward" not in sys.modules
    used = load_use(["ebbmap-ward >= 1.2"], None)
    (own,) = used.catalogue.own
    assert (own.entry.name, own.origin, own.version) == ("trapped_share", "ebbmap-ward", "3")
    assert used.files == ()
    with pytest.raises(EbbmapError, match=r"ebbmap-ward must be >=2; 1\.4 is installed"):
        load_use(["ebbmap-ward >= 2"], None)
    monkeypatch.delitem(sys.modules, "ebbmap_ward")


def test_the_examples_run_in_two_workers(tmp_path):
    shutil.copytree(EXAMPLES, tmp_path / "extending")
    study = load_study(tmp_path / "extending" / "extending.toml")
    found = results_of(study, tmp_path / "out", workers=2)
    assert list(found) == [task.name for task in plan_in_catalogue(study)]
    result = found["cases"][0].load()
    assert result.attrs["lung"] == "stiffening"
    kinds = {one["kind"] for one in json.loads(result.attrs["own_entries"])}
    assert kinds == {"outcome", "limit set", "lung", "population", "analysis"}
    # the own analysis counts what the sweep holds at the P high that the study fixes
    enough = found["enough"][0]
    held = result.sel(p_high=24.0)
    counted = (held.clearing_share >= 0.45).mean("sample")
    np.testing.assert_allclose(enough.enough_share, counted.transpose(*enough.enough_share.dims))
    assert enough.enough_share.attrs["long_name"] == "share of lungs that clear enough gas"
    # stiffer by 2 % for each cmH2O above 20, and linear besides
    one = result.isel(population=0, p_high=-1, t_low=3, sample=0)
    values = {name: float(one[name]) for name in ("p_high", "p_low", "t_high", "t_low")}
    lung = {n: float(one[n]) for n in ("resistance_insp", "resistance_exp")}
    plain = ebbmap.simulate(
        "linear", **values, **lung, compliance=float(one.compliance) / (1 + 0.02 * 10.0)
    )
    assert float(one.release_volume) == pytest.approx(float(plain.release_volume), rel=1e-12)
    beyond = float(plain.dead_space_fraction)
    assert 0.0 < float(one.clearing_share) < 1.0 and 0.0 < beyond < 1.0
    # the limit set judges by the own outcome
    bad = result.clearing_share < 0.4
    assert bool(bad.any()) and (result.verdict_flow_ratio.where(bad, 2) == 2).all()


def plan_in_catalogue(study):
    with study.catalogue.active():
        return plan_tasks(study)


def test_an_own_lung_has_first_cycles_and_waveforms():
    mine = load_use(["mine.py"], EXAMPLES).catalogue
    first = ebbmap.start_up("stiffening", cycles=40, p_high=30.0, catalogue=mine)
    settled = ebbmap.simulate("stiffening", p_high=30.0, catalogue=mine)
    last = first.release_volume.isel(cycle=-1)
    assert float(last) == pytest.approx(float(settled.release_volume), rel=1e-9)
    drawn = ebbmap.waveforms("stiffening", p_high=30.0, catalogue=mine)
    assert float(drawn.flow.min()) == pytest.approx(-float(settled.peak_expiratory_flow), rel=1e-3)


def test_a_file_is_checked_entry_by_entry(folder):
    found = {finding.name: finding for finding in check_file(EXAMPLES / "mine.py")}
    assert all(finding.passes for finding in found.values())
    assert found["clearing_share"].reads == ("gas_beyond_dead_space", "release_volume")
    assert found["clearing_share"].lungs == (
        "breathing",
        "linear",
        "paired",
        "stepped",
        "stiffening",
        "tube",
        "whole",
    )
    assert found["clearing"].reads == ("clearing_share",)
    assert found["stiffening"].lungs == ("stiffening",)
    bad = "@ebbmap.outcome(units='1', source='invented')\ndef wrong(complience):\n    return 1.0\n"
    (folder / "mine.py").write_text(MINE.format(factor=1.0) + bad, encoding="utf-8")
    good, bad = check_file(folder / "mine.py")
    assert good.passes and not bad.passes
    assert "did you mean 'compliance'" in bad.problems[0]


def test_the_command_checks_a_file(folder):
    done = CliRunner().invoke(app, ["extend", "check", str(EXAMPLES / "mine.py")])
    assert done.exit_code == 0
    assert done.stdout.startswith("Research and teaching only")
    assert "outcome clearing_share: passes" in done.stdout
    done = CliRunner().invoke(app, ["extend", "check", str(EXAMPLES / "mine.py"), "--json"])
    entries = json.loads(done.stdout)["entries"]
    assert [entry["passes"] for entry in entries] == [True] * len(entries)
    (folder / "mine.py").write_text(MINE.format(factor="missing"), encoding="utf-8")
    assert CliRunner().invoke(app, ["extend", "check", str(folder / "mine.py")]).exit_code == 1
    assert CliRunner().invoke(app, ["extend", "check", str(folder / "gone.py")]).exit_code == 2


def test_an_outcome_is_added_to_stored_cases(folder):
    (own,) = load_use(["mine.py"], folder).catalogue.own
    wanted = ["trapped_volume", "release_volume"]
    cases = {"t_low": xr.DataArray([0.3, 0.6], dims="t_low"), "resistance_exp": [10.0, 20.0, 30.0]}
    stored = ebbmap.simulate(lung="linear", outcomes=wanted, **cases)
    added = add_outcome(stored, own.entry.compute)
    assert added.trapped_share.dims == stored.release_volume.dims
    check_trapped(added)
    assert added.trapped_share.attrs["units"] == "1"
    assert json.loads(added.attrs["own_entries"])[0]["name"] == "trapped_share"
    assert "trapped_share" not in stored
    with pytest.raises(EbbmapError, match="a variable 'trapped_share' already"):
        add_outcome(added, own.entry.compute)
    with pytest.raises(EbbmapError, match="needs trapped_volume, which the result does not hold"):
        add_outcome(stored[["release_volume"]], own.entry.compute)


def test_what_an_added_outcome_needs_is_computed_from_what_is_stored():
    @ebbmap.outcome(units="cmH2O", source="invented")
    def twice_auto_peep(auto_peep):
        return 2.0 * auto_peep

    cases = {"t_low": [0.3, 0.6], "p_low": 2.0}
    stored = ebbmap.simulate(lung="linear", outcomes=["end_release_pressure"], **cases)
    whole = ebbmap.simulate(lung="linear", outcomes=["auto_peep"], **cases)
    added = add_outcome(stored, twice_auto_peep)
    np.testing.assert_allclose(added.twice_auto_peep, 2.0 * whole.auto_peep)
    assert "auto_peep" not in added
    lost = ebbmap.simulate(
        lung="linear", outcomes=["end_release_pressure"], p_high=[20.0, 1.0], p_low=2.0
    )
    assert np.isnan(add_outcome(lost, twice_auto_peep).twice_auto_peep.values).tolist() == [
        False,
        True,
    ]
