"""Analyses, checks and comparisons in pieces: killed, gone on with, spread, and refused."""

import hashlib
import shutil
import signal
import time

import numpy as np
import pytest
import xarray as xr

from ebbmap import run as running
from ebbmap.analysis import drivers
from ebbmap.analysis.committee.difference import compare_drafts
from ebbmap.analysis.committee.verdict import count_groups, count_pieces
from ebbmap.analysis.drivers import find_drivers
from ebbmap.analysis.regions import map_pieces, map_safe_region
from ebbmap.errors import EbbmapError, NonFiniteOutcomeError, UnfinishedError
from ebbmap.pieces import listed
from ebbmap.protocol import parse_protocol
from ebbmap.run import run_check, run_difference, run_study
from ebbmap.streaming import piecework, status_of_pieces
from ebbmap.streaming.ledger import DATASET, Ledger
from ebbmap.streaming.piecework import PieceWork, ledger_of
from ebbmap.study import parse_study

#: Time to wait for something to happen on a busy machine [s].
PATIENCE = 120.0

STUDY = """
title = "pieces"
lungs = 200
populations = ["normal", "obstructive"]
[fixed]
p_high = 24.0
[axes]
t_low = [0.3, 0.5, 0.8]
compliance = [30.0, 60.0]
[outputs]
figures = []
[analyses.window]
[[analyses.map]]
x = "t_low"
y = "compliance"
[analyses.mapping]
resamples = 50
[analyses.boxes]
resamples = 10
[analyses.shapley]
base_size = 32
outcomes = ["auto_peep"]
[analyses.screening]
trajectories = 8
resamples = 100
outcomes = ["auto_peep"]
[analyses.sobol]
base_size = 32
stopping_width = 0.3
max_base_size = 128
resamples = 100
outcomes = ["auto_peep"]
"""

#: Pieces by analysis: populations, times places, times sizes of the design.
PIECES = {
    "window": 2, "map_t_low_compliance": 2, "mapping_t_low": 6, "boxes_t_low": 2,
    "shapley_t_low": 6, "screening_t_low": 6, "drivers_t_low": 2 * 3 * 3,
}  # fmt: skip

PROTOCOL = """
title = "pieces"
lungs = 256
settings_drawn = 64
wanted = 0.6
[settings]
p_high = { low = 20.0, high = 26.0 }
p_low = 0.0
t_high = 5.0
t_low = { low = 0.3, high = 0.6 }
[[groups]]
population = "normal"
[[groups]]
population = "obstructive"
[limits]
rules = ["flow_ratio"]
"""


def quiet(task):
    return lambda cases: None


def everything(text, folder, **how):
    return {task.name: result.load() for task, result, _ in
            run_study(parse_study(text), folder, progress=quiet, **how)}  # fmt: skip


def results(folder):
    """Hash of every result; pieces keep times and are left out."""
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest()
            for p in sorted(folder.iterdir()) if p.is_file()}  # fmt: skip


def entries(folder):
    """Finished pieces and when each was entered."""
    return {p.name: p.stat().st_mtime_ns for p in (folder / "pieces").glob("*.npz")}


def wait_for_pieces(folder, number, process):
    until = time.monotonic() + PATIENCE
    while len(entries(folder)) < number:
        assert process.poll() is None, process.communicate()
        assert time.monotonic() < until
        time.sleep(0.005)


@pytest.fixture(scope="module")
def undisturbed(small, tmp_path_factory):
    """Folder of a run that nothing disturbed, by the command line and one process."""
    folder = tmp_path_factory.mktemp("undisturbed")
    (folder / "study.toml").write_text(STUDY)
    code, _, complaint = small.call(
        "run", folder / "study.toml", "--out", folder / "out", "--workers", 1
    )
    assert code == 0, complaint
    return folder / "out"


@pytest.fixture
def study_file(tmp_path):
    path = tmp_path / "study.toml"
    path.write_text(STUDY)
    return path


def test_a_design_that_grows_names_its_pieces_as_it_grows(undisturbed):
    known = status_of_pieces(undisturbed)
    assert {part.name: part.done for part in known.parts} == PIECES
    assert all(part.done == part.pieces for part in known.parts)
    assert not known.running


