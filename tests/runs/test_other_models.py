"""Further lung models on the same cases: what one of them found stays beside what another finds."""

import numpy as np
import pytest
import xarray as xr

from ebbmap.analyses.sweep import Sweep, find_sweep
from ebbmap.errors import EbbmapError, StudyError
from ebbmap.files.study import parse_study
from ebbmap.runs.costs import study_costs
from ebbmap.runs.results import open_results
from ebbmap.runs.run import run_study
from ebbmap.tables.runs import kept_lines
from kept_runs import quiet, results

HEAD = """
title = "models"
lung = "linear"
lungs = 30
populations = ["normal", "obstructive"]
[fixed]
p_high = 24.0
[axes]
t_low = [0.3, 0.8]
[outputs]
figures = []
[limits]
sets = ["harm"]
"""
#: Keeps pieces, so that all others in the same study are kept too.
WITH_PIECES = '[analyses.mapping]\nalong = "t_low"\nresamples = 50\n'
COMPARE = '[analyses.compare]\nmodels = ["linear", "tube"]\noutcomes = ["auto_peep"]\n'
FORETELL = '[analyses.foretell]\nmodels = ["linear"]\nways = {flow_ratio = [0.5]}\nresamples = 50\n'
SWEEP = '[analyses.sweep]\noutcomes = ["auto_peep"]\nstore = "zarr"\n'
LUNG = 'lung = "linear"\n'


def run(text, folder, **how):
    found = []
    for task, _, path in run_study(parse_study(text), folder, progress=quiet, **how):
        found.append((task.name, path))
    return found


def test_a_further_model_of_a_comparison_is_solved_alone(tmp_path, solved):
    text = HEAD.replace("p_high = 24.0", "p_high = 24.0\nt_low = 0.5") + WITH_PIECES + COMPARE
    run(text, tmp_path / "out")
    solved.clear()
    more = text.replace('["linear", "tube"]', '["linear", "paired", "tube"]')
    told = list(kept_lines(study_costs(parse_study(more), tmp_path / "out", 1)))
    assert any(line.startswith("compare: 4 finished pieces stay; 2 are new") for line in told)
    run(more, tmp_path / "out")
    kinds = [(name.split(".")[1], name.split(".")[3]) for name in solved]
    # solved and drawn, for each of two populations
    assert sorted(kinds) == [("drawn", "paired")] * 2 + [("solved", "paired")] * 2
    run(more, tmp_path / "fresh")
    assert results(tmp_path / "out") == results(tmp_path / "fresh")


def test_curves_at_other_times_are_drawn_again(tmp_path, solved):
    text = HEAD.replace("p_high = 24.0", "p_high = 24.0\nt_low_in_time_constants = 1.0")
    text = text.replace("[axes]\nt_low = [0.3, 0.8]", "p_low = 0.0\n[axes]\np_low = [0.0, 5.0]")
    text += WITH_PIECES.replace("t_low", "p_low") + COMPARE
    run(text, tmp_path / "out")
    solved.clear()
    more = text.replace('["linear", "tube"]', '["linear", "tube", "paired"]')
    run(more, tmp_path / "out")
    kinds = [name.split(".")[1] for name in solved]
    assert (kinds.count("solved"), kinds.count("drawn")) == (2, 6)
    run(more, tmp_path / "fresh")
    assert results(tmp_path / "out") == results(tmp_path / "fresh")


@pytest.mark.parametrize("models", ['["linear"]', "[]"], ids=["named", "own"])
def test_a_further_model_of_what_rules_foretell_is_solved_alone(models, tmp_path, solved):
    text = HEAD + FORETELL.replace('["linear"]', models)
    run(text, tmp_path / "out")
    solved.clear()
    more = HEAD + FORETELL.replace('["linear"]', '["tube", "linear"]')
    run(more, tmp_path / "out")
    assert solved == ["foretell.000000.tube", "foretell.000001.tube"]
    run(more, tmp_path / "fresh")
    assert results(tmp_path / "out") == results(tmp_path / "fresh")


