"""What goes wrong in mid-run: a sentence, an exit status, and nothing finished is lost."""

import os
import resource
import shutil
import signal
import subprocess
import sys
import time

import numpy as np
import psutil
import pytest
import xarray as xr

from ebbmap.errors import EbbmapError, UnfinishedError
from ebbmap.run import run_study
from ebbmap.streaming import engine, status_of, store
from ebbmap.streaming.job import ledger_of
from ebbmap.study import parse_study

#: Time to wait for something to happen on a busy machine [s].
PATIENCE = 60.0


@pytest.fixture(scope="module")
def long_text(small):
    """Sixty blocks: time enough to be disturbed."""
    return small.text.replace("lungs = 300", "lungs = 2000")


@pytest.fixture(scope="module")
def long_undisturbed(small, long_text, tmp_path_factory):
    folder = tmp_path_factory.mktemp("long") / "out"
    small.run(long_text, folder)
    return small.fingerprint(folder)


@pytest.fixture
def study_file(long_text, tmp_path):
    path = tmp_path / "study.toml"
    path.write_text(long_text, encoding="utf-8")
    return path


def entries(folder):
    """Finished blocks and when each was entered."""
    return {p.name: p.stat().st_mtime_ns for p in (folder / "cases.blocks").glob("*.npz")}


def wait_for_blocks(folder, number, process):
    until = time.monotonic() + PATIENCE
    while len(entries(folder)) < number:
        assert process.poll() is None, process.communicate()
        assert time.monotonic() < until
        time.sleep(0.005)


def killing(victims, at):
    """A progress callback that kills one process when so many blocks are done."""
    left = [at]

    def progress(task):
        def add(cases):
            left[0] -= 1
            if left[0] == 0:
                victims()[0].kill()

        return add

    return progress


def test_killed_and_resumed_gives_the_bytes_of_an_undisturbed_run(
    small, study_file, long_undisturbed, tmp_path
):
    out = tmp_path / "out"
    for blocks in (1, 20):
        process = small.start("run", study_file, "--out", out, "--workers", 1)
        wait_for_blocks(out, blocks, process)
        process.kill()
        process.communicate()
        assert process.returncode == -signal.SIGKILL
    before = entries(out)
    assert 20 <= len(before) < 60
    assert status_of(out).done == len(before)
    assert not status_of(out).running
    code, _, complaint = small.call("run", study_file, "--out", out, "--workers", 1)
    assert code == 0, complaint
    after = entries(out)
    assert {name: after[name] for name in before} == before, "a finished block was run again"
    assert small.fingerprint(out) == long_undisturbed


@pytest.mark.slow
def test_interrupted_says_so_and_goes_on(small, study_file, long_undisturbed, tmp_path):
    out = tmp_path / "out"
    process = small.start("run", study_file, "--out", out, "--workers", 1)
    wait_for_blocks(out, 3, process)
    process.send_signal(signal.SIGINT)
    _, complaint = process.communicate(timeout=PATIENCE)
    assert process.returncode == 130
    assert "what is finished is kept" in complaint
    assert "Traceback" not in complaint
    before = entries(out)
    assert small.call("run", study_file, "--out", out, "--workers", 1)[0] == 0
    assert {name: entries(out)[name] for name in before} == before
    assert small.fingerprint(out) == long_undisturbed


@pytest.mark.slow
def test_a_second_run_on_the_same_store_is_refused(small, study_file, tmp_path):
    out = tmp_path / "out"
    process = small.start("run", study_file, "--out", out, "--workers", 1)
    wait_for_blocks(out, 1, process)
    process.send_signal(signal.SIGSTOP)
    try:
        assert status_of(out).running
        code, _, complaint = small.call("run", study_file, "--out", out)
    finally:
        process.kill()
        process.communicate()
    assert code == 2
    assert f"another run is at work in {out} (process {process.pid})" in complaint


@pytest.mark.slow
def test_a_killed_worker_costs_its_block_only(small, long_text, long_undisturbed, tmp_path):
    def workers():
        children = psutil.Process().children(recursive=True)
        words = {child: " ".join(child.cmdline()) for child in children}
        return [child for child, said in words.items() if "loky" in said and "tracker" not in said]

    study = parse_study(long_text)
    for _ in run_study(study, tmp_path, workers=2, progress=killing(workers, 10)):
        pass
    assert small.fingerprint(tmp_path) == long_undisturbed


