"""Small runs of every kind that keeps what it finishes, and processes that end with their test."""

import hashlib
import os
import signal
import subprocess
import sys
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import typer

from ebbmap.cli import app
from ebbmap.files import writing as files
from ebbmap.files.protocol import parse_protocol
from ebbmap.files.study import parse_study
from ebbmap.runs import Ledger
from ebbmap.runs.run import run_source, run_study
from ebbmap.runs.sources import check_source

#: Four blocks of two columns, and what they add up to.
STORE = """
title = "store"
lung = "linear"
lungs = 500
populations = ["normal", "obstructive"]
[fixed]
p_low = 0.0
[axes]
p_high = [18.0, 24.0]
t_low = [0.3, 0.5, 0.8]
[outputs]
figures = []
[analyses.sweep]
outcomes = ["auto_peep"]
store = "zarr"
block = 1500
judged = false
reductions = ["extremes"]
"""

#: Four blocks, counts alone.
COUNTS = STORE.replace('store = "zarr"', 'store = "none"').replace(
    'judged = false\nreductions = ["extremes"]',
    'reductions = ["safe_share"]\nreduce_to = ["t_low"]',
)

#: Two places, each with a design that is doubled once.
SOBOL = """
title = "pieces"
lung = "linear"
lungs = 50
populations = ["normal"]
[fixed]
p_high = 24.0
[axes]
t_low = [0.3, 0.8]
[outputs]
figures = []
[analyses.sobol]
base_size = 16
stopping_width = 1e-9
max_base_size = 32
replicates = 2
second_order = false
pawn = false
resamples = 100
outcomes = ["auto_peep"]
"""

CHECK = """
title = "check"
lung = "linear"
lungs = 64
settings_drawn = 16
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

#: By name: the text, and a change to it that makes another study.
KINDS = {
    "store": (STORE, ("p_low = 0.0", "p_low = 1.0")),
    "counts": (COUNTS, ("p_low = 0.0", "p_low = 1.0")),
    "sobol": (SOBOL, ("p_high = 24.0", "p_high = 25.0")),
    "check": (CHECK, ("p_low = 0.0", "p_low = 1.0")),
}


def quiet(task):
    return lambda cases: None


def run(text, folder, **how):
    """Every result of a study, loaded, in order."""
    found = run_study(parse_study(text), Path(folder), progress=quiet, **how)
    return [result.load() for _, result, _ in found]


def perform(kind, folder, text=None, **how):
    """Do a run of a kind, from the first piece to the last file."""
    text = text or KINDS[kind][0]
    if kind != "check":
        run(text, folder, **how)
        return
    source = check_source(parse_protocol(text))
    # two parts stand for all: one whose pieces are arrays of counts, one of labelled results
    few = tuple(task for task in source.tasks if task.name in ("verdict", "windows"))
    parts = {task.name: source.parts[task.name] for task in few}
    for _ in run_source(
        replace(source, tasks=few, parts=parts), Path(folder), progress=quiet, **how
    ):
        pass


def other(kind):
    """The text of another study of the same kind."""
    text, change = KINDS[kind]
    return text.replace(*change)


def results(folder):
    """Bytes of every file of the results, chunks of a store among them."""
    folder = Path(folder)
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and "pieces" not in path.relative_to(folder).parts
    }


def contents(folder):
    """Hash of every file of the results, and of what every entry keeps but times."""
    files = {name: hashlib.sha256(kept).hexdigest() for name, kept in results(folder).items()}
    for entry in Ledger(folder).entries():
        kept = [
            (name, array.dtype.str, array.shape, array.tobytes())
            for name, array in entry.arrays.items()
        ]
        # pieces may say when they were made; results do not
        entry.labels.get("attrs", {}).pop("history", None)
        files[entry.name] = hashlib.sha256(
            repr((kept, entry.labels, entry.files)).encode()
        ).hexdigest()
    return files


def entries(folder):
    """Finished pieces and when each was entered."""
    paths = (Path(folder) / "pieces").glob("*.piece")
    return {p.stem: p.stat().st_mtime_ns for p in paths if not p.name.startswith("files.")}


@contextmanager
def started(*words, **how):
    """The command line in a process of its own, which ends with this block and all that it started.

    `COLUMNS` is wide, so that no sentence is broken.
    """
    injected = Path(__file__).parents[1] / "faults" / "injected"
    environment = {
        **os.environ,
        "PYTHONPATH": str(injected),
        "COLUMNS": "200",
        "OMP_NUM_THREADS": "1",
        **how.pop("env", {}),
    }
    process = subprocess.Popen(
        [sys.executable, "-c", "from ebbmap.cli import app; app()", *map(str, words)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment,
        start_new_session=True,
        **how,
    )
    try:
        yield process
    finally:
        try:
            os.killpg(process.pid, signal.SIGKILL)
        except ProcessLookupError:
            pass
        process.communicate()


def call(*words, **how):
    """Exit status, output and complaint of a command; both are read until nobody can write."""
    with started(*words, **how) as process:
        out, complaint = process.communicate()
    return process.returncode, out, complaint


def on_step(act, *, after=0, step=None, path=None):
    """Act at one step of putting files in place: the one after so many that fit.

    Parameters
    ----------
    act : callable
        What happens there; it may raise.
    after : int
        Steps that are let pass.
    step : str, optional
        One of `files.STEPS`; any if not given.
    path : callable, optional
        ``path(Path) -> bool``; any if not given.
    """
    left = [after]

    def look(name, place):
        if (step is None or name == step) and (path is None or path(place)):
            left[0] -= 1
            if left[0] == -1:
                act()

    files.on_step = look


class Forked:
    """A copy of this process that does something and ends; libraries are there already.

    Parameters
    ----------
    function : callable
        What it does.
    folder : Path
        Where what it prints goes.
    """

    def __init__(self, function, folder):
        self._said = Path(folder) / "said.txt"
        self.pid = os.fork()
        if self.pid == 0:
            self._do(function)

    def _do(self, function):
        status = 70
        try:
            os.setsid()
            said = os.open(self._said, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
            os.dup2(said, 1)
            os.dup2(said, 2)
            sys.stdout = sys.stderr = os.fdopen(1, "w", buffering=1, closefd=False)
            function()
            status = 0
        except SystemExit as end:
            status = end.code or 0
        except typer.Exit as end:
            status = end.exit_code
        except BaseException:
            import traceback

            traceback.print_exc(file=sys.stderr)
        finally:
            # nothing of the tests' own process is closed or reported twice
            os._exit(status)

    def wait(self, options=0):
        """Exit status; minus the signal that ended it, or stopped it with `os.WUNTRACED`."""
        _, status = os.waitpid(self.pid, options)
        return -os.WSTOPSIG(status) if os.WIFSTOPPED(status) else os.waitstatus_to_exitcode(status)

    @property
    def said(self):
        return self._said.read_text(encoding="utf-8")

    def end(self):
        """Kill it, if it is still there."""
        try:
            os.killpg(self.pid, signal.SIGKILL)
            os.waitpid(self.pid, 0)
        except (ProcessLookupError, ChildProcessError):
            pass


@contextmanager
def forks(folder):
    """Start copies of this process that end with the block."""
    begun = []

    def start(function):
        begun.append(Forked(function, folder))
        return begun[-1]

    try:
        yield start
    finally:
        for process in begun:
            process.end()


def command(*words):
    """Do a command of the command line in this process, which it ends."""
    os.environ["COLUMNS"] = "200"
    app([str(word) for word in words])
