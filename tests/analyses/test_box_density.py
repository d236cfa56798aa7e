"""The interval of a box's density keeps its promise: it is of cases that the box has not seen."""

import numpy as np
import pytest

from ebbmap.kernels.boxes import box_stability, find_box, inside

RATE = 0.2


@pytest.mark.parametrize("seed", [0, 1])
def test_a_box_in_pure_noise_is_dense_where_it_was_fitted_and_not_elsewhere(seed):
    rng = np.random.default_rng(seed)
    values, events = rng.random((3000, 4)), rng.random(3000) < RATE
    assert find_box(values, events, density=0.9).density > 1.7 * RATE
    low, high = box_stability(
        values, events, density=0.9, resamples=20, level=0.02, rng=seed
    ).density
    # the middle of 20 boxes with about 20 cases left out each: a standard error of 0.025, four
    # of them; on the cases of the fit it would be 0.34 and more
    assert (low + high) / 2 == pytest.approx(RATE, abs=0.1)


def by_hand(values, events, density, resamples, seed):
    """Coverage, density and edges of the box of every resample, drawn with the same numbers."""
    rng = np.random.default_rng(seed)
    n = len(values)
    worth, edges = [], []
    for _ in range(resamples):
        rows = rng.integers(n, size=n)
        box = find_box(values[rows], events[rows], density=density)
        left = np.setdiff1d(np.arange(n), rows)
        held = inside(values[left], box.lower, box.upper)
        worth.append(
            (
                (events[left] & held).sum() / events[left].sum() if events[left].any() else np.nan,
                events[left][held].mean() if held.any() else np.nan,
            )
        )
        edges.append((box.lower, box.upper))
    return np.array(worth), np.moveaxis(np.array(edges), 1, 2)


@pytest.mark.parametrize(("n", "rate"), [(300, 0.9), (120, 0.15)])
def test_stability_is_that_of_counting_on_the_cases_left_out(n, rate):
    rng = np.random.default_rng(1)
    values = rng.random((n, 2))
    # in the second case most boxes are small, and some hold no event that was left out
    events = (values[:, 0] < 0.4) & (rng.random(n) < rate)
    worth, edges = by_hand(values, events, 0.8, 25, seed=3)
    found = box_stability(values, events, density=0.8, resamples=25, level=0.8, rng=3)
    for name, column in (("coverage", worth[:, 0]), ("density", worth[:, 1])):
        expected = np.nanquantile(column, [0.1, 0.9])
        np.testing.assert_allclose(getattr(found, name), expected, rtol=1e-12, err_msg=name)
    there = np.isfinite(edges)
    # a lower and an upper edge of each property, each with two ends of its interval
    assert found.edges.shape == (2, 2, 2)
    np.testing.assert_array_equal(found.restricted, there.mean(axis=0))
    for j, side in np.argwhere(there.any(axis=0)):
        own = edges[there[:, j, side], j, side]
        np.testing.assert_allclose(found.edges[j, side], np.quantile(own, [0.1, 0.9]))
    if rate < 0.5:
        assert (worth[:, 1] == 0).any()
