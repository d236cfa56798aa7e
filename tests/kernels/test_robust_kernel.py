"""The arithmetic of a robust choice, beside what is counted one by one."""

from itertools import product

import numpy as np
import pytest

from ebbmap.kernels.robust import (
    best_place,
    goal_interval,
    goal_of,
    lost_to_best,
    reached,
    served_boxes,
    spans_of,
)


def test_boxes_are_served_as_each_of_their_places_is():
    rng = np.random.default_rng(0)
    safe = rng.random((5, 4, 3, 20)) < 0.9
    spans = [
        (np.array([0, 1, 3]), np.array([2, 3, 4])),
        (np.arange(4), np.arange(4)),
        (np.array([0, 1]), np.array([1, 2])),
    ]
    found = served_boxes(safe, spans)
    assert found.shape == (3, 4, 2, 20) and 0 < found.mean() < 1
    for box in product(range(3), range(4), range(2)):
        inside = [slice(first[i], last[i] + 1) for (first, last), i in zip(spans, box, strict=True)]
        one_by_one = safe[tuple(inside)].reshape(-1, 20).all(axis=0)
        np.testing.assert_array_equal(found[box], one_by_one)


def test_stretches_are_as_wide_as_asked_on_even_and_uneven_axes():
    even = np.linspace(0.2, 1.4, 13)
    first, last = spans_of(even, 0.3)
    np.testing.assert_allclose(even[last] - even[first], 0.3, rtol=1e-12)
    assert first.size == 10
    first, last = spans_of(np.array([0.1, 0.2, 0.4, 0.5, 0.8]), 0.3)
    assert list(zip(first.tolist(), last.tolist(), strict=True)) == [(0, 2), (1, 3), (3, 4)]
    first, last = spans_of(even, 0.0)
    assert (first == last).all() and first.size == 13
    assert spans_of(even, 0.25)[0].size == spans_of(even, 2.0)[0].size == 0


def test_a_goal_is_reached_in_as_many_draws_as_asked():
    goal = np.random.default_rng(1).random((37, 6))
    for sure in (0.01, 0.5, 0.9, 0.999):
        value = reached(goal, sure)
        assert ((goal >= value).mean(axis=0) >= sure).all()
        # and no larger one of the values that there are is
        above = np.where(goal > value, goal, np.inf).min(axis=0)
        assert ((goal >= above).mean(axis=0) < sure).all()


def test_of_equals_the_middle_is_best_and_none_is_better_than_the_best():
    flat = np.zeros((5, 5))
    flat[1:4, 1:4] = 1.0
    assert best_place(flat) == (2, 2)
    goal = np.random.default_rng(2).random((9, 3, 4))
    lost = lost_to_best(goal, (1, 2))
    assert lost.shape == (9,) and (lost >= 0).all()
    np.testing.assert_allclose(goal[:, 1, 2] + lost, goal.max(axis=(1, 2)), rtol=1e-12)


@pytest.mark.parametrize("goal", ["worst", "mean"])
@pytest.mark.parametrize(
    "shares", [(0.6, 0.9), (0.7, 0.7, 0.7), (0.05, 0.1), (0.5,)], ids=lambda s: str(len(s))
)
def test_intervals_of_a_goal_hold_it(goal, shares):
    """Lungs of one number share their random numbers, as groups of a question do."""
    rng = np.random.default_rng(3)
    truth = goal_of(np.array(shares), goal)
    n, repeats = 100, 2000
    scores = rng.random((repeats, n))
    served = np.stack([scores < share for share in shares])
    low, high = goal_interval(served, goal, 0.95)
    held = ((low <= truth) & (truth <= high)).mean()
    # two standard errors of 2,000 repeats are one point; Wilson's own coverage dips by another
    assert held > 0.93, held
    apart = rng.random((len(shares), repeats, n)) < np.array(shares)[:, None, None]
    low, high = goal_interval(apart, goal, 0.95)
    assert ((low <= truth) & (truth <= high)).mean() > 0.93
