import pytest

import kept_runs
from ebbmap.files import writing as files


@pytest.fixture(scope="session")
def undisturbed(tmp_path_factory):
    """Folder of a run of each kind that nothing disturbed, made when it is first asked for."""
    made = {}

    def of(kind):
        if kind not in made:
            made[kind] = tmp_path_factory.mktemp(kind) / "out"
            kept_runs.perform(kind, made[kind])
        return made[kind]

    return of


@pytest.fixture(autouse=True)
def nothing_in_the_way():
    """Take the seam away again."""
    yield
    files.on_step = None


@pytest.fixture
def fork(tmp_path):
    """Start copies of this process that end with the test."""
    with kept_runs.forks(tmp_path) as start:
        yield start
