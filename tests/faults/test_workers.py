"""Workers: they end with their run, however it ends, and write for no other."""

import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import psutil
import pytest

import kept_runs
from ebbmap.errors import UnfinishedError
from ebbmap.files import writing as files
from ebbmap.files.study import parse_study
from ebbmap.runs import Ledger, engine, study_ledger
from ebbmap.runs.sources import run_piece
from kept_runs import contents, entries, started

INJECTED = Path(__file__).parent / "injected"


@pytest.fixture
def study_file(tmp_path):
    path = tmp_path / "study.toml"
    path.write_text(kept_runs.STORE, encoding="utf-8")
    return path


def numbers(tmp_path, count):
    """Process numbers of so many workers, read when each of them is there."""
    found = []
    while len(found) < count:
        with open(tmp_path / "fifo") as told:
            found += [int(line) for line in told]
    return found


def alive(number):
    """Whether a process can still do anything; an orphan may wait a while to be reaped."""
    try:
        return psutil.Process(number).status() != psutil.STATUS_ZOMBIE
    except psutil.NoSuchProcess:
        return False


@pytest.mark.slow
@pytest.mark.parametrize(
    ("number", "status", "sentence"),
    [
        (signal.SIGKILL, -signal.SIGKILL, ""),
        (signal.SIGTERM, 143, "ended by SIGTERM; what is finished is kept"),
        (signal.SIGINT, 130, "interrupted; what is finished is kept"),
    ],
)
def test_workers_end_with_their_run_and_the_next_one_is_alone(
    number, status, sentence, study_file, tmp_path
):
    """Workers stand still before the rename, where what they hold would hurt the next run most."""
    out = tmp_path / "out"
    os.mkfifo(tmp_path / "fifo")
    faulty = {"FAULT_STEP": "after write", "FAULT_FIFO": str(tmp_path / "fifo")}
    with started("run", study_file, "--out", out, "--workers", 2, env=faulty) as process:
        workers = numbers(tmp_path, 2)
        process.send_signal(number)
        # reading ends when nobody holds the other end: neither the run nor anything it started
        _, complaint = process.communicate()
    assert process.returncode == status, complaint
    assert sentence in complaint
    assert "Traceback" not in complaint
    assert not any(map(alive, workers))
    assert entries(out) == {}
    kept_runs.perform("store", out, kept_runs.other("store"), fresh=True)
    kept_runs.perform("store", tmp_path / "clean", kept_runs.other("store"))
    assert contents(out) == contents(tmp_path / "clean")


@pytest.mark.slow
@pytest.mark.parametrize("step", ["before rename", "after rename"])
def test_a_killed_worker_costs_its_block_only(step, study_file, undisturbed, tmp_path):
    faulty = {"FAULT_STEP": step, "FAULT_ONCE": str(tmp_path / "once")}
    code, _, complaint = kept_runs.call(
        "run", study_file, "--out", tmp_path / "out", "--workers", 2, env=faulty
    )
    assert code == 0, complaint
    assert (tmp_path / "once").exists()
    assert contents(tmp_path / "out") == contents(undisturbed("store"))


def taken_over(kind, folder, by):
    """A run that is begun and, before it has done anything, taken over by another."""
    study = parse_study(kept_runs.KINDS[kind][0])
    first = study_ledger(study, folder)
    with first.begun(2):
        pass
    kept_runs.perform(kind, folder, by, fresh=True)
    return study, first


@pytest.mark.parametrize("kind", ["store", "counts", "sobol"])
@pytest.mark.parametrize("same", [True, False])
def test_a_worker_of_an_earlier_run_adds_nothing_to_the_next(kind, same, tmp_path):
    by = kept_runs.KINDS[kind][0] if same else kept_runs.other(kind)
    study, first = taken_over(kind, tmp_path / "out", by)
    before, when = contents(tmp_path / "out"), entries(tmp_path / "out")
    name = sorted(when)[1]
    with pytest.raises(UnfinishedError, match="belongs to another run by now"):
        run_piece("study", study.text, str(tmp_path / "out"), first.run, name)
    assert contents(tmp_path / "out") == before
    assert entries(tmp_path / "out") == when
    assert not list((tmp_path / "out" / "pieces" / "parts").iterdir())


def test_a_run_that_is_taken_over_while_its_worker_writes_gets_nothing(tmp_path):
    """The next run begins between the writing and the renaming of a block."""
    out = tmp_path / "out"
    study = parse_study(kept_runs.STORE)
    first = study_ledger(study, out)
    with first.begun(2):
        shutil.copytree(out, tmp_path / "kept")

    def take_over(step, path):
        if step == "after write" and path.suffix == ".piece":
            files.on_step = None
            kept_runs.perform("store", out, kept_runs.other("store"), fresh=True)

    files.on_step = take_over
    with pytest.raises((UnfinishedError, OSError)):
        run_piece("study", study.text, str(out), first.run, "cases.00000001")
    kept_runs.perform("store", tmp_path / "clean", kept_runs.other("store"))
    assert contents(out) == contents(tmp_path / "clean")


def test_workers_with_other_code_are_told(tmp_path):
    study = parse_study(kept_runs.COUNTS)
    ledger = study_ledger(study, tmp_path)
    with ledger.begun(1):
        other = Ledger(tmp_path, {"code": "another"}, ledger.run)
        with pytest.raises(UnfinishedError, match="must have the code and the versions"):
            other.enter("cases.00000000", {})
    assert entries(tmp_path) == {}


def test_a_process_ends_with_its_parent_where_the_kernel_does_not_see_to_it():
    """The child waits with `watch`; its end of the pipe closes when it has ended."""
    code = """
import os, sys
from ebbmap.runs.bond import watch
parent = os.getpid()
if os.fork():
    print("ready", flush=True)
    sys.stdin.read()
else:
    watch(parent)
"""
    with subprocess.Popen(
        [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout.readline() == "ready\n"
        process.kill()
        assert process.stdout.read() == ""


def test_a_process_whose_parent_is_gone_already_ends_at_once():
    code = "from ebbmap.runs.bond import end_with; end_with(1 << 30); print('lived on')"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert (done.returncode, done.stdout) == (1, "")


def test_workers_that_are_lost_again_and_again_end_the_run(tmp_path, monkeypatch):
    def lose(*_):
        raise engine.BrokenProcessPool("gone")
        yield

    monkeypatch.setattr(engine, "_results", lose)
    with pytest.raises(UnfinishedError, match=r"workers were lost 3 times.*fewer --workers"):
        kept_runs.perform("store", tmp_path)