def test_workers_that_are_lost_again_and_again_end_the_run(small, tmp_path, monkeypatch):
    def lose(*_):
        raise engine.BrokenProcessPool("gone")

    monkeypatch.setattr(engine, "_results", lose)
    with pytest.raises(UnfinishedError, match=r"workers were lost 3 times.*fewer --workers"):
        small.run(small.text, tmp_path)


def test_a_cut_chunk_is_made_again_and_nothing_else(small, undisturbed, tmp_path):
    out = tmp_path / "out"
    shutil.copytree(undisturbed, out)
    chunk = next((out / "cases.zarr" / "auto_peep").glob("[0-9]*"))
    chunk.write_bytes(chunk.read_bytes()[:-7])
    before = entries(out)
    small.run(small.text, out)
    after = entries(out)
    assert sum(after[name] != before[name] for name in before) == 1
    assert small.fingerprint(out) == small.fingerprint(undisturbed)


def test_a_damaged_entry_is_made_again(small, undisturbed, tmp_path):
    out = tmp_path / "out"
    shutil.copytree(undisturbed, out)
    (out / "cases.blocks" / "00000003.npz").write_bytes(b"PK\x03\x04 no more")
    assert status_of(out).done == 11
    small.run(small.text, out)
    assert status_of(out).done == 12
    assert small.fingerprint(out) == small.fingerprint(undisturbed)


def test_a_damaged_entry_of_counts_alone_is_made_again(small, tmp_path):
    text = small.text.replace('store = "zarr"', 'store = "none"')
    (whole,) = small.run(text, tmp_path)
    (tmp_path / "cases.blocks" / "00000003.npz").write_bytes(b"PK no more")
    (again,) = small.run(text, tmp_path)
    xr.testing.assert_identical(again, whole)


def test_a_plan_that_cannot_be_read_is_told(small, undisturbed, tmp_path):
    out = tmp_path / "out"
    shutil.copytree(undisturbed, out)
    (out / "cases.blocks" / "plan.json").write_text("{")
    with pytest.raises(EbbmapError, match=r"plan\.json cannot be read"):
        small.run(small.text, out)


@pytest.mark.slow
def test_a_full_disk_stops_the_run_and_keeps_what_is_finished(small, study_file, tmp_path):
    def limit():
        # the kernel refuses larger files, as it refuses more bytes on a full disk
        resource.setrlimit(resource.RLIMIT_FSIZE, (9_000, 9_000))

    out = tmp_path / "out"
    code, _, complaint = small.call("run", study_file, "--out", out, "--workers", 1,
                                    preexec_fn=limit)  # fmt: skip
    assert code == 3
    assert "Traceback" not in complaint
    assert "the run stopped: File too large" in complaint


@pytest.mark.slow
def test_a_full_file_system_stops_the_run_and_it_goes_on_elsewhere(
    small, study_file, long_undisturbed, tmp_path
):
    """A tmpfs of 1.5 MB in a mount namespace of its own, saved before the namespace ends."""
    disk, saved = tmp_path / "disk", tmp_path / "saved"
    disk.mkdir()
    able = ["unshare", "--mount", "sh", "-c", f"mount -t tmpfs -o size=1500k tmpfs '{disk}'"]
    if not shutil.which("unshare") or subprocess.run(able, capture_output=True).returncode:
        pytest.skip("needs the right to mount a file system")
    # what the disk is short of is known beforehand, so the check is made to look elsewhere
    code = ("import shutil; real = shutil.disk_usage; shutil.disk_usage = lambda p: real('/');"
            "from ebbmap.cli import app; app()")  # fmt: skip
    script = (f"{able[-1]} && \"{sys.executable}\" -c \"{code}\" run '{study_file}' "
              f"--out '{disk}/out' --workers 1; status=$?; cp -r '{disk}/out' '{saved}'; "
              "exit $status")  # fmt: skip
    done = subprocess.run([*able[:-1], script], capture_output=True, text=True)
    assert done.returncode == 3, done.stderr
    assert "the run stopped: No space left on device" in done.stderr
    before = entries(saved)
    assert before
    assert small.call("run", study_file, "--out", saved, "--workers", 1)[0] == 0
    assert small.fingerprint(saved) == long_undisturbed


