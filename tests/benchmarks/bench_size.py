"""Cost against size, one process: is it a straight line? And what memory can do.

Run: OMP_NUM_THREADS=1 python tests/benchmarks/bench_size.py [largest]
"""

from __future__ import annotations

import resource
import sys
import time

import numpy as np
from bench_stream import map_of
from timing import HEAD, best_of, machine, row

from ebbmap.runs.job import Job


def main(largest: int) -> None:
    print(f"safe-share map, one process, processor time; {machine()}")
    print(HEAD)
    a, b = np.ones(10_000_000), np.ones(10_000_000)
    (copied,) = best_of(3, lambda: np.copyto(a, b))
    bandwidth = 2 * a.nbytes / copied
    size, first = 100_000, None
    while size <= largest:
        job = Job(map_of(size))
        job.solve(job.layout.box(0))
        start = time.process_time()
        for number in range(job.layout.blocks):
            job.solve(job.layout.box(number))
        each = (time.process_time() - start) / job.layout.cases
        first = first or each
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
        print(
            row(
                f"{size:,} cases",
                f"{each * 1e9:.0f} ns a case",
                "smallest size",
                each / first,
                f"peak memory {memory:.2f} GB; as 7 outcomes in memory this would read and write "
                f"{7 * 8 / each / bandwidth:.0%} of what memory can do",
            )
        )
        size *= 10


if __name__ == "__main__":
    main(int(float(sys.argv[1])) if len(sys.argv) > 1 else 10_000_000)
