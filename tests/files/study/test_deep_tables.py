"""Study tables of the analyses that say what is to blame, from file to result."""

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from ebbmap.errors import StudyError
from ebbmap.files.study import load_study, parse_study
from ebbmap.runs.run import run_study
from ebbmap.runs.sources import plan_tasks
from ebbmap.tables.results import summary

# whole studies are run and drawn
pytestmark = pytest.mark.slow

STUDIES = Path(__file__).parents[3] / "studies"

HEAD = """
title = "t"
lung = "linear"
lungs = 300
seed = 4
populations = ["obstructive"]
[fixed]
p_high = 24.0
p_low = 5.0
t_high = 5.0
[axes]
t_low = [0.3, 0.6, 1.2]
"""

ALL = (
    HEAD
    + """
[analyses.mapping]
resamples = 50
[analyses.boxes]
density = 0.85
resamples = 10
[analyses.shapley]
base_size = 64
outcomes = ["auto_peep"]
groups = { resistance = ["resistance_insp", "resistance_exp"] }
[analyses.screening]
trajectories = 16
outcomes = ["auto_peep"]
[analyses.sobol]
base_size = 64
stopping_width = 0.5
max_base_size = 128
stopping_outcomes = ["auto_peep", "margin_flow_ratio"]
outcomes = ["auto_peep"]
"""
)


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    folder = tmp_path_factory.mktemp("deep")
    tasks = run_study(parse_study(ALL), folder, progress=lambda task: lambda done: None)
    return {task.kind: (result, path) for task, result, path in tasks}


def test_every_table_becomes_a_task():
    assert [task.kind for task in plan_tasks(parse_study(ALL))] == [
        "mapping",
        "boxes",
        "shapley",
        "screening",
        "sobol",
    ]


def test_results_are_saved_with_the_study(results):
    for result, path in results.values():
        with xr.open_dataset(path, engine="h5netcdf") as found:
            xr.testing.assert_equal(found.load(), result)
            assert found.attrs["study_hash"] == result.attrs["study_hash"]
            assert "caution" in found.attrs


def test_the_keys_of_the_file_arrive(results):
    sobol = results["sobol"][0]
    assert (sobol.attrs["stopping_width"], sobol.attrs["max_base_size"]) == (0.5, 128)
    assert results["boxes"][0].attrs["wanted_density"] == 0.85
    assert results["mapping"][0].attrs["resamples"] == 50
    assert results["screening"][0].attrs["base_size"] == 16
    assert "resistance" in results["shapley"][0]["parameter"].values


def test_every_result_is_summed_up(results):
    for kind, (result, _) in results.items():
        *tables, held = summary(kind, result)
        assert result.attrs["fixed"] in str(held)
        assert tables
        assert all(table.rows for table in tables)


def test_pages_show_intervals_and_numbers_of_cases(results):
    from ebbmap.plotting.pages import pages_of

    texts = {}
    for kind, (result, _) in results.items():
        for name, figure, text in pages_of(kind, result):
            assert figure.axes
            caption = " ".join(t.get_text() for t in figure.texts).replace("\n", " ")
            assert "interval" in caption or "Convergence" in caption
            assert "Research and teaching only" in caption
            texts[name] = caption + text
    assert {name.split("t_low_")[1] for name in texts} >= {
        "blame_flow_ratio",
        "boxes_exhaled_fraction",
        "shapley",
        "screening",
        "drivers",
        "interactions_margin_flow_ratio",
        "convergence",
        "pawn",
    }
    assert "300 lungs" in texts["t_low_blame_flow_ratio"]
    assert "N = 64" in texts["t_low_shapley"]
    assert "16 trajectories" in texts["t_low_screening"]
    assert "Verdict: obstructive:" in texts["t_low_convergence"]


