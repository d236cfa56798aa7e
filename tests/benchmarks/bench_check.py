"""Time and memory of `ebbmap check` on a protocol, the verdict and the rest apart.

Run: OMP_NUM_THREADS=1 python tests/benchmarks/bench_check.py [protocol]
"""

from __future__ import annotations

import resource
import sys
import time
from pathlib import Path

from timing import machine

from ebbmap.committee.check import check_protocol
from ebbmap.committee.counting import cases_of, count_groups
from ebbmap.committee.lungs import workers
from ebbmap.files.protocol import load_protocol
from ebbmap.report.build import page
from ebbmap.tables.committee.check import check_tables


def main(path: Path) -> None:
    protocol = load_protocol(path)
    cases = cases_of(protocol)
    start, cpu = time.perf_counter(), time.process_time()
    count_groups(protocol)
    verdict, verdict_cpu = time.perf_counter() - start, time.process_time() - cpu
    start, cpu = time.perf_counter(), time.process_time()
    check = check_protocol(protocol, date="2026-01-01")
    page(check, check_tables(check), "2026-01-01")
    whole, whole_cpu = time.perf_counter() - start, time.process_time() - cpu
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(machine(), f"{workers()} threads, {cases / 1e6:.0f} million cases")
    print(
        f"verdict {verdict:.1f} s ({verdict_cpu:.1f} s of processor time, "
        f"{1e9 * verdict_cpu / cases:.0f} ns a case)"
    )
    print(f"whole check and page {whole:.1f} s ({whole_cpu:.1f} s), {memory:.2f} GB at most")


if __name__ == "__main__":
    default = Path(__file__).parents[2] / "studies" / "protocols" / "harbour_draft.toml"
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else default)
