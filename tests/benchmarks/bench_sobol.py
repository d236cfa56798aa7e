"""Speed of Sobol indices at every release time, against SALib's analysis of one outcome.

Run: python tests/benchmarks/bench_sobol.py [resamples of the peer]
The peer is timed on one outcome with few resamples and extrapolated to all.
"""

from __future__ import annotations

import sys
import time
import warnings

import numpy as np
from timing import HEAD, machine, row

from ebbmap.analyses.sobol import Sobol, find_sobol
from ebbmap.cases.question import Question
from ebbmap.registries.limits import LIMIT_SETS, combine
from ebbmap.registries.populations import Marginal, population

SIZE, TIMES, RESAMPLES = 8192, 20, 1000


def main(peer_resamples: int) -> None:
    rule = combine("flow_ratio", *(LIMIT_SETS[n] for n in ("pressure", "volume", "flow_ratio")))
    question = Question(
        lung="linear",
        fixed={"p_low": 0.0, "t_high": 5.0},
        samples={"p_high": Marginal("uniform", 20.0, 28.0, "invented")},
        populations=(population("restrictive"),),
        rules={"flow_ratio": rule},
        seed=1,
    )
    start = time.perf_counter()
    found = find_sobol(
        question,
        Sobol(along="t_low", base_size=SIZE, resamples=RESAMPLES),
        axes={"t_low": np.linspace(0.2, 1.8, TIMES)},
    )
    ours = time.perf_counter() - start
    outcomes, factors = found.sizes["outcome"], found.sizes["parameter"]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from SALib.analyze import sobol

        problem = {
            "num_vars": factors,
            "names": list(found["parameter"].values),
            "bounds": [[0.0, 1.0]] * factors,
        }
        y = np.random.default_rng(0).normal(size=SIZE * (2 * factors + 2))
        start = time.perf_counter()
        sobol.analyze(problem, y, calc_second_order=True, num_resamples=peer_resamples, seed=1)
    one = (time.perf_counter() - start) * RESAMPLES / peer_resamples
    peer = one * outcomes * TIMES
    print(
        f"N = {SIZE}, {TIMES} release times, {outcomes} outcomes, {factors} factors, "
        f"{RESAMPLES} resamples; {machine()}"
    )
    print(HEAD)
    print(
        row(
            "Sobol, runs included",
            f"{ours:.1f} s",
            f"SALib {peer:,.0f} s",
            peer / ours,
            f"peer: one outcome, {peer_resamples} resamples, extrapolated",
        )
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100)
