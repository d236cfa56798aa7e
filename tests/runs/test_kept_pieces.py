"""Analyses, checks and comparisons in pieces: killed, gone on with, spread, and refused."""

import dataclasses
import os
import shutil
import signal

import numpy as np
import pytest
import xarray as xr

import kept_runs
from clusters import two_workers
from ebbmap.analyses.common import places
from ebbmap.analyses.map import Map, find_map, map_pieces
from ebbmap.analyses.sobol import Sobol, find_sobol
from ebbmap.cases.pieces import listed
from ebbmap.committee.counting import count_groups, count_pieces
from ebbmap.committee.difference import compare_drafts
from ebbmap.errors import EbbmapError, NonFiniteOutcomeError
from ebbmap.files.protocol import parse_protocol
from ebbmap.files.study import parse_study
from ebbmap.runs import Ledger, sources, status_of
from ebbmap.runs.entries import pack_dataset, unpack_dataset
from ebbmap.runs.run import run_check, run_difference, run_study
from ebbmap.runs.work import Solved, Work
from kept_runs import command, contents, entries, on_step, quiet

# whole runs are stopped and resumed
pytestmark = pytest.mark.slow

STUDY = """
title = "pieces"
lung = "linear"
lungs = 100
populations = ["normal", "obstructive"]
[fixed]
p_high = 24.0
[axes]
t_low = [0.3, 0.8]
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
stopping_width = 1e-9
max_base_size = 64
resamples = 100
outcomes = ["auto_peep"]
"""

#: Pieces by analysis: populations, times places, times sizes of the design.
PIECES = {
    "window": 2,
    "map_t_low_compliance": 2,
    "mapping_t_low": 4,
    "boxes_t_low": 2,
    "shapley_t_low": 4,
    "screening_t_low": 4,
    "drivers_t_low": 2 * 2 * 2,
}

#: The small check of all such tests, at more settings.
PROTOCOL = kept_runs.CHECK.replace("settings_drawn = 16", "settings_drawn = 64")


def everything(text, folder, **how):
    return {
        task.name: result.load()
        for task, result, _ in run_study(parse_study(text), folder, progress=quiet, **how)
    }


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory):
    """Folder of a run that nothing disturbed."""
    folder = tmp_path_factory.mktemp("undisturbed") / "out"
    everything(STUDY, folder)
    return folder


@pytest.fixture
def study_file(tmp_path):
    path = tmp_path / "study.toml"
    path.write_text(STUDY)
    return path


def test_a_design_that_grows_names_its_pieces_as_it_grows(undisturbed):
    known = status_of(undisturbed)
    assert {part.name: part.done for part in known.parts} == PIECES
    assert all(part.done == part.pieces for part in known.parts)
    assert not known.running


@pytest.mark.slow
def test_killed_twice_and_gone_on_with_gives_the_same_bytes(fork, undisturbed, tmp_path):
    out = tmp_path / "out"
    for pieces in (5, 10):

        def killed(pieces=pieces):
            on_step(
                lambda: os.kill(os.getpid(), signal.SIGKILL),
                after=pieces,
                step="before rename",
                path=lambda path: path.suffix == ".piece",
            )
            everything(STUDY, out)

        assert fork(killed).wait() == -signal.SIGKILL
    before = entries(out)
    assert len(before) == 15
    everything(STUDY, out)
    after = entries(out)
    assert {name: after[name] for name in before} == before, "a finished piece was done again"
    assert len(after) == sum(PIECES.values())
    assert contents(out) == contents(undisturbed)


@pytest.mark.slow
def test_two_processes_give_the_same_bytes(study_file, undisturbed, tmp_path):
    """Through the command line, in a process that has two more."""
    code, _, complaint = kept_runs.call(
        "run", study_file, "--out", tmp_path / "out", "--workers", 2
    )
    assert code == 0, complaint
    assert contents(tmp_path / "out") == contents(undisturbed)


@pytest.mark.slow
def test_a_cluster_gives_the_same_bytes(undisturbed, tmp_path):
    with two_workers() as cluster:
        everything(STUDY, tmp_path / "out", cluster=cluster.scheduler_address)
    assert contents(tmp_path / "out") == contents(undisturbed)


def test_status_shows_every_analysis(fork, undisturbed):
    process = fork(lambda: command("status", undisturbed))
    assert process.wait() == 0
    assert "not running" in process.said
    assert all(name in process.said for name in PIECES)


SMALL = STUDY[: STUDY.index("[analyses.mapping]")]


@pytest.fixture(scope="module")
def finished_once(tmp_path_factory):
    folder = tmp_path_factory.mktemp("finished") / "out"
    everything(SMALL, folder)
    return folder