def test_another_lung_solves_the_same_cases_beside_the_first(tmp_path, solved):
    text, out = HEAD + SWEEP + WITH_PIECES, tmp_path / "out"
    run(text, out)
    kept = {name: content for name, content in results(out).items() if name.startswith("cases")}
    first = set(solved)
    solved.clear()
    both = text.replace(LUNG, f'{LUNG}other_lungs = ["tube"]\n')
    costs = study_costs(parse_study(both), out, 1)
    assert [cost.cases for cost in costs if "/" not in cost.name] == [0, 0]
    assert {cost.name for cost in costs if cost.cases} == {"tube/mapping_t_low", "tube/cases"}
    made = run(both, out)
    assert [name for name, _ in made if "/" in name] == ["tube/mapping_t_low", "tube/cases"]
    # only the other lung was solved, in as many pieces, and no chunk of the first was touched
    assert set(solved) == first and len(solved) == len(first)
    chunks = {name for name in kept if not name.rsplit("/", 1)[-1].startswith(".z")}
    now = results(out)
    assert chunks and all(now[name] == kept[name] for name in chunks)
    run(both, tmp_path / "fresh")
    assert now == results(tmp_path / "fresh")
    solved.clear()
    run(both, out)
    assert not solved


def test_results_of_the_other_lung_are_those_of_a_study_of_it(tmp_path):
    both = HEAD.replace(LUNG, f'{LUNG}other_lungs = ["tube"]\n') + SWEEP
    run(both, tmp_path / "out", workers=2)
    found = open_results(tmp_path / "out")
    assert found.names == ["cases", "tube/cases"]
    alone = parse_study(HEAD.replace(LUNG, 'lung = "tube"\n') + SWEEP)
    same = find_sweep(alone.question, Sweep(outcomes=["auto_peep"]), axes=alone.axes)
    other, first = found["tube/cases"], found["cases"]
    assert (first.attrs["lung"], other.attrs["lung"]) == ("linear", "tube")
    xr.testing.assert_equal(
        other["auto_peep"], same["auto_peep"].transpose(*other["auto_peep"].dims)
    )
    # the same lungs, but for what the linear lung lacks of them
    ranks = [one["compliance"].isel(population=0).values.argsort() for one in (first, other)]
    np.testing.assert_array_equal(*ranks)
    found.close()


def test_a_changed_lung_is_refused_with_the_way_to_have_both(tmp_path):
    run(HEAD + WITH_PIECES, tmp_path / "out")
    with pytest.raises(EbbmapError, match=r'lung = "linear" and set other_lungs = \["tube"\]'):
        run(HEAD.replace(LUNG, 'lung = "tube"\n') + WITH_PIECES, tmp_path / "out")


def test_a_folder_of_another_lung_that_holds_another_run_is_refused_before_any_work(
    tmp_path, solved
):
    run(
        HEAD.replace("24.0", "25.0").replace(LUNG, 'lung = "tube"\n') + WITH_PIECES,
        tmp_path / "out" / "tube",
    )
    solved.clear()
    both = HEAD.replace(LUNG, f'{LUNG}other_lungs = ["tube"]\n') + WITH_PIECES
    with pytest.raises(EbbmapError, match=r"fixed\.p_high was 25.0, is 24.0"):
        run(both, tmp_path / "out")
    assert not solved
    run(both, tmp_path / "out", fresh=True)
    assert len(solved) == 8


@pytest.mark.parametrize(
    ("names", "told"),
    [
        ('["linear"]', r"other_lungs.0: linear is named already"),
        ('["tube", "tube"]', r"other_lungs.1: tube is named already"),
        ('["tubes"]', r"other_lungs.*tubes.*tube"),
    ],
)
def test_other_lungs_must_be_other_lungs(names, told):
    with pytest.raises(StudyError, match=told):
        parse_study(HEAD.replace(LUNG, f"{LUNG}other_lungs = {names}\n") + SWEEP)


def test_what_another_lung_does_not_use_is_said_with_its_place():
    text = HEAD.replace(LUNG, 'lung = "tube"\nother_lungs = ["linear"]\n') + SWEEP
    text = text.replace("p_high = 24.0", "p_high = 24.0\nresistance_quadratic = 8.0")
    with pytest.raises(StudyError, match=r"other_lungs.0: with the lung 'linear', fixed.res"):
        parse_study(text)
