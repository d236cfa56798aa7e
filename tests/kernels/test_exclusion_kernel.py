"""Sets of limits that exclude each other, beside trying every subset."""

from itertools import combinations

import numpy as np
import pytest
from scipy.stats import spearmanr

from ebbmap.kernels.exclusion import (
    MOST_BOUNDS,
    broken_sets,
    exclusions,
    largest_kept,
    rank_correlation,
)


def by_brute_force(broken):
    """Try every set of bounds at every setting: smallest that none keeps, largest that one does."""
    k = len(broken)
    every = [frozenset(c) for size in range(k + 1) for c in combinations(range(k), size)]
    kept = [s for s in every if any(not broken[list(s), j].any() for j in range(broken.shape[1]))]
    lost = [s for s in every if s not in kept]
    smallest = {s for s in lost if not any(other < s for other in lost)}
    largest = {s for s in kept if not any(other > s for other in kept)}
    return smallest, largest


def as_sets(found):
    return {frozenset(i for i in range(64) if one >> i & 1) for one in found}


@pytest.mark.parametrize("seed", range(30))
def test_exclusions_and_largest_sets_are_what_trying_every_subset_gives(seed):
    rng = np.random.default_rng(seed)
    k, m = rng.integers(1, 8), rng.integers(1, 25)
    broken = rng.random((k, m)) < rng.uniform(0.1, 0.7)
    bits = broken_sets(broken).tolist()
    smallest, largest = by_brute_force(broken)
    found = exclusions(bits)
    assert as_sets(found) == smallest and len(found) == len(smallest)
    assert as_sets(largest_kept(bits, k)) == largest


def test_identity_of_a_filled_linear_lung():
    # auto-PEEP = flow ratio * (P high - P low): a ratio of at least 0.5 and auto-PEEP of at most
    # 10 exclude each other exactly where P high - P low is above 20
    ratio = np.geomspace(0.001, 1.0, 2001)
    for span, apart in ((19.9, False), (20.1, True), (30.0, True)):
        broken = np.stack([ratio < 0.5, ratio * span > 10.0])
        assert exclusions(broken_sets(broken)) == ([3] if apart else [])


def test_ranks_are_those_of_spearman():
    rng = np.random.default_rng(1)
    values = rng.normal(size=(4, 60)).round(1)  # with ties
    np.testing.assert_allclose(rank_correlation(values), spearmanr(values.T)[0], atol=1e-12)
    values[0] = 1.0
    assert np.isnan(rank_correlation(values)[0]).all()


def test_more_bounds_than_bits_are_refused():
    with pytest.raises(ValueError, match="at most 62 bounds; got 63"):
        broken_sets(np.zeros((MOST_BOUNDS + 1, 1), bool))
