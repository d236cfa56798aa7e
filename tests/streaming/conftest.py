"""A small study that streams, and how its results are compared."""

import hashlib
import os
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

from ebbmap.run import run_study
from ebbmap.study import parse_study

BASE = """
title = "streamed"
lungs = 300
populations = ["normal", "obstructive"]
[fixed]
p_low = 0.0
[axes]
p_high = [18.0, 24.0, 30.0]
t_low = [0.2, 0.3, 0.5, 0.8, 1.2]
compliance = [30.0, 60.0]
[outputs]
figures = []
[analyses.sweep]
outcomes = ["auto_peep"]
"""

#: Fourteen columns, twelve blocks, all reductions.
STREAMED = f"""{BASE}
store = "zarr"
block = 2000
reductions = ["safe_share", "extremes", "quantiles"]
reduce_to = ["p_high", "t_low"]
"""


def run(text, folder, **how):
    """Every result of a study, loaded, in order."""
    found = run_study(
        parse_study(text), Path(folder), progress=lambda task: lambda cases: None, **how
    )
    return [result.load() for _, result, _ in found]


def fingerprint(folder):
    """Hash of every file of the results; the ledger keeps times and is left out."""
    files = [p for p in sorted(Path(folder).rglob("*"))
             if p.is_file() and "cases.blocks" not in p.parts]  # fmt: skip
    return {str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}


def start(*words, **how):
    """The command line in a process of its own."""
    environment = {**os.environ, "OMP_NUM_THREADS": "1", "COLUMNS": "200"}
    return subprocess.Popen(
        [sys.executable, "-c", "from ebbmap.cli import app; app()", *map(str, words)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment, **how,
    )  # fmt: skip


def call(*words, **how):
    """Exit status, output and complaint of a command."""
    process = start(*words, **how)
    out, complaint = process.communicate(timeout=120)
    return process.returncode, out, complaint


@pytest.fixture(scope="session")
def small():
    """Texts and functions of this file."""
    return SimpleNamespace(
        base=BASE, text=STREAMED, run=run, fingerprint=fingerprint, call=call, start=start
    )


@pytest.fixture(scope="session")
def undisturbed(tmp_path_factory):
    """Folder of a run of the small study that nothing disturbed."""
    folder = tmp_path_factory.mktemp("undisturbed") / "out"
    run(STREAMED, folder)
    return folder
