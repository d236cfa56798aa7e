"""Adding to a finished run: only what is new is solved, and the results are those of one run."""

import shutil

import pytest

from ebbmap.errors import EbbmapError
from ebbmap.files import writing
from ebbmap.files.study import parse_study
from ebbmap.runs.chunks import study_plan
from ebbmap.runs.enlarging import kept_pieces
from ebbmap.runs.plan import read_plan
from ebbmap.runs.status import find_damage
from ebbmap.runs.work import Work
from kept_runs import contents, run

HEAD = """
title = "small"
lung = "linear"
lungs = 64
populations = ["normal"]
[fixed]
p_high = 24.0
[axes]
t_low = [0.3, 0.8]
[outputs]
figures = []
"""
SOBOL = """
[analyses.sobol]
base_size = 16
replicates = 2
resamples = 100
second_order = false
pawn = false
outcomes = ["auto_peep"]
"""
SMALL = HEAD + SOBOL


def results(folder):
    """Bytes of every result: pieces may hold the same rows, cut at other places."""
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}


@pytest.fixture(scope="module")
def small_once(tmp_path_factory):
    folder = tmp_path_factory.mktemp("small") / "out"
    run(SMALL, folder)
    return folder


@pytest.fixture
def small(small_once, tmp_path):
    """Folder of a finished run of the small study."""
    return shutil.copytree(small_once, tmp_path / "out")


@pytest.fixture
def solved(monkeypatch):
    """Names and cases of the pieces that are done."""
    done, whole = {}, Work.run

    def record(self, name):
        done[name] = whole(self, name)
        return done[name]

    monkeypatch.setattr(Work, "run", record)
    return done


POPULATION = ('["normal"]', '["normal", "obstructive"]')


@pytest.mark.parametrize(
    ("changes", "new"),
    [
        pytest.param(
            [("size = 16", "size = 64"), ("small", "words"), ("[axes", "# why\n[axes")],
            {"drivers_t_low": 48 * 2},
            id="larger design",
        ),
        pytest.param(
            [("size = 16", "size = 16\nstopping_width = 1e-9\nmax_base_size = 32")],
            {"drivers_t_low": 16 * 2},
            id="design that grows",
        ),
        pytest.param([POPULATION], {"drivers_t_low": 16 * 2}, id="population"),
        pytest.param(
            [("[outputs]", "compliance = [30.0, 60.0]\n[outputs]")],
            {"map_t_low_compliance": None},
            id="analysis",
        ),
        pytest.param(
            [('["auto_peep"]', '["auto_peep", "flow_ratio"]')],
            {"drivers_t_low": None},
            id="outcome",
        ),
    ],
)
def test_only_what_is_new_is_solved_and_results_are_those_of_one_run(
    small, tmp_path, solved, changes, new
):
    larger = SMALL
    for before, after in changes:
        larger = larger.replace(before, after, 1)
    if "compliance" in larger:
        larger += '[[analyses.map]]\nx = "t_low"\ny = "compliance"\n'
    run(larger, small)
    assert {name.partition(".")[0] for name in solved} == set(new)
    assert list(find_damage(small)) == []
    for part, rows in new.items():
        if rows is not None:
            # a row of the design, its twin, and one for each of four factors
            assert sum(n for name, n in solved.items() if part in name) == rows * (4 + 2)
    solved.clear()
    run(larger, small)
    assert not solved
    run(larger, tmp_path / "fresh")
    assert results(small) == results(tmp_path / "fresh")


WINDOW = "[analyses.window]\n"
OTHERS = f"""
{WINDOW}
[[analyses.map]]
x = "t_low"
y = "resistance_exp"
[analyses.given]
outcomes = ["auto_peep"]
at = [0.5]
[analyses.boxes]
resamples = 10
[analyses.foretell]
ways = {{flow_ratio = [0.5]}}
resamples = 50
[analyses.edge]
points = 100
tolerance = 0.1
[analyses.shapley]
base_size = 32
outcomes = ["auto_peep"]
at = [0.5]
"""


@pytest.mark.slow
def test_a_further_population_leaves_the_pieces_of_the_others(tmp_path, solved):
    text = HEAD.replace("lungs = 64", "lungs = 128") + OTHERS
    text = text.replace("[outputs]", "resistance_exp = [8.0, 14.0]\n[outputs]")
    run(text, tmp_path / "out")
    first = set(solved)
    solved.clear()
    run(text.replace(*POPULATION), tmp_path / "out")
    assert len(solved) == len(first) and not first & set(solved)
    run(text.replace(*POPULATION), tmp_path / "fresh")
    assert results(tmp_path / "out") == results(tmp_path / "fresh")


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        ("p_high = 24.0", "p_high = 25.0", "fixed.p_high was 24.0, is 25.0"),
        ("base_size = 16", "base_size = 16\nlevel = 0.9", "sobol.level was 0.95, is 0.9"),
        ('["normal"]', '["obstructive", "normal"]', "study.populations"),
        ("[0.3, 0.8]", "[0.3, 0.8, 1.2]", "axes.t_low.values"),
        ('["auto_peep"]', '["flow_ratio"]', "sobol.outcomes"),
    ],
)
def test_every_other_change_is_refused(small, before, after, told):
    kept = contents(small)
    with pytest.raises(EbbmapError, match="holds another run") as error:
        run(SMALL.replace(before, after), small)
    assert told in str(error.value) and "--fresh" in str(error.value)
    assert contents(small) == kept


def test_a_smaller_study_is_refused_where_a_larger_one_was_run(tmp_path):
    larger = SMALL.replace("base_size = 16", "base_size = 32") + WINDOW
    tried = [SMALL + WINDOW, larger.replace(WINDOW, "")]
    now = study_plan(parse_study(larger))
    for smaller in map(parse_study, tried):
        compare = kept_pieces(smaller)
        assert compare(now, study_plan(smaller)) == ""
        assert callable(compare(study_plan(smaller), study_plan(smaller)))


def test_a_run_that_is_killed_while_it_takes_pieces_in_does_it_again(
    small, tmp_path, monkeypatch, solved
):
    larger, out = SMALL.replace(*POPULATION), small
    before = read_plan(out / "pieces" / "plan.json")[0]
    put, sealed = writing.put_in_place, []

    def dies(writers, **how):
        if any(path.name.startswith("drivers") for path in writers):
            if sealed:
                raise KeyboardInterrupt
            sealed.extend(writers)
        put(writers, **how)

    with monkeypatch.context() as patched:
        patched.setattr("ebbmap.runs.ledger.put_in_place", dies)
        with pytest.raises(KeyboardInterrupt):
            run(larger, out)
    assert sealed and read_plan(out / "pieces" / "plan.json")[0] == before
    run(larger, out)
    assert {name.split(".")[1] for name in solved} == {"0001"}
    run(larger, tmp_path / "fresh")
    assert results(out) == results(tmp_path / "fresh")


def test_rows_of_a_damaged_smaller_design_are_solved_again(small, tmp_path, solved):
    (piece,) = (small / "pieces").glob("drivers_t_low.0000.000001.*.piece")
    piece.write_bytes(piece.read_bytes()[:-1] + b"x")
    larger = SMALL.replace("base_size = 16", "base_size = 32")
    run(larger, small)
    assert sorted(solved.values()) == [16 * (4 + 2), 32 * (4 + 2)]
    run(larger, tmp_path / "fresh")
    assert results(small) == results(tmp_path / "fresh")
