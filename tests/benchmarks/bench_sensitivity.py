"""Sobol indices of many outputs: time and memory against SALib's own analysis, run by hand.

    python tests/benchmarks/bench_sensitivity.py [--rows 8192] [--salib-resamples 1000]

Both analyse the same design: 12 parameters, second order, 1000 bootstrap resamples. Ours takes
15 outcomes at once; SALib takes one, timed once, and its time is multiplied by 15 (it treats
outcomes one after the other, so nothing is saved). The point estimates must agree to rounding.
"""

import argparse
import resource
import time

import numpy as np
from SALib.analyze import sobol as salib_sobol

from ebbmap.cases.design import draw_sobol_design
from ebbmap.kernels.resampling import REPLICATES
from ebbmap.kernels.sobol import sobol_indices

PARAMETERS, OUTCOMES = 12, 15


def model(unit: np.ndarray) -> np.ndarray:
    """Smooth outcomes with interactions, shape (rows, 15)."""
    rng = np.random.default_rng(0)
    linear = unit @ rng.normal(size=(PARAMETERS, OUTCOMES))
    pairs = (unit @ rng.normal(size=(PARAMETERS, OUTCOMES))) * (unit[:, :1] - 0.5)
    return linear + pairs + np.exp(-linear / 2.0)


def peak() -> float:
    """Peak memory of this process so far [MB]."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3


def main() -> None:
    """Time both, compare, print."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--rows", type=int, default=8192)
    options.add_argument("--salib-resamples", type=int, default=1000)
    asked = options.parse_args()
    names = [f"x{j}" for j in range(PARAMETERS)]
    for replicates in (1, REPLICATES):
        unit = draw_sobol_design(names, asked.rows, replicates=replicates, seed=0).unit.values
        outputs = model(unit)
        start = time.perf_counter()
        ours = sobol_indices(
            outputs, factors=PARAMETERS, resamples=1000, replicates=replicates, rng=0
        )
        spent = time.perf_counter() - start
        how = "1000 resamples" if replicates == 1 else f"{replicates} replicates"
        print(f"ours, {OUTCOMES} outcomes, {how}: {spent:.2f} s, peak {peak():.0f} MB")
        if replicates == 1:
            bootstrap, first, kept = spent, ours, outputs[:, 0].copy()
    problem = {"num_vars": PARAMETERS, "names": names, "bounds": [[0.0, 1.0]] * PARAMETERS}
    start = time.perf_counter()
    theirs = salib_sobol.analyze(problem, kept, num_resamples=asked.salib_resamples, seed=1)
    spent = (time.perf_counter() - start) * 1000 / asked.salib_resamples
    print(
        f"SALib, one outcome, 1000 resamples: {spent:.1f} s; {OUTCOMES}: {OUTCOMES * spent:.0f} s"
    )
    upper = np.triu_indices(PARAMETERS, 1)
    apart = max(
        np.abs(first.first[:, 0] - theirs["S1"]).max(),
        np.abs(first.total[:, 0] - theirs["ST"]).max(),
        np.abs(first.second[..., 0][upper] - theirs["S2"][upper]).max(),
    )
    print(f"largest difference of an index: {apart:.1e}; {OUTCOMES * spent / bootstrap:.0f} times")
    half = np.diff(first.total_interval)[:, 0, 0] / 2.0
    print(f"half widths of total indices over SALib's: {np.mean(half / theirs['ST_conf']):.3f}")


if __name__ == "__main__":
    main()
