"""Further outcomes of a stored sweep: computed from what is stored, and solved only where not."""

import json

import numpy as np
import pytest
import xarray as xr

from ebbmap.files.study import parse_study
from ebbmap.lungs import lung_model
from ebbmap.registries.outcomes import outcomes_of
from ebbmap.runs.costs import study_costs
from ebbmap.runs.job import Job
from ebbmap.runs.status import find_damage, status_of
from ebbmap.runs.work import Work
from ebbmap.tables.runs import kept_lines
from kept_runs import results, run

#: A P low above P high makes cases impossible; a short T low leaves some without a steady state.
HEAD = """
title = "outcomes"
lung = "linear"
lungs = 100
lungs_may_grow = true
populations = ["normal", "restrictive"]
[fixed]
p_high = 24.0
[axes]
t_low = [0.1, 0.8]
p_low = [0.0, 10.0, 30.0]
[outputs]
figures = []
"""
STORE = """[analyses.sweep]
judged = false
outcomes = ["release_volume", "end_release_pressure"]
store = "zarr"
block = 1000
reductions = ["extremes", "quantiles"]
"""
MAP = '[[analyses.map]]\nx = "t_low"\ny = "p_low"\n'
LIMITS = '[limits]\nsets = ["harm"]\n'
SOBOL = """[analyses.sobol]
along = "t_low"
base_size = 16
replicates = 2
resamples = 100
second_order = false
pawn = false
outcomes = ["auto_peep"]
"""


def with_outcomes(text, *names):
    """The text with these outcomes of the sweep."""
    before = text[text.index("outcomes = ") :].partition("\n")[0]
    return text.replace(before, f"outcomes = {json.dumps(names)}", 1)


def said(text, folder):
    return "\n".join(kept_lines(study_costs(parse_study(text), folder, 1)))


@pytest.fixture
def solved(monkeypatch):
    """Boxes of cases of a sweep that are solved, the trial of a forecast not counted."""
    done, whole, piece = [], Job.solve, Work.run
    inside = []

    def solve(self, box):
        if inside:
            done.append(box)
        return whole(self, box)

    def do(self, name):
        inside.append(name)
        try:
            return piece(self, name)
        finally:
            inside.clear()

    monkeypatch.setattr(Job, "solve", solve)
    monkeypatch.setattr(Work, "run", do)
    return done


@pytest.mark.parametrize("lung", ["linear", "whole"])
def test_what_follows_from_stored_outcomes_is_not_solved_again(lung, tmp_path, solved):
    model = lung_model(lung)
    own = [name for name in outcomes_of(model) if name in model.solves]
    text = with_outcomes(HEAD.replace('"linear"', f'"{lung}"') + STORE, *own)
    run(text, tmp_path / "out")
    assert solved
    solved.clear()
    # everything that there is follows from what the lung itself gives
    more = with_outcomes(text, *outcomes_of(model))
    assert "further outcomes follow from those that are stored" in said(more, tmp_path / "out")
    run(more, tmp_path / "out")
    assert not solved
    assert list(find_damage(tmp_path / "out")) == []
    run(more, tmp_path / "fresh")
    assert results(tmp_path / "out") == results(tmp_path / "fresh")
    with xr.open_zarr(tmp_path / "out" / "cases.zarr") as stored:
        status = stored["status"].values
        # cases that were not solved stay so, and those without a steady state are told now
        assert {0, 2, 3} <= set(np.unique(status).tolist())
        assert np.isnan(stored["auto_peep"].values[status == 2]).all()


def test_what_does_not_follow_is_solved_again_with_a_sentence_why(tmp_path, solved):
    text = HEAD + STORE + LIMITS + MAP
    run(text, tmp_path / "out")
    blocks = len(solved)
    solved.clear()
    more = with_outcomes(text, "end_release_pressure", "release_volume", "flow_ratio")
    lines = said(more, tmp_path / "out")
    assert "cases: solved anew, for it names more outcomes, which need end_release_flow" in lines
    assert "about 1,200 cases" in lines and "map_t_low_p_low: all 2 finished pieces stay" in lines
    run(more, tmp_path / "out")
    assert len(solved) == blocks
    run(more, tmp_path / "fresh")
    assert results(tmp_path / "out") == results(tmp_path / "fresh")


def test_counts_alone_hold_no_case(tmp_path, solved):
    text = HEAD + STORE.replace('"zarr"', '"none"')
    run(text, tmp_path / "out")
    blocks = len(solved)
    solved.clear()
    more = with_outcomes(text, "end_release_pressure", "release_volume", "auto_peep")
    assert "solved anew, for it names more outcomes, and no case is" in said(more, tmp_path / "out")
    run(more, tmp_path / "out")
    assert len(solved) == blocks


def test_more_outcomes_of_a_design_are_solved_with_a_sentence_why(tmp_path):
    text = HEAD.replace("p_low = [0.0, 10.0, 30.0]\n", "") + SOBOL
    run(text, tmp_path / "out")
    more = text.replace('["auto_peep"]', '["auto_peep", "flow_ratio"]')
    told = said(more, tmp_path / "out")
    # as many as in an empty folder
    cases = study_costs(parse_study(more), tmp_path / "fresh", 1)[0].cases
    assert f"solved anew, for it names more outcomes, about {cases} cases" in told


def test_a_block_whose_stored_values_are_damaged_is_solved(tmp_path, solved):
    run(HEAD + STORE, tmp_path / "out")
    (chunk,) = (tmp_path / "out" / "cases.zarr" / "end_release_pressure").glob("1.0.0.0")
    content = bytearray(chunk.read_bytes())
    content[-1] ^= 1
    chunk.write_bytes(content)
    solved.clear()
    more = with_outcomes(HEAD + STORE, "end_release_pressure", "release_volume", "auto_peep")
    run(more, tmp_path / "out")
    assert len(solved) == 1 and solved[0][0] == slice(1, 2)
    run(more, tmp_path / "fresh")
    assert results(tmp_path / "out") == results(tmp_path / "fresh")


def test_outcomes_and_lungs_added_in_turn_and_stopped_in_between(tmp_path, solved, monkeypatch):
    text, out = HEAD + STORE, tmp_path / "out"
    run(text, out)
    first = len(solved)
    solved.clear()
    more = with_outcomes(text, "end_release_pressure", "release_volume", "auto_peep")
    whole, done = Work.run, []

    def stops(self, name):
        if done:
            raise KeyboardInterrupt
        done.append(name)
        return whole(self, name)

    with monkeypatch.context() as patched:
        patched.setattr(Work, "run", stops)
        with pytest.raises(KeyboardInterrupt):
            run(more, out)
    # one of two blocks has its further column, and what the other one has is whole
    (part,) = status_of(out).parts
    assert (part.done, part.pieces) == (1, 2)
    told = list(find_damage(out))
    assert any("1 of 2 pieces of 'cases' are missing" in line for line in told)
    assert not any("cases.zarr" in line or "cases.0" in line for line in told)
    last = with_outcomes(
        text, "end_release_pressure", "release_volume", "auto_peep", "release_rate"
    ).replace("lungs = 100", "lungs = 200")
    run(last, out)
    # the further lungs alone, whichever block had which columns
    assert len(solved) == first and all(box[-1] == slice(100, 200) for box in solved)
    assert list(find_damage(out)) == []
    run(last, tmp_path / "fresh")
    assert results(out) == results(tmp_path / "fresh")