@pytest.mark.slow
def test_killed_twice_and_gone_on_with_gives_the_same_bytes(
    small, study_file, undisturbed, tmp_path
):
    out = tmp_path / "out"
    for pieces in (5, 30):
        process = small.start("run", study_file, "--out", out, "--workers", 1)
        wait_for_pieces(out, pieces, process)
        process.kill()
        process.communicate()
        assert process.returncode == -signal.SIGKILL
    before = entries(out)
    assert 30 <= len(before) < sum(PIECES.values())
    code, _, complaint = small.call("run", study_file, "--out", out, "--workers", 1)
    assert code == 0, complaint
    after = entries(out)
    assert {name: after[name] for name in before} == before, "a finished piece was done again"
    assert len(after) == sum(PIECES.values())
    assert results(out) == results(undisturbed)


@pytest.mark.slow
def test_two_processes_give_the_same_bytes(small, study_file, undisturbed, tmp_path):
    code, _, complaint = small.call("run", study_file, "--out", tmp_path / "out", "--workers", 2)
    assert code == 0, complaint
    assert results(tmp_path / "out") == results(undisturbed)


@pytest.mark.slow
def test_a_cluster_gives_the_same_bytes(small, study_file, undisturbed, tmp_path):
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None, silence_logs=50,
    ) as cluster:  # fmt: skip
        code, _, complaint = small.call("run", study_file, "--out", tmp_path / "out",
                                        "--cluster", cluster.scheduler_address)  # fmt: skip
    assert code == 0, complaint
    assert results(tmp_path / "out") == results(undisturbed)


@pytest.mark.slow
def test_a_second_run_at_once_is_refused(small, study_file, tmp_path):
    out = tmp_path / "out"
    process = small.start("run", study_file, "--out", out, "--workers", 1)
    wait_for_pieces(out, 1, process)
    process.send_signal(signal.SIGSTOP)
    try:
        assert status_of_pieces(out).running
        code, _, complaint = small.call("run", study_file, "--out", out)
        fresh = small.call("run", study_file, "--out", out, "--fresh")
    finally:
        process.kill()
        process.communicate()
    for status, said in ((code, complaint), (fresh[0], fresh[2])):
        assert status == 2
        assert f"another run is at work in {out} (process {process.pid})" in said


@pytest.mark.slow
def test_status_shows_every_analysis(small, undisturbed):
    code, out, _ = small.call("status", undisturbed)
    assert code == 0
    assert "not at work" in out
    assert all(name in out for name in PIECES)


SMALL = STUDY[: STUDY.index("[analyses.mapping]")]


@pytest.fixture
def finished(tmp_path):
    everything(SMALL, tmp_path / "out")
    return tmp_path / "out"


@pytest.mark.parametrize(("before", "after", "told"), [
    ("lungs = 200", "lungs = 201", "study.lungs was 200, is 201"),
    ("p_high = 24.0", "p_high = 25.0", "study.fixed.p_high was 24.0, is 25.0"),
    ("[outputs]", "# a word\n[outputs]", "study_hash was"),
])  # fmt: skip
def test_a_changed_study_is_refused_with_what_changed(finished, before, after, told):
    kept = results(finished)
    with pytest.raises(EbbmapError, match="holds another run") as error:
        everything(SMALL.replace(before, after), finished)
    assert told in str(error.value)
    assert "--fresh" in str(error.value)
    assert results(finished) == kept


def test_a_changed_study_is_run_when_a_fresh_start_is_asked_for(finished, tmp_path):
    changed = SMALL.replace("lungs = 200", "lungs = 100")
    everything(changed, finished, fresh=True)
    everything(changed, tmp_path / "other")
    assert results(finished) == results(tmp_path / "other")


def test_what_is_finished_is_not_solved_again(finished, monkeypatch):
    kept = results(finished)
    monkeypatch.setattr(PieceWork, "run", lambda self, name: pytest.fail(f"{name} done again"))
    everything(SMALL, finished)
    assert results(finished) == kept


def test_a_damaged_piece_is_made_again_and_no_other(finished):
    kept, before = results(finished), entries(finished)
    (finished / "pieces" / "map_t_low_compliance.000001.npz").write_bytes(b"PK no more")
    everything(SMALL, finished)
    after = entries(finished)
    assert [name for name in before if after[name] != before[name]] == [
        "map_t_low_compliance.000001.npz"
    ]
    assert results(finished) == kept


