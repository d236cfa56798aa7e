"""Cost of all gas exchange outcomes, counted in solves of the linear lung.

Run: OMP_NUM_THREADS=1 python tests/benchmarks/bench_exchange.py [cases]
"""

from __future__ import annotations

import sys

import numpy as np
from timing import HEAD, best_of, machine, row

from ebbmap.cases.evaluate import evaluate
from ebbmap.lungs import lung_model
from ebbmap.registries.outcomes import OUTCOMES, outcomes_of, plan
from ebbmap.registries.parameters import PARAMETERS


def main(cases: int) -> None:
    lung = lung_model("linear")
    rng = np.random.default_rng(1)
    exchange = tuple(
        n
        for n in outcomes_of(lung)
        if "exchange" in str(getattr(OUTCOMES[n].compute, "__module__", ""))
    )
    values = {
        name: rng.uniform(PARAMETERS[name].usual_low, PARAMETERS[name].usual_high, cases)
        for name in plan(lung, exchange).parameters
    }
    alone = evaluate(lung, values, lung.solves).outcomes
    both = evaluate(lung, values, (*lung.solves, *exchange)).outcomes
    solve, all_of_it = best_of(
        7,
        lambda: evaluate(lung, values, lung.solves, out=alone),
        lambda: evaluate(lung, values, (*lung.solves, *exchange), out=both),
    )
    print(f"{cases:,} cases, {len(exchange)} outcomes of exchange/, one core; {machine()}")
    print(HEAD)
    print(
        row(
            "gas exchange",
            f"{(all_of_it - solve) / cases * 1e9:.0f} ns a case",
            f"linear solve {solve / cases * 1e9:.0f} ns",
            (all_of_it - solve) / solve,
            "time over time, at most 3 wanted",
        )
    )


if __name__ == "__main__":
    main(int(float(sys.argv[1])) if len(sys.argv) > 1 else 1_000_000)
