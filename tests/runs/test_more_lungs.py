"""More lungs in a finished run: the first ones stay, and the results are those of one run."""

import pytest

from ebbmap.errors import EbbmapError
from ebbmap.files.study import parse_study
from ebbmap.runs.costs import study_costs
from ebbmap.runs.status import find_damage
from ebbmap.runs.work import Work
from ebbmap.tables.runs import kept_lines
from kept_runs import results, run

AXES = """
[axes]
t_low = [0.3, 0.8]
compliance = [30.0, 60.0]"""
HEAD = f"""
title = "small"
lung = "tube"
lungs = 200
lungs_may_grow = true
populations = ["normal", "obstructive"]
[fixed]
p_high = 24.0{AXES}
[limits]
sets = ["harm"]
[outputs]
figures = []
"""
MAP = '[[analyses.map]]\nx = "t_low"\ny = "compliance"\nover_limits = 0.1\n'
MAPPING = '[analyses.mapping]\nalong = "t_low"\nresamples = 50\n'
SOBOL = """[analyses.sobol]
along = "t_low"
base_size = 16
replicates = 2
resamples = 100
second_order = false
pawn = false
outcomes = ["auto_peep"]
"""
STORE = """[analyses.sweep]
outcomes = ["auto_peep"]
store = "zarr"
block = 1000
reductions = ["safe_share", "extremes", "quantiles"]
"""
COUNTS = '[analyses.sweep]\nstore = "none"\nreductions = ["safe_share"]\nreduce_to = ["t_low"]\n'

#: Each kind of work, and the pieces of its first 200 lungs and of the 200 behind.
KINDS = {
    "map": (MAP, "map_t_low_compliance.{0:06d}.{1:06d}"),
    "window": ("[analyses.window]\n", "window.{0:06d}.{1:06d}"),
    "store": (STORE, None),
    "counts": (COUNTS, None),
}


def larger(text, lungs=400):
    return text.replace("lungs = 200", f"lungs = {lungs}")


@pytest.mark.parametrize("kind", KINDS)
def test_only_further_lungs_are_solved_and_results_are_those_of_one_run(kind, tmp_path, solved):
    head = HEAD.replace(AXES, "") if kind == "window" else HEAD
    text, name = head + KINDS[kind][0], KINDS[kind][1]
    run(text, tmp_path / "out")
    first = set(solved)
    solved.clear()
    run(larger(text), tmp_path / "out")
    # as many as before, for as many lungs, and none of them twice
    assert len(solved) == len(first) and not first & set(solved)
    if name:
        assert set(solved) == {name.format(group, batch) for group in (0, 1) for batch in (2, 3)}
    assert list(find_damage(tmp_path / "out")) == []
    solved.clear()
    run(larger(text), tmp_path / "fresh")
    assert len(solved) == 2 * len(first)
    assert results(tmp_path / "out") == results(tmp_path / "fresh")


def test_a_run_enlarged_twice_and_stopped_in_between(tmp_path, solved, monkeypatch):
    text, out = HEAD + MAP + STORE, tmp_path / "out"
    run(text, out)
    solved.clear()
    whole = Work.run

    def stops(self, name):
        if len(solved) == 3:
            raise KeyboardInterrupt
        return whole(self, name)

    with monkeypatch.context() as patched:
        patched.setattr(Work, "run", stops)
        with pytest.raises(KeyboardInterrupt):
            run(larger(text), out)
    run(larger(text, 600), out)
    # 400 lungs of two populations were missing, by hundreds, in a map and in a store
    assert len(solved) == len(set(solved)) == 2 * 4 * 2
    run(larger(text, 600), tmp_path / "fresh")
    assert results(out) == results(tmp_path / "fresh")


def test_two_workers_take_further_lungs_too(tmp_path):
    text = HEAD + STORE
    run(text, tmp_path / "out")
    run(larger(text), tmp_path / "out", workers=2)
    run(larger(text), tmp_path / "fresh")
    assert results(tmp_path / "out") == results(tmp_path / "fresh")


