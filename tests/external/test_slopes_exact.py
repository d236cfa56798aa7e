"""Bounds from slopes against functions whose Sobol indices and bounds are known exactly."""

import numpy as np
import pytest

from ebbmap.analyses.slopes import Slopes, find_slopes
from ebbmap.cases.question import Question
from ebbmap.kernels.slopes import slope_bounds
from ebbmap.registries.populations import population


def product(spreads):
    """Return least, first, total and most of exp(a . u), by hand.

    With A = sum a^2: Var = e^A (e^A - 1), E f_i^2 = a_i^2 e^2A, (E f_i)^2 = a_i^2 e^A,
    V_i = e^A (e^(a_i^2) - 1), V_total,i = e^2A - e^(2A - a_i^2).
    """
    squares = np.asarray(spreads) ** 2
    whole = np.exp(squares.sum())
    return (
        squares / (whole - 1.0),
        (np.exp(squares) - 1.0) / (whole - 1.0),
        (whole - whole * np.exp(-squares)) / (whole - 1.0),
        squares * whole / (whole - 1.0),
    )


@pytest.mark.parametrize("spreads", [(0.1, 0.3), (0.5, 0.4, 0.2), (0.8, 0.1)])
def test_the_bounds_hold_the_indices(spreads):
    least, first, total, most = product(spreads)
    assert np.all(least <= first)
    assert np.all(first <= total)
    assert np.all(total <= most)


def test_a_product_of_lognormals():
    spreads = np.array([0.5, 0.3, 0.1])
    rng = np.random.default_rng(5)
    u = rng.standard_normal((40_000, 3))
    value = np.exp(u @ spreads)
    found = slope_bounds(
        value[:, None], value[:, None, None] * spreads[None, :, None], resamples=100, rng=rng
    )
    least, _, _, most = product(spreads)
    for estimate, interval, exact in (
        (found.least, found.least_interval, least),
        (found.most, found.most_interval, most),
    ):
        half = 0.5 * (interval[:, 0, 1] - interval[:, 0, 0])
        # an interval of 95 % is two standard errors: three of them are rarely passed
        assert np.all(np.abs(estimate[:, 0] - exact) < 1.5 * half)
        assert np.all(half < 0.06 * exact + 1e-3)
    np.testing.assert_allclose(found.slope[:, 0], spreads * np.exp(0.5 * 0.35), rtol=0.02)


def test_an_odd_function_has_no_slope_on_average_and_all_the_variance():
    """For u^2 the mean slope is 0, Var = 2, E (2u)^2 / Var = 2; the index is 1."""
    rng = np.random.default_rng(1)
    u = rng.standard_normal((20_000, 1))
    found = slope_bounds(u**2, (2.0 * u)[:, :, None], resamples=200, rng=rng)
    assert abs(found.least.item()) < 1e-3
    assert found.least_interval[0, 0, 0] == 0.0
    assert found.most.item() == pytest.approx(2.0, abs=0.1)


def test_the_intervals_hold_the_truth_as_often_as_they_say():
    spreads = np.array([0.4, 0.2])
    least, _, _, most = product(spreads)
    held = np.zeros(2)
    for seed in range(200):
        rng = np.random.default_rng(seed)
        value = np.exp(rng.standard_normal((300, 2)) @ spreads)[:, None]
        slopes = value[:, :, None] * spreads[None, :, None]
        found = slope_bounds(value, slopes, resamples=100, level=0.9, rng=rng)
        for number, (interval, exact) in enumerate(
            ((found.least_interval, least), (found.most_interval, most))
        ):
            held[number] += (
                (interval[:, 0, 0] <= exact) & (exact <= interval[:, 0, 1])
            ).mean() / 200
    # 200 lungs' worth: a standard error of 2.3 %; the heavy tails cost 3 % of coverage
    assert np.all(held > 0.82)
    assert np.all(held < 0.96)


def test_an_output_that_does_not_vary_has_no_bounds():
    rng = np.random.default_rng(0)
    found = slope_bounds(np.full((50, 1), 3.0), np.zeros((50, 2, 1)), resamples=5, rng=rng)
    assert np.isnan(found.least).all()
    assert np.isnan(found.most_interval).all()


def test_a_time_constant_is_such_a_product():
    """Compliance and expiratory resistance are lognormal; cut-off tails have no weight."""
    group = population("normal")
    asked = Question("linear", populations=(group,), lungs=4000)
    found = find_slopes(asked, Slopes(at=[0.5], outcomes=["time_constant_exp"], resamples=100))
    own = found.sel(outcome="time_constant_exp").isel(population=0, t_low=0)
    names = ["compliance", "resistance_exp"]
    spreads = [asked.populations[0].marginals[name].spread for name in names]
    least, _, _, most = product(spreads)
    for exact, key in ((least, "least"), (most, "most")):
        low, high = own[f"{key}_interval"].sel(parameter=names).transpose("ci_bound", ...).values
        half = 0.5 * (high - low)
        assert np.all(np.abs(own[key].sel(parameter=names).values - exact) < 1.5 * half)
