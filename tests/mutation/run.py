"""How many planted faults the tests notice: `.venv/bin/python tests/mutation/run.py --help`.

A fault is planted in a private copy of the checkout, never in the checkout. The tests that
`rooms.TESTS` names for its module run first, and stop at the first that fails; with `--whole`
what survives them meets the whole fast set. The sample takes as many faults from each room, in
an order that a seed fixes and that other changes leave alone. Every answer is written at once,
so a run that was cut off goes on where it was.
"""

from __future__ import annotations

import argparse
import csv
import hashlib
import importlib
import os
import re
import shutil
import signal
import sys
import tempfile
import time
import tomllib
import traceback
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests"))

from mutation.operators import Mutant, mutants_of, planted  # noqa: E402
from mutation.rooms import ROOMS, TESTS, best_match, room_of  # noqa: E402

#: What a private copy needs; figures and the rest are read where they are.
COPIED = ("src", "tests", "studies", "pyproject.toml", "README.md", "DEVELOPERS.md", "figures")
WHOLE = ("tests",)
COLUMNS = ("key", "room", "module", "line", "place", "operator", "old", "new", "result", "seconds")

NOTICED, SURVIVED, EQUIVALENT = "noticed", "survived", "equivalent"

#: Loaded once and shared by every run of the tests, which are children of this process.
LOADED = (
    "numpy",
    "scipy.stats",
    "scipy.optimize",
    "xarray",
    "pandas",
    "matplotlib.pyplot",
    "SALib",
    "pydantic",
    "typer.testing",
    "rich",
    "jinja2",
    "hypothesis",
    "h5netcdf",
    "zarr",
    "joblib",
    "pytest",
)


#: Exit status of a run that did not import the package from its private copy.
ELSEWHERE = 70


@dataclass(frozen=True)
class Asked:
    """Tests to run, those that stay out, the seconds allowed, and whether nothing is planted."""

    tests: tuple[str, ...]
    left_out: tuple[str, ...]
    limit: float
    unspoilt: bool = False


@dataclass
class Job:
    """A private copy of the checkout and what runs in it."""

    folder: Path
    mutant: Mutant | None = None
    unspoilt: str = ""
    process: int = 0
    started: float = 0.0
    limit: float = 0.0
    stages: list[Asked] = field(default_factory=list)


def main() -> int:
    """Run the sample, write the table, and print a summary by room."""
    asked = _arguments()
    out = Path(asked.out)
    sample = sample_of(asked.sample, asked.seed, asked.room)
    reasons = equivalent()
    done = {} if asked.fresh else _read(out)
    todo = [
        m
        for m in sample
        if m.key not in done or (asked.again and done[m.key]["result"] == SURVIVED)
    ]
    if asked.list:
        for m in sample:
            print(f"{m.key} {room_of(m.module):10} {m.module}:{m.line} {m.old} -> {m.new}")
        return 0
    # before NumPy is loaded: the children inherit its threads
    os.environ |= {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MPLBACKEND": "Agg"}
    for name in LOADED:
        importlib.import_module(name)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit("ended; the same command goes on from here"))
    with tempfile.TemporaryDirectory(prefix="mutation-") as folder:
        jobs = [Job(_private_copy(Path(folder) / str(n))) for n in range(asked.jobs)]
        try:
            _record(_run(jobs, todo, asked), done, out)
        finally:
            _end(jobs)
    _summary([done[m.key] for m in sample if m.key in done], reasons)
    return 0


def _record(answers, done: dict[str, dict[str, str]], out: Path) -> None:
    """Write every answer as soon as it is there."""
    for mutant, result, seconds in answers:
        row = (
            mutant.key,
            room_of(mutant.module),
            mutant.module,
            mutant.line,
            mutant.place,
            mutant.operator,
            mutant.old,
            mutant.new,
            result,
            f"{seconds:.1f}",
        )
        done[mutant.key] = dict(zip(COLUMNS, map(str, row), strict=True))
        _write(out, done)
        print(
            f"{result:9} {seconds:5.1f} s  {mutant.module}:{mutant.line} [{mutant.key}] "
            f"{mutant.operator}: {mutant.old} -> {mutant.new}",
            flush=True,
        )


def _end(jobs: list[Job]) -> None:
    """End what still runs, when the run is cut off."""
    for job in (job for job in jobs if job.process):
        try:
            os.killpg(job.process, signal.SIGKILL)
        except (ProcessLookupError, PermissionError):
            continue


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__)
    add = parser.add_argument
    add("--sample", type=int, default=300, help="faults, as many from each room (300)")
    add("--seed", type=int, default=0, help="of the sample (0)")
    add("--room", choices=ROOMS, help="this room alone")
    add("--jobs", type=int, default=1, help="runs of the tests at a time (1)")
    add("--out", default=str(ROOT / "out" / "mutation.csv"), help="table (out/mutation.csv)")
    add("--whole", action="store_true", help="survivors meet the whole fast set too")
    add("--again", action="store_true", help="try survivors of the table again")
    add("--fresh", action="store_true", help="forget the table")
    add("--timeout", type=float, default=0.0, help="seconds a run; 4 times the unspoilt run if 0")
    add("--list", action="store_true", help="print the sample and stop")
    return parser.parse_args()