def test_a_short_study_keeps_no_pieces_and_may_be_changed(tmp_path):
    text = SMALL[: SMALL.index("[analyses.window]")].replace("compliance = [30.0, 60.0]\n", "")
    text += '[analyses.profile]\nalong = "t_low"\noutcomes = ["auto_peep"]\n'
    everything(text, tmp_path)
    everything(text.replace("24.0", "25.0"), tmp_path)
    assert not (tmp_path / "pieces").exists()


def work_of(count, solve, folder):
    pieces = listed(count, solve, lambda found: [int(one["n"]) for one in found])
    return PieceWork({"part": pieces}, folder, lambda name: pytest.fail("one process is enough"))


def test_a_piece_that_fails_keeps_the_others(tmp_path):
    done = []

    def solve(number, progress, broken=True):
        if number == 2 and broken:
            raise NonFiniteOutcomeError("no number")
        done.append(number)
        return xr.Dataset({"n": number})

    how = dict(workers=1, cluster=None, progress=lambda cases: None)
    work = work_of(4, solve, tmp_path)
    with pytest.raises(NonFiniteOutcomeError), work.begun({"started": ""}, 1, fresh=False):
        work.finish("part", **how)
    assert done == [0, 1]
    mended = work_of(4, lambda number, progress: solve(number, progress, False), tmp_path)
    with mended.begun({"started": ""}, 1, fresh=False):
        assert mended.finish("part", **how) == [0, 1, 2, 3]
    assert done == [0, 1, 2, 3]


def test_a_disk_that_fails_is_told_and_keeps_what_is_finished(tmp_path, monkeypatch):
    enter = Ledger.enter

    def full(self, name, content):
        if len(self.finished()) == 3:
            raise OSError(28, "No space left on device")
        enter(self, name, content)

    monkeypatch.setattr(Ledger, "enter", full)
    with pytest.raises(UnfinishedError, match="the run stopped: No space left on device"):
        everything(SMALL, tmp_path)
    assert len(entries(tmp_path)) == 3
    assert not (tmp_path / "map_t_low_compliance.nc").exists()


def test_a_piece_comes_back_from_the_ledger_as_it_went_in(tmp_path):
    piece = xr.Dataset(
        {
            "number": ("x", np.array([0.1, np.nan, -0.0]), {"units": "1", "ci_level": 0.95}),
            "flag": ("x", np.array([0, 1, 2], np.int8), {"flag_values": np.arange(3, dtype="i1")}),
            "word": ((), "ä b", {"long_name": "word"}),
            "none": ("y", np.zeros(0)),
        },
        {"x": ["a", "bc", ""], "along": ("x", [1.0, 2.0, 3.0], {"long_name": "on x"})},
        {"title": "t", "base_size": 32, "stopping_width": float("nan")},
    )
    ledger = Ledger(tmp_path, DATASET)
    ledger.enter("one", piece)
    back = ledger.read("one")
    xr.testing.assert_identical(back, piece)
    assert back["flag"].dtype == np.int8
    assert back["flag"].attrs["flag_values"].dtype == np.int8
    assert ledger.read("two") is None


def test_the_size_of_a_piece_changes_no_number_of_a_map():
    study = parse_study(STUDY.replace("[30.0, 60.0]", "[30.0, 40.0, 50.0, 60.0, 70.0]"))
    whole = map_safe_region(study.question, study.axes, x="t_low", y="compliance")
    for piece in (1, 1300):
        cut = map_pieces(study.question, study.axes, x="t_low", y="compliance", piece=piece)
        assert len(cut.wanted({})) == {1: 10, 1300: 6}[piece]
        xr.testing.assert_equal(cut.whole(), whole)


@pytest.mark.parametrize("rule", ["", "t_low = { rule = 'flow_ratio', ratio = 0.6, error = 0.1 }"])
def test_the_size_of_a_piece_changes_no_count_of_a_check(rule):
    text = PROTOCOL.replace("t_low = { low = 0.3, high = 0.6 }", rule) if rule else PROTOCOL
    protocol = parse_protocol(text)
    whole = count_groups(protocol)
    cut = count_pieces(protocol, piece=64 * 50)
    assert len(cut.wanted({})) == 2 * 6
    for one, same in zip(cut.whole(), whole, strict=True):
        for side in ("inside", "corner"):
            for name, array in vars(getattr(one, side)).items():
                np.testing.assert_array_equal(array, getattr(getattr(same, side), name))