def test_no_permission_to_write_is_told_and_keeps_what_is_finished(
    small, undisturbed, tmp_path, monkeypatch
):
    written = store.write

    def write(*what):
        if len(entries(tmp_path)) == 4:
            raise PermissionError(13, "Permission denied")
        written(*what)

    monkeypatch.setattr(store, "write", write)
    with pytest.raises(UnfinishedError, match="the run stopped: Permission denied"):
        small.run(small.text, tmp_path)
    assert len(entries(tmp_path)) == 4
    monkeypatch.undo()
    small.run(small.text, tmp_path)
    assert small.fingerprint(tmp_path) == small.fingerprint(undisturbed)


@pytest.mark.slow
def test_an_output_folder_that_is_a_file_is_told(small, study_file, tmp_path):
    (tmp_path / "file").write_text("")
    code, _, complaint = small.call("run", study_file, "--out", tmp_path / "file")
    assert code == 2
    assert "must be a folder that can be written" in complaint


def test_a_region_without_an_answer_is_missing_and_counted(small, tmp_path):
    text = small.text.replace("p_low = 0.0", "p_low = 20.0")
    stored, summed = small.run(text, tmp_path)
    lost = stored["status"].sel(p_high=18.0)
    assert np.all(lost == 2)
    assert np.isnan(stored["auto_peep"].sel(p_high=18.0)).all()
    assert np.all(summed["undetermined_share"].sel(p_high=18.0) == 1)
    assert np.isnan(summed["safe_share"].sel(p_high=18.0)).all()
    assert np.all(summed["undetermined_share"].sel(p_high=[24.0, 30.0]) == 0)
    assert np.isfinite(summed["auto_peep_quantiles"]).all()


def test_a_clock_that_was_set_back_matters_to_nothing(small, undisturbed, tmp_path):
    out = tmp_path / "out"
    shutil.copytree(undisturbed, out)
    ledger_of(out).strike("00000005")
    for path in out.rglob("*"):
        os.utime(path, (2e9, 2e9))  # the year 2033
    small.run(small.text, out)
    assert small.fingerprint(out) == small.fingerprint(undisturbed)
    assert np.isfinite(status_of(out).rate)


@pytest.mark.slow
def test_a_read_only_study_and_a_path_with_spaces_and_letters_of_all_kinds(small, tmp_path):
    folder = tmp_path / "Mappe mit Ä, ß und 肺"
    folder.mkdir()
    study = folder / "größe 1.toml"
    study.write_text(small.text, encoding="utf-8")
    study.chmod(0o444)
    code, out, complaint = small.call("run", study, "--out", folder / "out é", "--workers", 2)
    assert code == 0, complaint
    with xr.open_zarr(folder / "out é" / "cases.zarr") as stored:
        assert stored.sizes["sample"] == 300
    code, out, _ = small.call("status", folder / "out é")
    assert code == 0
    assert "done" in out


@pytest.mark.slow
def test_a_dry_run_writes_nothing(small, study_file, tmp_path):
    code, out, complaint = small.call("run", study_file, "--out", tmp_path / "out", "--dry-run")
    assert code == 0, complaint
    assert "120,000" in out
    assert "60 blocks" in out
    assert not (tmp_path / "out").exists()


@pytest.mark.slow
def test_a_status_of_nothing_is_refused(small, tmp_path):
    code, _, complaint = small.call("status", tmp_path)
    assert code == 2
    assert "must hold a run that can be gone on with" in complaint


def test_an_address_without_a_scheduler_is_told(small, tmp_path):
    with pytest.raises(EbbmapError, match="--cluster must be the address of a running scheduler"):
        small.run(small.text, tmp_path, cluster="nowhere")


@pytest.mark.slow
def test_a_cluster_that_loses_a_worker_gives_the_same_bytes(
    small, long_text, long_undisturbed, tmp_path
):
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None, silence_logs=50,
    ) as cluster:  # fmt: skip

        def workers():
            return [psutil.Process(worker.pid) for worker in cluster.workers.values()]

        study = parse_study(long_text)
        for _ in run_study(study, tmp_path, cluster=cluster.scheduler_address,
                           progress=killing(workers, 10)):  # fmt: skip
            pass
    assert small.fingerprint(tmp_path) == long_undisturbed
