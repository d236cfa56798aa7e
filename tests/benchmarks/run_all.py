"""All benchmarks, one after the other, as tables for DEVELOPERS.md.

Run: OMP_NUM_THREADS=1 python tests/benchmarks/run_all.py [full]
Without `full`, sizes are a tenth, which takes a few minutes.
"""

from __future__ import annotations

import sys
from datetime import UTC, datetime

import bench_breathing
import bench_exchange
import bench_linear
import bench_peers
import bench_size
import bench_sobol
import bench_stepped
import bench_stream
import bench_whole


def main(full: bool) -> None:
    scale = 10 if full else 1
    print(f"{datetime.now(UTC):%d %B %Y}\n")
    for title, run in (
        ("Linear lung", lambda: bench_linear.main(1_000_000 * scale)),
        ("Gas exchange", lambda: bench_exchange.main(1_000_000)),
        ("Lungs against an integrator", lambda: bench_peers.main(100_000 * scale, 20 * scale)),
        ("Stepped lung", lambda: bench_stepped.main(20_000 * scale)),
        ("Whole lung", lambda: bench_whole.main(20_000 * scale, 5 * scale)),
        ("Breathing lung", lambda: bench_breathing.main(4_000 * scale)),
        ("Sensitivity", lambda: bench_sobol.main(10 * scale)),
        ("Streaming", lambda: bench_stream.main(10_000_000 * scale)),
        ("Cost against size", lambda: bench_size.main(10_000_000 * scale)),
    ):
        print(f"### {title}\n", flush=True)
        run()
        print(flush=True)


if __name__ == "__main__":
    main("full" in sys.argv[1:])