@pytest.fixture
def finished(finished_once, tmp_path):
    return shutil.copytree(finished_once, tmp_path / "out")


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        ("lungs = 100", "lungs = 101", "study.lungs was 100, is 101"),
        ("p_high = 24.0", "p_high = 25.0", "study.fixed.p_high was 24.0, is 25.0"),
        ("compliance = [30.0, 60.0]", "compliance = [30.0, 61.0]", "axes.compliance.values was"),
    ],
)
def test_a_changed_study_is_refused_with_what_changed(finished, before, after, told):
    kept = contents(finished)
    with pytest.raises(EbbmapError, match="holds another run") as error:
        everything(SMALL.replace(before, after), finished)
    assert told in str(error.value)
    assert "--fresh" in str(error.value)
    assert contents(finished) == kept


def test_a_changed_study_is_run_when_a_fresh_start_is_asked_for(finished, tmp_path):
    changed = SMALL.replace("lungs = 100", "lungs = 50")
    everything(changed, finished, fresh=True)
    everything(changed, tmp_path / "other")
    assert contents(finished) == contents(tmp_path / "other")


def test_what_is_finished_is_not_solved_again(finished, monkeypatch):
    kept = contents(finished)
    monkeypatch.setattr(Work, "run", lambda self, name: pytest.fail(f"{name} done again"))
    everything(SMALL, finished)
    assert contents(finished) == kept


def test_a_short_study_keeps_no_pieces_and_may_be_changed(tmp_path):
    text = SMALL[: SMALL.index("[analyses.window]")].replace("compliance = [30.0, 60.0]\n", "")
    text += '[analyses.profile]\nalong = "t_low"\noutcomes = ["auto_peep"]\n'
    everything(text, tmp_path)
    everything(text.replace("24.0", "25.0"), tmp_path)
    assert not (tmp_path / "pieces").exists()


def work_of(count, solve, folder):
    pieces = listed(count, solve, lambda found: [int(one["n"]) for one in found])
    parts = {"part": Solved("part", pieces)}
    return Work(parts, Ledger(folder, {}), lambda *_: pytest.fail("sent away"))


def test_a_piece_that_fails_keeps_the_others(tmp_path):
    done = []

    def solve(number, progress, broken=True):
        if number == 2 and broken:
            raise NonFiniteOutcomeError("no number")
        done.append(number)
        return xr.Dataset({"n": number})

    how = dict(workers=1, cluster=None, progress=lambda cases: None)
    work = work_of(4, solve, tmp_path)
    with pytest.raises(NonFiniteOutcomeError), work.ledger.begun(1):
        work.finish("part", **how)
    assert done == [0, 1]
    mended = work_of(4, lambda number, progress: solve(number, progress, False), tmp_path)
    with mended.ledger.begun(1):
        assert mended.finish("part", **how) == [0, 1, 2, 3]
    assert done == [0, 1, 2, 3]


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
    ledger = Ledger(tmp_path, {})
    labels, arrays = pack_dataset(piece)
    with ledger.begun(1):
        ledger.enter("one", arrays, labels=labels)
    back = unpack_dataset(ledger.read("one"))
    xr.testing.assert_identical(back, piece)
    assert back["flag"].dtype == np.int8
    assert back["flag"].attrs["flag_values"].dtype == np.int8
    assert ledger.read("two") is None


def test_the_size_of_a_piece_changes_no_number_of_a_map():
    text = STUDY.replace("[30.0, 60.0]", "[30.0, 40.0, 50.0, 60.0, 70.0]")
    study = parse_study(text.replace("[0.3, 0.8]", "[0.3, 0.5, 0.8]").replace("= 100", "= 200", 1))
    options = Map(x="t_low", y="compliance")
    whole = find_map(study.question, options, axes=study.axes)
    for piece in (1, 1300):
        cut = map_pieces(study.question, options, study.axes, piece=piece)
        assert len(cut.wanted({})) == {1: 10, 1300: 6}[piece]
        xr.testing.assert_equal(cut.whole(), whole)


def flat(counts):
    """Return the arrays of a dataclass by name, those of dataclasses within it too."""
    found = {}
    for name, value in vars(counts).items():
        inner = flat(value) if dataclasses.is_dataclass(value) else {"": value}
        found |= {f"{name}.{key}": array for key, array in inner.items()}
    return found


