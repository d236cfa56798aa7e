"""The breathing lung: cases a second with efforts given, and with efforts that answer to CO2.

Run: OMP_NUM_THREADS=1 python tests/benchmarks/bench_breathing.py [cases]
Processor time, also of the peer: the stepped lung, cycle by cycle, run once on a few of the cases
with nothing but efforts on. The error is against 64 phases.
"""

from __future__ import annotations

import sys
import time

import numpy as np
from timing import HEAD, machine, row

from ebbmap.cases.evaluate import NOT_CONVERGED, evaluate
from ebbmap.lungs import lung_model
from ebbmap.lungs.breathing import closing
from ebbmap.registries.parameters import PARAMETERS

REPEATS, CHECKED, PEERS = 3, 200, 8
NAMES = ("release_volume", "own_minute_volume", "paco2", "mean_transpulmonary_pressure")


def draw(cases: int, *, answers: bool) -> dict[str, np.ndarray]:
    """Cases over the usual ranges; efforts are given, or answer to CO2."""
    rng = np.random.default_rng(1)
    values = {
        name: rng.uniform(PARAMETERS[name].usual_low, PARAMETERS[name].usual_high, cases)
        for name in lung_model("breathing").parameters
    }
    values["upstream_resistance"][:] = 0.0
    values["effort_pressure" if answers else "effort_gain"][:] = 0.0
    return values


def processor_time(lung: str, values: dict[str, np.ndarray], names: tuple[str, ...]) -> float:
    """Least processor time of a few runs [s]."""
    least = np.inf
    for _ in range(1 if lung == "stepped" else REPEATS):
        start = time.process_time()
        evaluate(lung_model(lung), values, names)
        least = min(least, time.process_time() - start)
    return least


def worst(values: dict[str, np.ndarray]) -> str:
    """Relative error of each outcome against 64 phases: median and 95th centile."""
    few = {name: value[:CHECKED] for name, value in values.items()}
    ours = evaluate(lung_model("breathing"), few, NAMES).outcomes
    usual, closing.PHASES = closing.PHASES, 64
    fine = evaluate(lung_model("breathing"), few, NAMES).outcomes
    closing.PHASES = usual
    parts = []
    for name in NAMES:
        off = np.nanquantile(np.abs(ours[name] / fine[name] - 1.0), (0.5, 0.95))
        parts.append(f"{name} {off[0]:.0e}, {off[1]:.0e}")
    return "; ".join(parts)


def main(cases: int) -> None:
    """Print the table."""
    print(machine())
    print(HEAD)
    stepped = lung_model("stepped")
    given = draw(cases, answers=False)
    known = {name: given[name][:PEERS] for name in stepped.parameters if name in given}
    peer = PEERS / processor_time("stepped", known, ("release_volume",))
    for case, answers in (("efforts given", False), ("efforts that answer to CO2", True)):
        values = draw(cases, answers=answers)
        rate = cases / processor_time("breathing", values, NAMES)
        status = evaluate(lung_model("breathing"), values, NAMES[:1]).status
        note = f"{np.mean(status != NOT_CONVERGED):.1%} settled; {worst(values)}"
        print(row(case, f"{rate:,.0f} cases/s", f"{peer:,.0f} cases/s", rate / peer, note))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 4000)
