"""How often intervals of shares hold the truth with few lungs.

Run as a script it prints the table (half a minute):
`python tests/external/test_small_groups.py`.
"""

import numpy as np
import pytest
from scipy.special import ndtri

from ebbmap.kernels.shares import wilson
from ebbmap.kernels.tally import clustered_interval, paired_interval

REPEATS, SETTINGS, LEVEL = 4000, 64, 0.95

#: Beta distributions of the lungs' shares: U-shaped, to one side, rare, and around a half.
LUNGS = {"U-shaped": (0.3, 0.3), "high": (8.0, 2.0), "mostly safe": (2.0, 0.5), "half": (5.0, 5.0)}


def normal_interval(shares, weights, level):
    """Return the interval as it was before: Wilson's with a normal quantile."""
    (own,) = shares
    mean, variance = own.mean(), own.var(ddof=1) / own.size
    trials = mean * (1.0 - mean) / variance if variance > 0 else float(own.size)
    return mean, *wilson(mean * trials, trials, level)


def normal_pairs(difference, level):
    """Return the paired interval as it was before: a normal one."""
    spread = ndtri(0.5 + level / 2.0) * difference.std(ddof=1) / np.sqrt(difference.size)
    return difference.mean(), difference.mean() - spread, difference.mean() + spread


def share_coverage(interval, name, n, repeats=REPEATS):
    a, b = LUNGS[name]
    rng = np.random.default_rng(5)
    covered = 0
    for _ in range(repeats):
        own = rng.binomial(SETTINGS, rng.beta(a, b, n)) / SETTINGS
        _, low, high = interval([own], [1.0], LEVEL)
        covered += low <= a / (a + b) <= high
    return covered / repeats


def pair_coverage(interval, n, moving=0.05, by=0.6, repeats=REPEATS):
    """Return coverage and how often there is an interval: few lungs move, each by as much."""
    rng = np.random.default_rng(6)
    covered = given = 0
    for _ in range(repeats):
        difference = np.where(rng.random(n) < moving, by, 0.0)
        _, low, high = interval(difference, LEVEL)
        given += bool(np.isfinite([low, high]).all())
        covered += low <= moving * by <= high
    return covered / max(given, 1), given / repeats


@pytest.mark.parametrize("n", [5, 10, 20])
@pytest.mark.parametrize("name", LUNGS)
def test_students_quantile_covers_more_than_the_normal_one(name, n):
    now, before = (
        share_coverage(interval, name, n, 1000)
        for interval in (clustered_interval, normal_interval)
    )
    assert now >= before


@pytest.mark.parametrize("n", [5, 10, 20])
def test_shares_around_a_half_are_covered(n):
    # 1,000 repeats of a true 95 % stray by 0.7 %, three of these below
    assert share_coverage(clustered_interval, "half", n, 1000) >= 0.93


def main() -> None:
    """Print coverage before (normal quantiles) and now."""
    print(f"{REPEATS:,} repeats, nominal {LEVEL}; before (normal) -> now")
    for name in LUNGS:
        for n in (5, 10, 20, 100):
            pair = (share_coverage(f, name, n) for f in (normal_interval, clustered_interval))
            print(f"share, {name:12s} {n:4d} lungs  " + " -> ".join(f"{c:.3f}" for c in pair))
    for n in (10, 20, 30, 100, 200, 1000):
        pair = (pair_coverage(f, n) for f in (normal_pairs, paired_interval))
        words = " -> ".join(f"{c:.3f} (given {g:.2f})" for c, g in pair)
        print(f"difference, 5 % of lungs move, {n:5d} lungs  {words}", flush=True)


if __name__ == "__main__":
    main()