@pytest.mark.parametrize("rule", ["", "t_low = { rule = 'flow_ratio', ratio = 0.6, error = 0.1 }"])
def test_the_size_of_a_piece_changes_no_count_of_a_check(rule):
    text = PROTOCOL.replace("t_low = { low = 0.3, high = 0.6 }", rule) if rule else PROTOCOL
    protocol = parse_protocol(text)
    whole = count_groups(protocol)
    cut = count_pieces(protocol, piece=64 * 12)
    assert len(cut.wanted({})) == 2 * 6
    for one, same in zip(cut.whole(), whole, strict=True):
        for side in ("inside", "corner"):
            counts, others = flat(getattr(one, side)), flat(getattr(same, side))
            assert counts.keys() == others.keys()
            for name, array in counts.items():
                np.testing.assert_array_equal(array, others[name], err_msg=name)


def test_a_place_has_the_same_indices_beside_whatever_others(monkeypatch):
    question = parse_study(STUDY).question
    asked = dict(along="t_low", base_size=32, resamples=100, outcomes=("auto_peep",))
    both = find_sobol(question, Sobol(**asked), axes={"t_low": np.array([0.3, 0.8])})
    one = find_sobol(question, Sobol(**asked), axes={"t_low": np.array([0.8])})
    for name in ("first", "total", "total_interval", "pawn"):
        np.testing.assert_array_equal(one[name], both[name].sel(t_low=[0.8]))


def test_growing_designs_solve_new_rows_only_after_a_stop(tmp_path, monkeypatch):
    text = STUDY[: STUDY.index("[analyses.window]")].replace("compliance = [30.0, 60.0]\n", "")
    text += STUDY[STUDY.index("[analyses.sobol]") :]
    solved, solve_places = [], places.solve_places

    def watched(question, values, **options):
        solved.append(next(iter(values.values())).size)
        if len(solved) == 5:
            raise KeyboardInterrupt
        return solve_places(question, values, **options)

    monkeypatch.setattr(places, "solve_places", watched)
    with pytest.raises(KeyboardInterrupt):
        everything(text, tmp_path / "out")
    found = everything(text, tmp_path / "out")["drivers_t_low"]
    once = everything(text, tmp_path / "once")["drivers_t_low"]
    xr.testing.assert_identical(found, once)
    assert len(solved) == 1 + 2 * PIECES["drivers_t_low"]
    block = solved[0] // 32
    assert solved[:5] == [32 * block] * 5


@pytest.fixture(scope="module")
def drafts():
    old = parse_protocol(PROTOCOL)
    return old, parse_protocol(PROTOCOL.replace("high = 26.0", "high = 28.0"))


@pytest.mark.slow
def test_a_check_goes_on_where_it_was_and_gives_the_same(fork, tmp_path):
    whole, out = tmp_path / "whole", tmp_path / "out"
    protocol = parse_protocol(PROTOCOL)

    def check(folder):
        return run_check(protocol, folder, date="2026-01-02", progress=quiet)

    def killed():
        on_step(
            lambda: os.kill(os.getpid(), signal.SIGKILL),
            after=6,
            step="before rename",
            path=lambda path: path.suffix == ".piece",
        )
        check(out)

    found = check(whole)
    assert fork(killed).wait() == -signal.SIGKILL
    before = entries(out)
    assert len(before) == 6 < len(entries(whole))
    again = check(out)
    assert {name: entries(out)[name] for name in before} == before
    assert contents(out) == contents(whole)
    for name, result in found.results.items():
        xr.testing.assert_identical(again.results[name], result)


def test_a_changed_draft_is_refused(drafts, tmp_path):
    kept_runs.perform("check", tmp_path, PROTOCOL)
    with pytest.raises(EbbmapError, match=r"protocol\.settings\.p_high\.high was 26\.0, is 28\.0"):
        run_check(drafts[1], tmp_path, date="2026-01-02", progress=quiet)
    with pytest.raises(EbbmapError, match="holds another run"):
        everything(SMALL, tmp_path)


def test_a_comparison_is_kept_too(drafts, tmp_path, monkeypatch):
    found = run_difference(*drafts, tmp_path, progress=quiet)
    xr.testing.assert_identical(found, compare_drafts(*drafts))
    monkeypatch.setattr(Work, "run", lambda self, name: pytest.fail(f"{name} done again"))
    xr.testing.assert_identical(run_difference(*drafts, tmp_path, progress=quiet), found)


def test_work_that_takes_no_two_seconds_starts_no_processes(tmp_path, monkeypatch):
    monkeypatch.setattr(Solved, "alone", float("inf"))
    monkeypatch.setattr(sources, "run_piece", lambda *words: pytest.fail("sent away"))
    everything(SMALL, tmp_path, workers=2)
    assert entries(tmp_path)
