"""The fit against the closed form of a linear Gaussian model, and what it refuses."""

import numpy as np
import pytest

from ebbmap.errors import EbbmapError
from ebbmap.kernels.fitting import differences, fit_numbers


def linear_case(seed=0, published=5, unknowns=4):
    rng = np.random.default_rng(seed)
    slopes = rng.normal(size=(published, unknowns))
    return (
        slopes,
        rng.normal(size=published),
        rng.uniform(0.2, 2.0, published),
        rng.normal(size=unknowns),
        rng.uniform(0.2, 2.0, unknowns),
    )


@pytest.mark.parametrize("renew", [1, 6, None])
def test_a_linear_model_has_the_posterior_of_the_closed_form(renew):
    slopes, published, errors, assumed, doubts = linear_case()
    fit = fit_numbers(
        lambda x: slopes @ x, published, errors, assumed, doubts, np.full(4, 0.1), renew=renew
    )
    # normal theory by another way: the gain of the published numbers on the assumed ones
    prior = np.diag(doubts**2)
    gain = prior @ slopes.T @ np.linalg.inv(slopes @ prior @ slopes.T + np.diag(errors**2))
    np.testing.assert_allclose(fit.values, assumed + gain @ (published - slopes @ assumed), 1e-9)
    covariance = prior - gain @ slopes @ prior
    np.testing.assert_allclose(fit.response @ fit.response.T, covariance, rtol=1e-8, atol=1e-12)
    np.testing.assert_allclose(fit.residual, (slopes @ fit.values - published) / errors)
    assert fit.settled


def test_the_response_says_where_the_fit_goes_when_a_number_moves():
    slopes, published, errors, assumed, doubts = linear_case(1)
    steps = np.full(4, 0.1)
    fit = fit_numbers(lambda x: slopes @ x, published, errors, assumed, doubts, steps)
    for place in range(9):
        more, other = published.copy(), assumed.copy()
        if place < 5:
            more[place] += errors[place]
        else:
            other[place - 5] += doubts[place - 5]
        moved = fit_numbers(lambda x: slopes @ x, more, errors, other, doubts, steps)
        np.testing.assert_allclose(moved.values - fit.values, fit.response[:, place], atol=1e-9)


def test_what_is_free_is_determined_by_what_was_published_alone():
    far = np.array([np.inf, np.inf])
    fit = fit_numbers(
        np.exp, np.array([2.0, 5.0]), np.array([0.1, 0.1]), np.zeros(2), far, np.full(2, 1e-4)
    )
    np.testing.assert_allclose(fit.values, np.log([2.0, 5.0]), atol=1e-3)
    # slopes at the solution: dx = error / exp(x)
    assert np.diag(fit.response)[:2] == pytest.approx([0.1 / 2.0, 0.1 / 5.0], rel=0.05)
    np.testing.assert_array_equal(fit.response[:, 2:], 0.0)


def test_an_unknown_that_nothing_probes_keeps_what_was_assumed():
    fit = fit_numbers(
        lambda x: x[:1],
        np.array([1.0]),
        np.array([1.0]),
        np.array([0.0, 7.0]),
        np.array([np.inf, 0.5]),
        np.array([0.1, 0.0]),
    )
    assert fit.values[1] == 7.0
    assert fit.response[1].tolist() == [0.0, 0.0, 0.5]


def test_a_fit_may_start_elsewhere_and_ends_at_the_same_place():
    slopes, published, errors, assumed, doubts = linear_case(2)
    steps = np.full(4, 0.1)
    one = fit_numbers(lambda x: slopes @ x, published, errors, assumed, doubts, steps)
    other = fit_numbers(
        lambda x: slopes @ x, published, errors, assumed, doubts, steps, start=assumed + 5.0
    )
    np.testing.assert_allclose(one.values, other.values, atol=1e-9)


def test_slopes_of_a_straight_model_are_exact():
    slopes = linear_case()[0]
    found = differences(lambda x: slopes @ x, np.ones(4), np.array([0.1, 0.0, 0.2, 0.3]))
    np.testing.assert_allclose(found[:, [0, 2, 3]], slopes[:, [0, 2, 3]], rtol=1e-12)
    np.testing.assert_array_equal(found[:, 1], 0.0)


def test_what_cannot_be_fitted_is_refused():
    one, endless = np.ones(1), np.array([np.inf])
    with pytest.raises(EbbmapError, match="nothing determines unknown 0"):
        fit_numbers(lambda x: 0.0 * x, one, one, one, endless, 0.1 * one)
    with pytest.raises(EbbmapError, match="do not tell some unknowns apart"):
        two = np.array([np.inf, np.inf])
        fit_numbers(lambda x: x[:1] + x[1:], one, one, np.ones(2), two, np.full(2, 0.1))
    with pytest.raises(EbbmapError, match="must be > 0"):
        fit_numbers(lambda x: x, one, 0.0 * one, one, one, 0.1 * one)
