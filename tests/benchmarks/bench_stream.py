"""Streamed sweeps: to a store, to a map, gone on with, on one and two processes, by size.

Run: OMP_NUM_THREADS=1 python tests/benchmarks/bench_stream.py [cases] [store | map]

Ratios by processor time hardly depend on who else uses the machine; those by the clock do.
"""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import psutil
from timing import HEAD, machine, row

from ebbmap.files.study import parse_study
from ebbmap.runs.job import Job
from ebbmap.runs.run import run_study

#: Twelve outcomes.
KEPT = (
    "release_volume",
    "release_volume_per_kg",
    "trapped_volume",
    "end_high_pressure",
    "end_release_pressure",
    "auto_peep",
    "fill_fraction",
    "exhaled_fraction",
    "peak_expiratory_flow",
    "end_release_flow",
    "flow_ratio",
    "driving_pressure",
)

#: Cells of the settings: P high by T low.
CELLS = (10, 20)


#: Most lungs drawn; beyond, T high is laid out too.
LUNGS = 100_000


def study(cases: int, sweep: str):
    behind = max(2, cases // (CELLS[0] * CELLS[1]))
    times = -(-behind // LUNGS)
    return parse_study(f"""
title = "benchmark"
lung = "linear"
populations = ["restrictive"]
lungs = {behind // times}
[axes]
p_high = {{ start = 18.0, stop = 32.0, count = {CELLS[0]} }}
t_low = {{ start = 0.2, stop = 1.6, count = {CELLS[1]} }}
t_high = {[float(t) for t in np.linspace(3.0, 8.0, times)]}
[limits]
rules = ["flow_ratio"]
[analyses.sweep]
{sweep}
""")


def store_of(cases: int):
    return study(
        cases,
        f"""outcomes = {list(KEPT)}
judged = false
store = "zarr"
precision = "float32"
""",
    )


def map_of(cases: int):
    return study(
        cases,
        """store = "none"
reductions = ["safe_share"]
reduce_to = ["p_high", "t_low"]
""",
    )


class Peak:
    """Largest memory [bytes] and processor time [s] of this process and its children.

    Memory is seen every half second: looking more often would be a good part of the time itself.
    """

    def __enter__(self) -> Peak:
        self.bytes, self._on = 0, True
        self.busy = -processor_time()
        self._thread = threading.Thread(target=self._watch)
        self._thread.start()
        return self

    def _watch(self) -> None:
        own = psutil.Process()
        while self._on:
            total = 0
            for process in (own, *own.children(recursive=True)):
                try:
                    total += process.memory_info().rss
                except psutil.Error:
                    continue
            self.bytes = max(self.bytes, total)
            time.sleep(0.5)

    def __exit__(self, *_: object) -> None:
        self._on = False
        self._thread.join()
        self.busy += processor_time()


def processor_time() -> float:
    """Of this process and its children so far [s]."""
    own = psutil.Process()
    spent = [process.cpu_times() for process in (own, *own.children(recursive=True))]
    return sum(one.user + one.system for one in spent)


def timed(function: Callable[[], object]) -> float:
    start = time.perf_counter()
    function()
    return time.perf_counter() - start


def both(function: Callable[[], object]) -> tuple[float, float]:
    """Seconds by the clock and of this processor."""
    busy = time.process_time()
    return timed(function), time.process_time() - busy


def run(asked, folder: Path, workers: int) -> None:
    for _ in run_study(asked, folder, workers=workers, progress=lambda task: lambda n: None):
        pass


def warm(folder: Path, workers: int) -> None:
    """Start the workers and let them import, which a long run does not notice."""
    run(map_of(4_000_000), folder / f"warm{workers}", workers)
    run(store_of(1_000_000), folder / "warm", 1)


def pure_solve(asked, folder: Path) -> tuple[float, float]:
    """Seconds of one process for solving into the same memory again and again."""
    job = Job(asked)
    job.solve(job.layout.box(0))
    return both(lambda: [job.solve(job.layout.box(n)) for n in range(job.layout.blocks)])


def pure_write(store: Path, folder: Path) -> tuple[float, float]:
    """Seconds of one process for writing files of the same number and the same bytes to the disk.

    As for the store, time runs until the disk has them: before that it has only been put off.
    """
    sizes = [p.stat().st_size for p in store.rglob("*") if p.is_file()]
    rubbish = np.random.default_rng(0).bytes(max(sizes))
    folder.mkdir()

    def write() -> None:
        for number, size in enumerate(sizes):
            with open(folder / str(number), "wb") as file:
                file.write(memoryview(rubbish)[:size])
        os.sync()

    os.sync()
    return both(write)


def bench_store(cases: int, folder: Path) -> None:
    asked = store_of(cases)
    times, busy = {}, {}
    for workers in (1, 2):
        os.sync()
        with Peak() as peak:
            times[workers] = timed(lambda w=workers: (run(asked, folder / f"s{w}", w), os.sync()))
        memory, busy[workers] = peak.bytes / 1e9, peak.busy
    again = timed(lambda: run(asked, folder / "s2", 2))
    solve = pure_solve(asked, folder / "p")
    shutil.rmtree(folder / "s1")
    write = pure_write(folder / "s2" / "cases.zarr", folder / "w")
    size = sum(p.stat().st_size for p in (folder / "w").iterdir()) / 1e9
    each = 1e9 / cases
    clock, processor = (max(solve[k] / 2, write[k]) for k in (0, 1))
    print(
        row(
            "12 outcomes float32 to Zarr, 2 processes",
            f"{times[2]:.1f} s",
            f"solve alone {solve[0] / 2:.1f} s, write alone {write[0]:.1f} s",
            times[2] / clock,
            f"{size:.2f} GB, peak memory {memory:.2f} GB; at most 2 wanted",
        )
    )
    print(
        row(
            "the same by processor time",
            f"{busy[2] * each / 2:.0f} ns a case",
            f"solve alone {solve[1] * each / 2:.0f} ns, write alone {write[1] * each:.0f} ns",
            busy[2] / 2 / processor,
            "half of what two processes take",
        )
    )
    print(
        row(
            "the same, 1 to 2 processes",
            f"{times[2]:.1f} s",
            f"{times[1]:.1f} s",
            times[1] / times[2],
            f"by processor time {2 * busy[1] / busy[2]:.2f}; at least 1.8 wanted",
        )
    )
    print(row("a finished run gone on with", f"{again:.2f} s", "", 0.0, "at most 2 s wanted"))
    shutil.rmtree(folder / "s2")
    shutil.rmtree(folder / "w")


def bench_map(cases: int, folder: Path) -> None:
    asked = map_of(cases)
    times, busy = {}, {}
    for workers in (1, 2):
        with Peak() as peak:
            times[workers] = timed(lambda w=workers: run(asked, folder / f"m{cases}-{w}", w))
        busy[workers] = peak.busy
    print(
        row(
            f"safe-share map, {cases:,} cases",
            f"{times[2]:.1f} s",
            f"1 process {times[1]:.1f} s",
            times[1] / times[2],
            f"{busy[2] / cases * 1e9:.0f} ns of processor a case; by processor time "
            f"{2 * busy[1] / busy[2]:.2f}; peak memory {peak.bytes / 1e9:.2f} GB",
        )
    )


def main(cases: int, what: str) -> None:
    folder = Path(tempfile.mkdtemp(prefix="stream", dir=os.environ.get("BENCH_DIR")))
    try:
        print(
            f"{cases:,} cases, at most 2 processes; {machine()}, "
            f"load {os.getloadavg()[0]:.1f} on {psutil.cpu_count()} cores"
        )
        print(HEAD)
        warm(folder, 2)
        if what != "map":
            bench_store(cases, folder)
        if what != "store":
            for size in (cases // 10, cases):
                bench_map(size, folder)
    finally:
        shutil.rmtree(folder)


if __name__ == "__main__":
    main(
        int(float(sys.argv[1])) if len(sys.argv) > 1 else 20_000_000,
        sys.argv[2] if len(sys.argv) > 2 else "",
    )
