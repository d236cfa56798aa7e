"""Every way of stopping a run, at every step of putting a file in place, in every kind of run.

The points are set, not hit by luck: see `ebbmap.files.writing.on_step`. Each run is a copy of this
process, so that it may be killed; it is gone on with here, and must end as if nothing had happened.
"""

import errno
import os
import random
import resource
import signal

import pytest

import kept_runs
from ebbmap.cli.failures import UNFINISHED, failures_reported
from ebbmap.files.writing import STEPS
from kept_runs import KINDS, contents, entries, on_step, perform

# every cell is a run that is stopped and resumed
pytestmark = pytest.mark.slow

#: Random points of the long set; few of them unless they are asked for.
POINTS = int(os.environ.get("EBBMAP_FAULTS", "6"))


def send(number):
    os.kill(os.getpid(), number)


def refuse(number):
    raise OSError(number, os.strerror(number))


def take_no_more():
    # the kernel writes what still fits, and refuses the rest: a quota, a limit on a file's size;
    # enough for what the run says, which goes to a file too
    resource.setrlimit(resource.RLIMIT_FSIZE, (600, 600))


#: By name: what happens, the exit status, what is said, and the steps at which it can happen.
FAULTS = {
    "killed": (lambda: send(signal.SIGKILL), -signal.SIGKILL, "", STEPS),
    "SIGTERM": (
        lambda: send(signal.SIGTERM),
        143,
        "ended by SIGTERM; what is finished is kept",
        ("before write", "after rename"),
    ),
    "SIGHUP": (
        lambda: send(signal.SIGHUP),
        129,
        "ended by SIGHUP; what is finished is kept",
        ("before rename",),
    ),
    "Ctrl-C": (
        lambda: send(signal.SIGINT),
        130,
        "interrupted; what is finished is kept",
        ("after write", "before rename"),
    ),
    "disk full": (
        lambda: refuse(errno.ENOSPC),
        UNFINISHED,
        "the run stopped: No space left on device",
        ("before write", "before rename"),
    ),
    "read-only": (
        lambda: refuse(errno.EROFS),
        UNFINISHED,
        "the run stopped: Read-only file system",
        ("before write", "before rename"),
    ),
    "short write": (take_no_more, UNFINISHED, "the run stopped: File too large", ("before write",)),
}


def is_entry(path):
    return path.suffix == ".piece" and not path.name.startswith("files.")


def is_chunk(path):
    return path.parent.name == "auto_peep"


#: Kinds of run and the files that each puts in place: an entry alone, or chunks and their entry.
FILES = [*((kind, is_entry) for kind in KINDS), ("store", is_chunk)]

CELLS = [
    pytest.param(
        kind,
        path,
        fault,
        step,
        id=f"{kind}-{path.__name__[3:]}-{fault}-{step}",
        # one kind stands for all in the fast set
        marks=() if kind == "store" else pytest.mark.slow,
    )
    for kind, path in FILES
    for fault, (*_, steps) in FAULTS.items()
    for step in steps
]


def told(kind, folder, **how):
    """Do a run as the command line does, with its sentences and statuses."""
    with failures_reported():
        perform(kind, folder, **how)


def left_over(folder):
    """Files that are half written, or lie where none should."""
    return [
        path for path in folder.rglob("*") if ".part" in path.name or path.parent.name == "parts"
    ]


@pytest.mark.parametrize(("kind", "path", "fault", "step"), CELLS)
def test_a_stopped_run_says_so_and_ends_as_if_nothing_had_happened(
    kind, path, fault, step, undisturbed, fork, tmp_path
):
    act, status, sentence, _ = FAULTS[fault]
    out, whole = tmp_path / "out", undisturbed(kind)

    def stopped():
        on_step(act, after=1, step=step, path=path)
        told(kind, out)

    process = fork(stopped)
    assert process.wait() == status, process.said
    assert sentence in process.said
    assert "Traceback" not in process.said
    before = entries(out)
    kept = contents(out)
    assert {name: contents(whole)[name] for name in before} == {name: kept[name] for name in before}
    if fault != "killed":
        assert not left_over(out)
    perform(kind, out)
    assert contents(out) == contents(whole)
    assert {name: entries(out)[name] for name in before} == before, (
        "a finished piece was done again"
    )
    assert not left_over(out)


@pytest.mark.slow
@pytest.mark.parametrize("number", range(POINTS))
def test_a_run_that_is_killed_at_random_points_until_it_ends_has_the_same_bytes(
    number, undisturbed, fork, tmp_path
):
    """EBBMAP_FAULTS says how many runs; a run is killed up to four times."""
    draw = random.Random(number)
    kind = draw.choice(list(KINDS))
    out = tmp_path / "out"
    for _ in range(4):
        after = draw.randrange(60)

        def killed(after=after):
            on_step(lambda: send(signal.SIGKILL), after=after)
            perform(kind, out, fresh=draw.random() < 0.1)

        process = fork(killed)
        assert process.wait() in (0, -signal.SIGKILL), process.said
    perform(kind, out)
    assert contents(out) == contents(undisturbed(kind))
    assert not left_over(out)


@pytest.mark.parametrize("kind", KINDS)
def test_a_second_run_at_once_is_refused_and_changes_nothing(kind, fork, undisturbed, tmp_path):
    out = tmp_path / "out"

    def stands_still():
        on_step(lambda: send(signal.SIGSTOP), after=1, step="before rename", path=is_entry)
        perform(kind, out)

    process = fork(stands_still)
    assert process.wait(os.WUNTRACED) == -signal.SIGSTOP
    before = contents(out)
    for fresh in (False, True):
        second = fork(lambda fresh=fresh: told(kind, out, fresh=fresh))
        assert second.wait() == 2
        assert f"another run is at work in {out} (process {process.pid})" in second.said
    assert contents(out) == before
    os.kill(process.pid, signal.SIGCONT)
    assert process.wait() == 0
    assert contents(out) == contents(undisturbed(kind))


@pytest.mark.parametrize("kind", KINDS)
def test_a_clock_that_was_set_back_matters_to_nothing(kind, undisturbed, fork, tmp_path):
    out = tmp_path / "out"

    def killed():
        on_step(lambda: send(signal.SIGKILL), after=1, step="before rename", path=is_entry)
        perform(kind, out)

    assert fork(killed).wait() == -signal.SIGKILL
    for path in out.rglob("*"):
        os.utime(path, (2e9, 2e9))  # the year 2033
    before = entries(out)
    perform(kind, out)
    assert contents(out) == contents(undisturbed(kind))
    assert {name: entries(out)[name] for name in before} == before


@pytest.mark.parametrize("kind", KINDS)
def test_a_changed_study_is_refused_and_changes_nothing_until_fresh(
    kind, undisturbed, fork, tmp_path
):
    out, clean = tmp_path / "out", tmp_path / "clean"
    perform(kind, out)
    before = contents(out)
    process = fork(lambda: told(kind, out, text=kept_runs.other(kind)))
    assert process.wait() == 2
    assert "holds another run, which this one cannot resume" in process.said
    assert "--fresh" in process.said
    assert contents(out) == before == contents(undisturbed(kind))
    perform(kind, out, kept_runs.other(kind), fresh=True)
    perform(kind, clean, kept_runs.other(kind))
    assert contents(out) == contents(clean) != before
