"""A small study that streams, and how its results are compared."""

from types import SimpleNamespace

import pytest

import kept_runs
from ebbmap.runs.work import Work

BASE = """
title = "streamed"
lung = "linear"
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


@pytest.fixture(scope="session")
def small():
    """Texts of this file, and how they are run and compared."""
    return SimpleNamespace(
        base=BASE, text=STREAMED, run=kept_runs.run, fingerprint=kept_runs.contents
    )


@pytest.fixture(scope="session")
def undisturbed(tmp_path_factory):
    """Folder of a run of the small study that nothing disturbed."""
    folder = tmp_path_factory.mktemp("undisturbed") / "out"
    kept_runs.run(STREAMED, folder)
    return folder


@pytest.fixture
def fork(tmp_path):
    """Start copies of this process that end with the test."""
    with kept_runs.forks(tmp_path) as start:
        yield start


@pytest.fixture
def solved(monkeypatch):
    """Names of the pieces that are done, in order."""
    done, whole = [], Work.run

    def record(self, name):
        cases = whole(self, name)
        done.append(name)
        return cases

    monkeypatch.setattr(Work, "run", record)
    return done
