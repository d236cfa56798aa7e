"""Systems that lack what Linux has: a small case and a small kept run without it."""

import subprocess
import sys
from pathlib import Path

import pytest

import kept_runs

# processes of their own
pytestmark = pytest.mark.slow

#: What Windows has not, or macOS: file locks of POSIX, room claimed at once, usable processors.
WITHOUT = """
import os, sys, warnings
sys.modules["fcntl"] = None
for name in ("sched_getaffinity", "posix_fallocate"):
    delattr(os, name)
# the lock that is left, a file that is there or not, is said to be weaker
warnings.filterwarnings("ignore", module="filelock")
import ebbmap
print(float(ebbmap.simulate("linear", t_low=0.5)["auto_peep"]))
from ebbmap.committee.lungs import workers
print(workers())
"""


def test_a_case_and_a_kept_run_need_nothing_that_only_linux_has(tmp_path):
    script = f"""
{WITHOUT}
sys.path.insert(0, {str(Path(kept_runs.__file__).parent)!r})
import kept_runs
for kind in ("store", "sobol", "check"):
    kept_runs.perform(kind, kept_runs.Path({str(tmp_path)!r}) / kind)
"""
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    auto_peep, threads = done.stdout.split()
    assert float(auto_peep) > 0
    assert int(threads) >= 1
    for kind in ("store", "sobol", "check"):
        kept_runs.perform(kind, tmp_path / "here" / kind)
        assert kept_runs.contents(tmp_path / kind) == kept_runs.contents(tmp_path / "here" / kind)