def sample_of(size: int, seed: int, room: str | None = None) -> list[Mutant]:
    """Return faults, as many from each room as the size allows, in an order fixed by the seed."""
    by_room: dict[str, list[Mutant]] = {name: [] for name in ROOMS if room in (None, name)}
    source = ROOT / "src" / "ebbmap"
    for path in sorted(source.rglob("*.py")):
        module = path.relative_to(source).as_posix()
        name = room_of(module)
        if name in by_room:
            by_room[name] += mutants_of(module, path.read_text(encoding="utf-8"))
    for found in by_room.values():
        found.sort(key=lambda m: hashlib.sha256(f"{seed}{m.key}".encode()).digest())
    turns = max(map(len, by_room.values()), default=0)
    every = [found[n] for n in range(turns) for found in by_room.values() if n < len(found)]
    return every[:size]


def equivalent() -> dict[str, str]:
    """Return the reasons why faults change nothing that anybody could read, by key."""
    text = Path(__file__).with_name("survivors.toml").read_text(encoding="utf-8")
    return {one["key"]: one["why"] for one in tomllib.loads(text).get("equivalent", [])}


def _private_copy(folder: Path) -> Path:
    folder.mkdir()
    for name in COPIED:
        if (ROOT / name).is_dir():
            shutil.copytree(
                ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__")
            )
        else:
            shutil.copy(ROOT / name, folder / name)
    return folder


def _tests(module: str, folder: Path) -> tuple[str, ...]:
    """Return the module's tests that exist."""
    return tuple(one for one in TESTS[best_match(module, TESTS)] if (folder / one).exists())


def _asked_of(
    job: Job, tests: tuple[str, ...], known: dict[tuple[str, ...], Asked], timeout: float
):
    """Return how to run tests, from a run on the unspoilt copy: tests that fail there stay out."""
    if tests not in known:
        left_out: list[str] = []
        while True:
            _start(job, Asked(tests, tuple(left_out), 3600.0, True))
            _, code, seconds = _wait([job])
            failing = _failing(job)
            if not code:
                break
            if not failing:
                raise SystemExit(
                    f"unspoilt, {' '.join(tests)} must run; exit status {code}. See "
                    f"{_kept_log(job)}."
                )
            left_out += failing
        print(f"unspoilt  {seconds:5.1f} s  {' '.join(tests)}", flush=True)
        for one in left_out:
            print(f"left out, since it fails unspoilt: {one}", flush=True)
        known[tests] = Asked(tests, tuple(left_out), timeout or max(60.0, 4.0 * seconds))
    return known[tests]


def _failing(job: Job) -> list[str]:
    """Return the tests that the last run says have failed."""
    log = (job.folder / "log.txt").read_text(encoding="utf-8", errors="replace")
    return re.findall(r"^(?:FAILED|ERROR) (\S+)", log, re.MULTILINE)


def _run(jobs: list[Job], todo: list[Mutant], asked) -> Iterator[tuple[Mutant, str, float]]:
    """Keep every copy busy; give each fault with what became of it."""
    waiting, idle, busy = list(todo), list(jobs), []
    known: dict[tuple[str, ...], Asked] = {}
    spent: dict[str, float] = {}
    while waiting or busy:
        while waiting and idle:
            job, mutant = idle.pop(), waiting.pop(0)
            named = _asked_of(job, _tests(mutant.module, job.folder), known, asked.timeout)
            # the doctests of the module itself, which is another one each time
            own = replace(named, tests=(*named.tests, f"src/ebbmap/{mutant.module}"))
            job.mutant, job.stages = mutant, [own]
            if asked.whole:
                job.stages.append(_asked_of(job, WHOLE, known, asked.timeout))
            _plant(job, mutant)
            _start(job, job.stages.pop(0))
            busy.append(job)
        job, code, seconds = _wait(busy)
        mutant = job.mutant
        spent[mutant.key] = spent.get(mutant.key, 0.0) + seconds
        if code == 0 and job.stages:
            _start(job, job.stages.pop(0))
            continue
        if code == ELSEWHERE:
            raise SystemExit(
                "the tests did not run on the private copy. Set PYTHONPATH to nothing."
            )
        _heal(job)
        busy.remove(job)
        idle.append(job)
        yield mutant, SURVIVED if code == 0 else NOTICED, spent[mutant.key]


