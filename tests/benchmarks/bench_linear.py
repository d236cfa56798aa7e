"""Speed of the linear lung: blocked against whole arrays, and the cost of labels.

Run: OMP_NUM_THREADS=1 python tests/benchmarks/bench_linear.py [cases]
"""

from __future__ import annotations

import sys

import numpy as np
import xarray as xr
from timing import HEAD, best_of, machine, row

from ebbmap.cases.evaluate import evaluate
from ebbmap.cases.simulate import simulate
from ebbmap.lungs import lung_model
from ebbmap.registries.outcomes import OUTCOMES, outcomes_of, plan
from ebbmap.registries.parameters import PARAMETERS


def main(cases: int) -> None:
    lung = lung_model("linear")
    # the mechanical outcomes; gas exchange has its own row
    names = tuple(
        n
        for n in outcomes_of(lung)
        if "exchange" not in str(getattr(OUTCOMES[n].compute, "__module__", ""))
    )
    rng = np.random.default_rng(1)
    values = {
        name: rng.uniform(PARAMETERS[name].usual_low, PARAMETERS[name].usual_high, cases)
        for name in plan(lung, names).parameters
    }
    labelled = {name: xr.DataArray(array, dims="sample") for name, array in values.items()}
    out = evaluate(lung, values, names).outcomes
    blocked, whole, fresh, labels = best_of(
        5,
        lambda: evaluate(lung, values, names, out=out),
        lambda: evaluate(lung, values, names, block=cases),
        lambda: evaluate(lung, values, names),
        lambda: simulate("linear", outcomes=names, **labelled),
    )

    def rate(seconds: float) -> str:
        return f"{cases / seconds / 1e6:.1f} million cases/s"

    print(f"{cases:,} cases, {len(names)} outcomes, one core; {machine()}")
    print(HEAD)
    print(row("into given arrays", rate(blocked), f"whole arrays {rate(whole)}", whole / blocked))
    print(row("into fresh memory", rate(fresh), f"whole arrays {rate(whole)}", whole / fresh))
    print(
        row(
            "labelled",
            rate(labels),
            f"array kernel {rate(fresh)}",
            labels / fresh,
            "time over time",
        )
    )


if __name__ == "__main__":
    main(int(float(sys.argv[1])) if len(sys.argv) > 1 else 10_000_000)
