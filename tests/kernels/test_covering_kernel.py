"""Boxes that cover an event in several places, and whether their edges are needed."""

import numpy as np
import pytest
from scipy.stats import binom

from ebbmap.kernels.boxes import box_stability, find_box, inside
from ebbmap.kernels.covering import find_covering, quasi_p


def corners(n=4000, d=4, seed=0):
    """Return cases with events in two opposite corners of two properties, 8 % of all."""
    x = np.random.default_rng(seed).random((n, d))
    return x, (x[:, :2] < 0.2).all(axis=1) | (x[:, :2] > 0.8).all(axis=1)


@pytest.mark.parametrize("seed", range(5))
def test_two_opposite_corners_are_two_boxes(seed):
    x, happens = corners(seed=seed)
    found = find_covering(x, happens)
    assert len(found.boxes) == 2
    assert found.coverage[1] > 0.9 and found.density[1] > 0.85
    # a tenth of a box may be cases without the event, so an edge may lie a fifth of it further out
    low, high = sorted(found.boxes, key=lambda box: box.upper[0])
    assert low.upper[:2] == pytest.approx(0.2, abs=0.05) and np.isinf(low.lower[:2]).all()
    assert high.lower[:2] == pytest.approx(0.8, abs=0.05) and np.isinf(high.upper[:2]).all()


def test_one_box_finds_a_corner_and_says_what_it_is_worth_elsewhere():
    x, happens = corners(seed=9)
    box = find_box(x, happens)
    assert box.density > 0.85 and box.coverage == pytest.approx(0.5, abs=0.06)
    stable = box_stability(x, happens, resamples=20, rng=0)
    fresh, fresh_happens = corners(seed=10, n=20_000)
    chosen = inside(fresh, box.lower, box.upper)
    low, high = stable.density
    assert low - 0.02 <= fresh_happens[chosen].mean() <= high + 0.02


def test_shares_are_those_of_all_boxes_together():
    x, happens = corners()
    found = find_covering(x, happens, most=2)
    within = np.zeros(len(x), bool)
    for number, box in enumerate(found.boxes):
        within |= inside(x, box.lower, box.upper)
        assert found.coverage[number] == pytest.approx((happens & within).sum() / happens.sum())
        assert found.density[number] == pytest.approx(happens[within].mean())


def test_a_sequence_ends_where_one_box_is_enough():
    x = np.random.default_rng(3).random((3000, 3))
    assert len(find_covering(x, x[:, 0] > 0.7, most=4).boxes) == 1


def test_a_quasi_p_value_is_a_binomial_tail():
    x, happens = corners()
    box = find_box(x, happens)
    found = quasi_p(x, happens, box)
    chosen = inside(x, box.lower, box.upper)
    for j in range(x.shape[1]):
        for side, edges in enumerate((box.lower, box.upper)):
            if not np.isfinite(edges[j]):
                assert np.isnan(found[j, side])
                continue
            wider = box.lower.copy(), box.upper.copy()
            wider[side][j] = (-np.inf, np.inf)[side]
            share = happens[inside(x, *wider)].mean()
            expected = binom.sf(happens[chosen].sum() - 1, chosen.sum(), share)
            assert found[j, side] == pytest.approx(expected, abs=1e-12)
    # the edges that make the corner are needed
    assert (found[:2][np.isfinite(found[:2])] < 1e-6).all()
