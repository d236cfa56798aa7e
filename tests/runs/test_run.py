import numpy as np
import pytest
import xarray as xr

from ebbmap.analyses.sweep import Sweep, find_sweep
from ebbmap.caution import CAUTION
from ebbmap.files.study import parse_study
from ebbmap.lungs import lung_model
from ebbmap.registries.folding import folded
from ebbmap.registries.populations import POPULATIONS
from ebbmap.runs.run import run_study
from ebbmap.runs.sources import plan_tasks

STUDY = """
title = "every analysis"
lung = "linear"
seed = 0
lungs = 12
populations = ["normal", "obstructive"]
[fixed]
p_high = 24.0
[axes]
t_low = [0.3, 0.5, 0.8]
compliance = [30.0, 60.0]
[analyses.window]
[analyses.profile]
along = "t_low"
outcomes = ["auto_peep", "flow_ratio"]
[[analyses.map]]
x = "t_low"
y = "compliance"
[analyses.sobol]
base_size = 32
resamples = 100
outcomes = ["auto_peep"]
[analyses.sweep]
outcomes = ["auto_peep"]
"""

NAMES = ["window", "profile", "map_t_low_compliance", "drivers_t_low", "cases"]


@pytest.fixture(scope="module")
def study():
    return parse_study(STUDY)


@pytest.fixture(scope="module")
def ran(study, tmp_path_factory):
    """Every result, and the cases that each task reported."""
    folder, done = tmp_path_factory.mktemp("out"), {}

    def progress(task):
        done[task.name] = 0

        def add(cases):
            done[task.name] += cases

        return add

    found = {
        task.name: (result, path)
        for task, result, path in run_study(study, folder, progress=progress)
    }
    return found, done, folder


def test_tasks_are_planned_in_the_order_in_which_they_run(study, ran):
    assert [task.name for task in plan_tasks(study)] == NAMES == list(ran[0])


def test_known_sizes_are_what_is_solved(study, ran):
    for task in plan_tasks(study):
        if task.cases:
            assert ran[1][task.name] == task.cases, task.name


def test_a_file_holds_what_was_found(ran):
    for name, (result, path) in ran[0].items():
        with xr.open_dataset(path) as saved:
            xr.testing.assert_equal(saved.load(), result)
        assert path.name == f"{name}.nc"


def test_every_result_names_its_study(ran, study):
    for result, _ in ran[0].values():
        assert result.attrs["study"] == STUDY
        assert result.attrs["study_hash"] == study.digest
        assert result.attrs["study_title"] == "every analysis"
        assert result.attrs["caution"] == CAUTION


def test_every_number_has_a_unit_and_a_name(ran):
    for name, (result, _) in ran[0].items():
        for key, variable in result.data_vars.items():
            assert variable.attrs.get("long_name"), (name, key)
            if variable.dtype.kind == "f":
                assert "units" in variable.attrs, (name, key)


def test_the_study_lies_beside_its_results(ran):
    assert (ran[2] / "study.toml").read_text() == STUDY
    files = {path.name for path in ran[2].iterdir()}
    assert files == {*(f"{name}.nc" for name in NAMES), "study.toml", "pieces"}


def test_a_run_gives_the_same_numbers_again(ran, study, tmp_path):
    for task, result, _ in run_study(study, tmp_path, progress=lambda task: lambda cases: None):
        xr.testing.assert_equal(result, ran[0][task.name][0])


def test_the_profile_is_the_middle_lung(ran):
    profile = ran[0]["profile"][0]
    middle = folded(POPULATIONS["normal"], lung_model("linear")).median
    # exp(-T low / (R C)) of the median lung
    np.testing.assert_allclose(
        profile["flow_ratio"].sel(population="normal"),
        np.exp(-1000.0 * profile["t_low"] / (middle["compliance"] * middle["resistance_exp"])),
        rtol=1e-12,
    )


def test_the_sweep_keeps_every_case_with_the_verdict_of_every_rule(ran):
    cases = ran[0]["cases"][0]
    assert dict(cases.sizes) == {"population": 2, "t_low": 3, "compliance": 2, "sample": 12}
    for rule in ("flow_ratio", "exhaled_fraction"):
        safe = (cases[f"verdict_{rule}"] < 2).mean("sample")
        mapped = ran[0]["map_t_low_compliance"][0]["safe_share"].sel(rule=rule, drop=True)
        # the same lungs in both
        xr.testing.assert_allclose(safe.drop_attrs(), mapped.transpose(*safe.dims).drop_attrs())


def test_a_sweep_keeps_what_its_rules_need(study):
    axes = {name: study.axes[name] for name in ("t_low",)}
    cases = find_sweep(study.question, Sweep(outcomes=("release_rate",)), axes=axes)
    assert {"release_rate", "auto_peep", "exhaled_fraction"} <= set(cases.data_vars)
    assert "trapped_volume" not in cases