def test_lungs_of_a_design_are_no_drawn_lungs_so_all_of_it_stays(tmp_path, solved):
    text = HEAD.replace("lungs_may_grow = true\n", "").replace("\ncompliance = [30.0, 60.0]", "")
    text += SOBOL + MAPPING
    run(text, tmp_path / "out")
    first = set(solved)
    costs = study_costs(parse_study(larger(text)), tmp_path / "out", 1)
    told = list(kept_lines(costs))
    assert "drivers_t_low: all 4 finished pieces stay" in told
    assert any("mapping_t_low: solved anew, for without lungs_may_grow" in line for line in told)
    solved.clear()
    run(larger(text), tmp_path / "out")
    assert set(solved) == {name for name in first if name.startswith("mapping")}
    run(larger(text), tmp_path / "fresh")
    assert results(tmp_path / "out") == results(tmp_path / "fresh")


def test_outer_draws_of_knowledge_are_solved_anew(tmp_path, solved):
    text = HEAD.replace("lungs = 200\n", "lungs = 200\nknowledge = 5\n")
    text = text.replace('"tube"', '"linear"').replace('["normal", "obstructive"]', '["normal"]')
    text += f"{MAP}level = 0.5\n"
    run(text, tmp_path / "out")
    solved.clear()
    run(larger(text), tmp_path / "out")
    parts = [name.split(".")[1] for name in solved]
    assert (parts.count("lungs"), parts.count("knowledge")) == (2, 5)
    run(larger(text), tmp_path / "fresh")
    assert results(tmp_path / "out") == results(tmp_path / "fresh")


def test_before_a_run_it_is_said_what_stays_and_what_is_new(tmp_path):
    text = HEAD + MAP + STORE + MAPPING
    assert list(kept_lines(study_costs(parse_study(text), tmp_path / "out", 1))) == []
    run(text, tmp_path / "out")
    finished = study_costs(parse_study(text), tmp_path / "out", 1)
    assert sum(cost.cases for cost in finished) == 0
    assert {(cost.name, cost.kept, cost.new) for cost in finished} == {
        ("map_t_low_compliance", 4, 0),
        ("cases", 4, 0),
        ("mapping_t_low", 4, 0),
    }
    more = larger(text).replace("[analyses.sweep]", "[analyses.window]\n[analyses.sweep]")
    costs = {cost.name: cost for cost in study_costs(parse_study(more), tmp_path / "out", 1)}
    # 200 further lungs of two populations in four cells, and 400 of each where nothing stays
    assert costs["map_t_low_compliance"].cases == costs["cases"].cases == 200 * 2 * 4
    assert costs["mapping_t_low"].cases == 400 * 2 * 2
    lines = "\n".join(kept_lines(list(costs.values())))
    assert "map_t_low_compliance: 4 finished pieces stay; 4 are new, about 1,600 cases" in lines
    assert "mapping_t_low: solved anew, for what it finds rests on all lungs together" in lines
    assert "window: new, about" in lines
    fresh = study_costs(parse_study(more), tmp_path / "out", 1, fresh=True)
    assert list(kept_lines(fresh)) == []


def test_more_lungs_that_are_other_lungs_are_refused_with_the_remedy(tmp_path):
    text = HEAD.replace("lungs_may_grow = true\n", "") + MAP
    run(text, tmp_path / "out")
    kept = results(tmp_path / "out")
    with pytest.raises(EbbmapError, match=r"study\.lungs was 200, is 400.*lungs_may_grow = true"):
        run(larger(text), tmp_path / "out")
    with pytest.raises(EbbmapError, match=r"study\.lungs_may_grow was false, is true"):
        run(text.replace("lungs = 200", "lungs = 200\nlungs_may_grow = true"), tmp_path / "out")
    assert results(tmp_path / "out") == kept


def test_fewer_lungs_are_refused(tmp_path):
    run(larger(HEAD) + MAP, tmp_path / "out")
    with pytest.raises(EbbmapError, match=r"study\.lungs was 400, is 200"):
        run(HEAD + MAP, tmp_path / "out")


def test_lungs_that_may_grow_come_by_hundreds():
    with pytest.raises(EbbmapError, match=r"multiple of 100 .* got 250. Take 300"):
        parse_study(larger(HEAD, 250) + MAP)
