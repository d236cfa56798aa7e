"""How far limits are passed, beside closed forms of the normal distribution and plain counting."""

import numpy as np
import pytest
from scipy.stats import norm

from ebbmap.kernels.excess import TAIL, excess_of, worst_mean

#: Places of a normal distribution, evenly spread in probability.
PLACES = norm.ppf((np.arange(200_000) + 0.5) / 200_000)


@pytest.mark.parametrize(("mean", "sd"), [(-0.5, 0.4), (0.0, 1.0), (0.7, 0.2)])
def test_a_normal_excess_has_its_closed_form(mean, sd):
    # Johnson, Kotz and Balakrishnan, Continuous univariate distributions 1 (from memory):
    # E max(X, 0) = mean Phi(mean/sd) + sd phi(mean/sd), E(X | X > q) = mean + sd phi(z)/(1 - p)
    found = excess_of(-(mean + sd * PLACES)[None], np.array([0.1, 0.25]))
    expected = mean * norm.cdf(mean / sd) + sd * norm.pdf(mean / sd)
    tail = mean + sd * norm.pdf(norm.ppf(TAIL)) / TAIL
    # 200,000 places cut the far tail at 5e-6
    assert found.expected[0] == pytest.approx(expected, abs=2e-5)
    assert found.worst[0] == pytest.approx(tail, abs=2e-4 * sd)
    for share, distance in zip(found.past[:, 0], (0.1, 0.25), strict=True):
        assert share == pytest.approx(norm.sf((distance - mean) / sd), abs=5e-6)


def test_what_is_unknown_is_past_no_limit_and_has_no_distance():
    margins = np.array([[np.nan, -0.5, 0.5, np.nan], [np.nan] * 4])
    found = excess_of(margins, np.array([0.1]))
    assert found.past.tolist() == [[0.25, 0.0]]
    np.testing.assert_array_equal(found.expected, [0.25, np.nan])
    np.testing.assert_array_equal(found.worst, [0.5, np.nan])


def test_what_runs_away_is_past_every_distance_and_leaves_the_worst_without_a_number():
    margins = np.array([[np.nan, -0.2, 0.4, 0.6]])
    found = excess_of(margins, np.array([0.1, 9.0]), runaway=np.isnan(margins))
    assert found.past.ravel().tolist() == [0.5, 0.25]
    assert found.expected[0] == pytest.approx(0.2 / 3)
    assert np.isnan(found.worst[0])


@pytest.mark.parametrize("n", [1, 7, 20, 50, 1000])
def test_the_worst_of_few_cases_are_counted_in_part(n):
    values = np.random.default_rng(n).normal(size=n)
    # one in twenty of each value repeated twenty times is a whole number of them
    plain = np.sort(np.repeat(values, 20))[-n:].mean()
    assert worst_mean(values) == pytest.approx(plain, rel=1e-12)


def test_the_worst_of_all_is_the_mean_and_of_none_is_unknown():
    assert worst_mean(np.array([1.0, 2.0, 6.0]), 1.0) == pytest.approx(3.0)
    assert np.isnan(worst_mean(np.array([])))
