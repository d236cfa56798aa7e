"""What a streamed sweep refuses, and what it goes through: sentences, statuses, odd folders."""

import shutil
import subprocess
import sys

import numpy as np
import psutil
import pytest
import xarray as xr

import kept_runs
from clusters import two_workers
from ebbmap.errors import EbbmapError
from ebbmap.files.study import parse_study
from ebbmap.runs.run import run_study
from kept_runs import command, contents, entries


@pytest.fixture
def study_file(small, tmp_path):
    path = tmp_path / "study.toml"
    path.write_text(small.text, encoding="utf-8")
    return path


@pytest.mark.slow
def test_a_full_file_system_stops_the_run_and_it_goes_on_elsewhere(
    small, study_file, undisturbed, tmp_path
):
    """A tmpfs of 1.1 MB in a mount namespace of its own, saved before the namespace ends."""
    disk, saved = tmp_path / "disk", tmp_path / "saved"
    disk.mkdir()
    able = ["unshare", "--mount", "sh", "-c", f"mount -t tmpfs -o size=1100k tmpfs '{disk}'"]
    if not shutil.which("unshare") or subprocess.run(able, capture_output=True).returncode:
        pytest.skip("needs the right to mount a file system")
    # what the disk is short of is known beforehand, so the check is made to look elsewhere
    code = (
        "import shutil; real = shutil.disk_usage; shutil.disk_usage = lambda p: real('/');"
        "from ebbmap.cli import app; app()"
    )
    script = (
        f'{able[-1]} && "{sys.executable}" -c "{code}" run \'{study_file}\' '
        f"--out '{disk}/out' --workers 1; status=$?; cp -r '{disk}/out' '{saved}'; "
        "exit $status"
    )
    done = subprocess.run([*able[:-1], script], capture_output=True, text=True)
    assert done.returncode == 75, done.stderr
    assert "the run stopped: No space left on device" in done.stderr
    before = entries(saved)
    assert before
    small.run(small.text, saved)
    assert {name: entries(saved)[name] for name in before} == before
    assert contents(saved) == contents(undisturbed)


def test_an_output_folder_that_is_a_file_is_told(study_file, fork, tmp_path):
    (tmp_path / "file").write_text("")
    process = fork(lambda: command("run", study_file, "--out", tmp_path / "file"))
    assert process.wait() == 2
    assert "must be a folder that can be written" in process.said


def test_a_region_without_an_answer_is_missing_and_counted(small, tmp_path):
    text = small.text.replace("p_low = 0.0", "p_low = 20.0")
    stored, summed = small.run(text, tmp_path)
    lost = stored["status"].sel(p_high=18.0)
    assert np.all(lost == 2)
    assert np.isnan(stored["auto_peep"].sel(p_high=18.0)).all()
    assert np.all(summed["undetermined_share"].sel(p_high=18.0) == 1)
    assert np.all(summed["safe_share"].sel(p_high=18.0) == 0)
    assert np.all(summed["undetermined_share"].sel(p_high=[24.0, 30.0]) == 0)
    assert np.isfinite(summed["auto_peep_quantiles"]).all()


def test_a_read_only_study_and_a_path_with_spaces_and_letters_of_all_kinds(small, fork, tmp_path):
    folder = tmp_path / "Mappe mit Ä, ß und 肺"
    folder.mkdir()
    study = folder / "größe 1.toml"
    study.write_text(small.text, encoding="utf-8")
    study.chmod(0o444)
    process = fork(lambda: command("run", study, "--out", folder / "out é", "--workers", 1))
    assert process.wait() == 0, process.said
    with xr.open_zarr(folder / "out é" / "cases.zarr") as stored:
        assert stored.sizes["sample"] == 300
    process = fork(lambda: command("status", folder / "out é", "--verify"))
    assert process.wait() == 0
    assert "done" in process.said
    assert "every file is as it was written" in process.said


def test_a_dry_run_writes_nothing(study_file, fork, tmp_path):
    process = fork(lambda: command("run", study_file, "--out", tmp_path / "out", "--dry-run"))
    assert process.wait() == 0, process.said
    assert "18,000" in process.said
    assert "12 blocks" in process.said
    assert not (tmp_path / "out").exists()


def test_a_status_of_nothing_is_refused(fork, tmp_path):
    process = fork(lambda: command("status", tmp_path))
    assert process.wait() == 2
    assert "must hold a run that can be resumed" in process.said


def test_a_comparison_with_damage_names_the_file_and_what_to_do(undisturbed, fork, tmp_path):
    shutil.copytree(undisturbed, tmp_path / "out")
    chunk = tmp_path / "out" / "cases.zarr" / "auto_peep" / "0.0.0.0.0"
    chunk.write_bytes(bytes(chunk.stat().st_size))
    process = fork(lambda: command("status", tmp_path / "out", "--verify"))
    assert process.wait() == 1
    assert f"{chunk} is missing, or is not what was written" in process.said
    assert "Give the command of the run again: it redoes these files" in process.said


def test_an_address_without_a_scheduler_is_told(small, tmp_path):
    with pytest.raises(EbbmapError, match="--cluster must be the address of a running scheduler"):
        small.run(small.text, tmp_path, cluster="nowhere")


@pytest.mark.slow
def test_a_cluster_that_loses_a_worker_gives_the_same_bytes(small, undisturbed, tmp_path):
    left = [3]
    with two_workers() as cluster:

        def kill_at_the_third(task):
            def add(cases):
                left[0] -= 1
                if left[0] == 0:
                    psutil.Process(next(iter(cluster.workers.values())).pid).kill()

            return add

        study = parse_study(small.text)
        for _ in run_study(
            study, tmp_path, cluster=cluster.scheduler_address, progress=kill_at_the_third
        ):
            pass
    assert kept_runs.contents(tmp_path) == contents(undisturbed)