def test_a_place_has_the_same_indices_beside_whatever_others(monkeypatch):
    question = parse_study(STUDY).question
    asked = dict(along="t_low", base_size=32, resamples=100, outcomes=("auto_peep",))
    both = find_drivers(question, grid=np.array([0.3, 0.8]), **asked)
    one = find_drivers(question, grid=np.array([0.8]), **asked)
    for name in ("first", "total", "total_interval", "pawn"):
        np.testing.assert_array_equal(one[name], both[name].sel(t_low=[0.8]))


def test_growing_designs_solve_new_rows_only_after_a_stop(tmp_path, monkeypatch):
    text = STUDY[: STUDY.index("[analyses.window]")].replace("compliance = [30.0, 60.0]\n", "")
    text += STUDY[STUDY.index("[analyses.sobol]") :]
    solved, places = [], drivers.solve_places

    def watched(question, values, **options):
        solved.append(next(iter(values.values())).size)
        if len(solved) == 9:
            raise KeyboardInterrupt
        return places(question, values, **options)

    monkeypatch.setattr(drivers, "solve_places", watched)
    with pytest.raises(KeyboardInterrupt):
        everything(text, tmp_path / "out")
    found = everything(text, tmp_path / "out")["drivers_t_low"]
    once = everything(text, tmp_path / "once")["drivers_t_low"]
    xr.testing.assert_identical(found, once)
    assert len(solved) == 1 + 2 * PIECES["drivers_t_low"]
    block = solved[0] // 32
    assert solved[:9] == [32 * block] * 9


@pytest.fixture(scope="module")
def drafts():
    old = parse_protocol(PROTOCOL)
    return old, parse_protocol(PROTOCOL.replace("high = 26.0", "high = 28.0"))


@pytest.mark.slow
def test_a_check_goes_on_where_it_was_and_gives_the_same(small, tmp_path):
    file = tmp_path / "draft.toml"
    file.write_text(PROTOCOL)
    whole, out = tmp_path / "whole", tmp_path / "out"
    words = ("check", file, "--date", "2026-01-02", "--out")
    assert small.call(*words, whole, "--workers", 1)[0] in (0, 1)
    process = small.start(*words, out, "--workers", 1)
    wait_for_pieces(out, 6, process)
    process.kill()
    process.communicate()
    before = entries(out)
    assert len(before) < len(entries(whole))
    code, _, complaint = small.call(*words, out, "--workers", 2)
    assert code in (0, 1), complaint
    assert {name: entries(out)[name] for name in before} == before
    assert results(out) == results(whole)
    code, said, _ = small.call("status", out)
    assert code == 0
    assert "verdict" in said


def test_a_changed_draft_is_refused(drafts, tmp_path):
    run_check(drafts[0], tmp_path, date="2026-01-02", progress=quiet)
    with pytest.raises(EbbmapError, match=r"protocol\.settings\.p_high\.high was 26\.0, is 28\.0"):
        run_check(drafts[1], tmp_path, date="2026-01-02", progress=quiet)
    with pytest.raises(EbbmapError, match="holds another run"):
        everything(SMALL, tmp_path)


def test_a_comparison_is_kept_too(drafts, tmp_path, monkeypatch):
    found = run_difference(*drafts, tmp_path, progress=quiet)
    xr.testing.assert_identical(found, compare_drafts(*drafts))
    monkeypatch.setattr(PieceWork, "run", lambda self, name: pytest.fail(f"{name} done again"))
    xr.testing.assert_identical(run_difference(*drafts, tmp_path, progress=quiet), found)


def test_work_that_takes_no_two_seconds_starts_no_processes(tmp_path, monkeypatch):
    monkeypatch.setattr(piecework.PieceWork, "alone", PATIENCE)
    monkeypatch.setattr(running, "run_study_piece", lambda *words: pytest.fail("sent away"))
    everything(SMALL, tmp_path, workers=2)
    assert entries(tmp_path)
    shutil.rmtree(tmp_path / "pieces")
    assert ledger_of(tmp_path).plan is None