def test_hollow_marks_where_an_interval_covers_zero(results):
    from ebbmap.plotting.sobol_pairs import plot_sobol_pairs

    one = results["sobol"][0].isel(population=0, t_low=0).sel(outcome="auto_peep")
    ax = plot_sobol_pairs(one)
    d = one.sizes["parameter"]
    assert len(ax.lines) == d * (d + 1) // 2
    hollow = [line.get_markerfacecolor() == "none" for line in ax.lines]
    bounds = one["first_interval"].transpose("parameter", "ci_bound").values
    diagonal = [(bounds[j] * [1, -1] <= 0).all() for j in range(d)]
    own = [hollow[j * (j + 1) // 2 + j] for j in range(d)]
    assert own == diagonal


def test_the_blame_study_is_sound():
    tasks = plan_tasks(load_study(STUDIES / "blame.toml"))
    assert [task.kind for task in tasks] == ["mapping", "boxes", "given"]


@pytest.mark.parametrize(
    ("table", "text"),
    [
        ("[analyses.sobol]\nmax_base_size = 2048", "max_base_size: needs a stopping_width"),
        (
            "[analyses.sobol]\nstopping_width = 0.1\nmax_base_size = 512",
            "max_base_size: must be >= base_size; got 512, 1024",
        ),
        ("[analyses.sobol]\nbase_size = 1000", "base_size: must be a power of two; got 1000"),
        ("[analyses.sobol]\nreplicates = 12", "replicates: must be a power of two; got 12"),
        ("[analyses.sobol]\nbase_size = 16", "at least twice the 16 replicates; got 16"),
        (
            '[analyses.sobol]\nstopping_width = 0.1\nstopping_outcomes = ["margin_flow"]',
            "did you mean 'margin_flow_ratio'",
        ),
        (
            '[analyses.shapley]\ngroups = { a = ["compliance"], b = ["compliance"] }',
            "groups: compliance is in two groups",
        ),
        ('[analyses.shapley]\noutcomes = ["auto_pep"]', "did you mean 'auto_peep'"),
        ("[analyses.screening]\nlevels = 5", "levels"),
        ("[analyses.mapping]\nalong = 't_high'", "along: t_high has no axis"),
        ("[analyses.boxes]\nover = ['p_low']", "over: p_low has no axis"),
        ("[analyses.boxes]\ndensities = 1", "did you mean 'density'"),
    ],
)
def test_problems_are_named_with_their_place(table, text):
    with pytest.raises(StudyError) as caught:
        parse_study(HEAD + table)
    assert text in str(caught.value)


def test_an_analysis_without_lungs_is_refused():
    text = HEAD.replace('populations = ["obstructive"]\n', "")
    for kind in ("mapping", "boxes", "shapley", "screening"):
        with pytest.raises(StudyError, match=f"analyses.{kind}: needs a population"):
            parse_study(text + f"[analyses.{kind}]")


def test_kernels_need_nothing_but_numpy_and_scipy():
    code = """
import sys
for name in ("xarray", "SALib", "matplotlib", "pandas"):
    sys.modules[name] = None
import ebbmap.kernels.boxes
import ebbmap.kernels.contrast
import ebbmap.kernels.morris
import ebbmap.kernels.pawn
import ebbmap.kernels.resampling
import ebbmap.kernels.shapley
"""
    subprocess.run([sys.executable, "-c", code], check=True)


def test_extra_dims_pass_through():
    from ebbmap.analyses.screening import estimate_effects
    from ebbmap.analyses.shapley import estimate_shapley
    from ebbmap.cases.design import draw_morris_design, draw_shapley_design

    rule = xr.DataArray([1.0, 3.0], dims="rule", coords={"rule": ["one", "two"]})
    names = ["compliance", "resistance_exp"]
    for draw, points, estimate, index in (
        (draw_shapley_design, "score", estimate_shapley, "effect"),
        (draw_morris_design, "unit", estimate_effects, "mu_star"),
    ):
        design = draw(names, 32, seed=0)
        first, second = (design[points].sel(parameter=name, drop=True) for name in names)
        outputs = xr.Dataset({"auto_peep": first + rule * second, "flow_ratio": first})
        found = estimate(design, outputs)
        assert found[index].dims == ("rule", "outcome", "parameter")
        assert found["rule"].values.tolist() == ["one", "two"]
        one = estimate(design, outputs[["auto_peep"]].sel(rule="two", drop=True))
        np.testing.assert_allclose(
            found[index].sel(rule="two", outcome="auto_peep"), one[index].sel(outcome="auto_peep")
        )
