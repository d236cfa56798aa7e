"""Differences of two shares of the same cases: by hand, at the ends, and how often they hold."""

import numpy as np
import pytest
from scipy.stats import norm

from ebbmap.kernels.shares import paired_difference


def test_half_a_case_is_added_to_each_cell_of_the_table():
    one = np.repeat([True, True, False, False], [40, 25, 10, 25])
    other = np.repeat([True, False, True, False], [40, 25, 10, 25])
    difference, low, high = paired_difference(one, other, 0.95)
    b, c, n = 25.5, 10.5, 102.0
    centre = (b - c) / n
    error = np.sqrt(b / n + c / n - centre**2) / np.sqrt(n)
    assert difference == pytest.approx(0.15)
    assert low == pytest.approx(centre - norm.ppf(0.975) * error, rel=1e-12)
    assert high == pytest.approx(centre + norm.ppf(0.975) * error, rel=1e-12)


def test_equal_cases_have_an_interval_and_swapping_turns_the_sign():
    same = np.ones(200, bool)
    difference, low, high = paired_difference(same, same, 0.95)
    assert difference == 0.0 and low < 0.0 < high
    one, other = np.random.default_rng(0).random((2, 3, 50)) < 0.4
    d, low, high = paired_difference(one, other, 0.9)
    turned, other_low, other_high = paired_difference(other, one, 0.9)
    np.testing.assert_allclose(d, -turned)
    np.testing.assert_allclose([low, high], [-other_high, -other_low])
    assert (low <= d).all() and (d <= high).all()
    assert (paired_difference(np.ones(2, bool), np.zeros(2, bool), 0.99)[2] <= 1.0).all()


@pytest.mark.parametrize(
    ("only_one", "only_other", "n"), [(0.3, 0.1, 50), (0.02, 0.01, 200), (0.15, 0.15, 100)]
)
def test_intervals_hold_the_truth_about_as_often_as_they_say(only_one, only_other, n):
    kind = np.random.default_rng(7).random((4000, n))
    one, other = kind < only_one, (kind >= only_one) & (kind < only_one + only_other)
    _, low, high = paired_difference(one, other, 0.95)
    held = ((low <= only_one - only_other) & (only_one - only_other <= high)).mean()
    # 4,000 repeats have a standard error of 0.3 points; rare pairs are held more often
    assert 0.935 <= held <= 0.995