def _plant(job: Job, mutant: Mutant) -> None:
    path = job.folder / "src" / "ebbmap" / mutant.module
    job.unspoilt = path.read_text(encoding="utf-8")
    for compiled in (path.parent / "__pycache__").glob(f"{path.stem}.*.pyc"):
        compiled.unlink()
    path.write_text(planted(job.unspoilt, mutant.number), encoding="utf-8")


def _heal(job: Job) -> None:
    path = job.folder / "src" / "ebbmap" / job.mutant.module
    path.write_text(job.unspoilt, encoding="utf-8")


def _start(job: Job, asked: Asked) -> None:
    """Run tests in a child of this process, which has loaded what takes long to load."""
    job.started, job.limit = time.monotonic(), asked.limit
    sys.stdout.flush()
    job.process = os.fork()
    if job.process:
        return
    code = 1
    try:
        os.setsid()
        signal.signal(signal.SIGTERM, signal.SIG_DFL)
        os.chdir(job.folder)
        # what was loaded is the old tree's: nothing of it may be the package that is tested
        os.environ["PYTHONPATH"] = str(job.folder / "src")
        # what is compiled of the unspoilt copy is kept; of a fault nothing may stay
        if not asked.unspoilt:
            os.environ["PYTHONDONTWRITEBYTECODE"] = "1"
        sys.path[:0] = [str(job.folder / "src"), str(job.folder)]
        sys.path = [
            p
            for p in sys.path
            if not Path(p or ".").resolve().is_relative_to(ROOT) or "site-packages" in p
        ]
        sys.dont_write_bytecode = not asked.unspoilt
        log = os.open(job.folder / "log.txt", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.dup2(log, 1)
        os.dup2(log, 2)
        code = _pytest(job.folder, asked)
    except BaseException:
        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)


def _pytest(folder: Path, asked: Asked) -> int:
    for name in [name for name in sys.modules if name.split(".")[0] == "mutation"]:
        del sys.modules[name]
    import pytest

    import ebbmap

    if not Path(ebbmap.__file__).is_relative_to(folder):
        return ELSEWHERE
    words = [
        "-q",
        "-m",
        "not slow",
        "--no-header",
        "--tb=short",
        "-W",
        "ignore::pytest.PytestAssertRewriteWarning",
        f"--rootdir={folder}",
        "-c",
        str(folder / "pyproject.toml"),
        *([] if asked.unspoilt else ["-x"]),
    ]
    words += [f"--deselect={one}" for one in asked.left_out]
    return int(pytest.main([*words, *(str(folder / one) for one in asked.tests)]))


def _wait(jobs: list[Job]) -> tuple[Job, int, float]:
    """Wait for the first of some runs to end; one that takes too long is ended."""
    while True:
        for job in jobs:
            ended, status = os.waitpid(job.process, os.WNOHANG)
            seconds = time.monotonic() - job.started
            if not ended and seconds > job.limit:
                os.killpg(job.process, signal.SIGKILL)
                os.waitpid(job.process, 0)
                job.process = 0
                return job, 124, seconds
            if ended:
                job.process = 0
                return job, os.waitstatus_to_exitcode(status), seconds
        time.sleep(0.02)


def _kept_log(job: Job) -> Path:
    """Keep what the tests printed, since the copy goes when this process ends."""
    kept = Path(tempfile.gettempdir()) / "mutation-log.txt"
    shutil.copy(job.folder / "log.txt", kept)
    return kept


def _read(path: Path) -> dict[str, dict[str, str]]:
    if not path.exists():
        return {}
    with path.open(encoding="utf-8", newline="") as file:
        return {row["key"]: row for row in csv.DictReader(file)}


def _write(path: Path, rows: dict[str, dict[str, str]]) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    fresh = path.with_suffix(".part")
    with fresh.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, COLUMNS)
        writer.writeheader()
        writer.writerows(rows.values())
    fresh.replace(path)


def _summary(rows: list[dict[str, str]], reasons: dict[str, str]) -> None:
    """Print what was noticed, by room; faults that change nothing stand apart."""
    print("\nroom         planted  noticed  change nothing  survived  noticed of the rest")
    total = [0, 0, 0]
    for room in [*ROOMS, "all"]:
        own = [row for row in rows if row["room"] == room]
        noticed = sum(row["result"] == NOTICED for row in own)
        alike = sum(row["result"] == SURVIVED and row["key"] in reasons for row in own)
        counts = [len(own), noticed, alike]
        total = [a + b for a, b in zip(total, counts, strict=True)]
        planted_, noticed, alike = total if room == "all" else counts
        if planted_:
            rest = planted_ - alike
            print(
                f"{room:12} {planted_:7} {noticed:8} {alike:15} {rest - noticed:9} "
                f"{noticed / max(rest, 1):8.0%}"
            )
    raw = total[1] / max(total[0], 1)
    print(f"of all planted, those that change nothing among them: {raw:.1%} noticed")


if __name__ == "__main__":
    raise SystemExit(main())
