"""Polynomial chaos against polynomials, closed forms, and OpenTURNS' basis."""

import numpy as np
import openturns as ot
import pytest

from ebbmap.kernels.chaos import basis, fit_chaos, terms, widened


def test_the_basis_is_that_of_openturns():
    z = np.random.default_rng(0).standard_normal((50, 1))
    family = ot.HermiteFactory()
    degrees = np.arange(6)[:, None]
    theirs = np.array([[family.build(int(m))(float(x)) for m in range(6)] for x in z[:, 0]])
    assert basis(z, degrees) == pytest.approx(theirs, rel=1e-9, abs=1e-9)


def test_terms_are_those_of_the_hyperbolic_set():
    found = {tuple(term) for term in terms(2, 8).tolist()}
    expected = {(i, j) for i in range(9) for j in range(9) if i**0.6 + j**0.6 <= 8**0.6 + 1e-9}
    assert found == expected


def test_a_polynomial_is_found_exactly():
    z = np.random.default_rng(1).standard_normal((120, 5))
    model = lambda x: 2.0 + x[:, 0] - 3.0 * x[:, 1] * x[:, 2] + x[:, 3] ** 3  # noqa: E731
    found = fit_chaos(z, model(z))
    fresh = np.random.default_rng(2).standard_normal((1000, 5))
    assert found.predict(fresh) == pytest.approx(model(fresh), abs=1e-8)


def test_a_lognormal_product_is_found_by_its_logarithm():
    z = np.random.default_rng(3).standard_normal((128, 3))
    found = fit_chaos(z, np.exp(z @ [0.8, 0.5, 0.1]))
    fresh = np.random.default_rng(4).standard_normal((1000, 3))
    assert found.logarithm and found.q2 > 1 - 1e-12
    assert found.predict(fresh) == pytest.approx(np.exp(fresh @ [0.8, 0.5, 0.1]), rel=1e-8)


def test_coefficients_give_the_indices_of_the_closed_form():
    z = np.random.default_rng(3).standard_normal((256, 3))
    # variances: 1 of the first alone, 2 of the second (x^2 has 2), 0.25 of the first and third
    found = fit_chaos(z, z[:, 0] + z[:, 1] ** 2 + 0.5 * z[:, 0] * z[:, 2])
    square = found.coefficients**2
    some = found.degrees.any(axis=1)
    only = [
        square[some & (np.delete(found.degrees, j, 1) == 0).all(axis=1)].sum() for j in range(3)
    ]
    assert np.array(only) / square[some].sum() == pytest.approx(
        np.array([1.0, 2.0, 0.0]) / 3.25, abs=1e-9
    )


@pytest.mark.parametrize("seed", range(5))
def test_cases_left_out_say_what_fresh_cases_say(seed):
    rng = np.random.default_rng(seed)
    z, fresh = rng.standard_normal((128, 4)), rng.standard_normal((2000, 4))
    model = lambda x: np.exp(0.5 * x[:, 0]) / (1.0 + np.exp(-x[:, 1] - x[:, 2]))  # noqa: E731
    found = fit_chaos(1.25 * z, model(1.25 * z))  # cases drawn wider, as surrogates draw them
    error = np.var(found.predict(fresh) - model(fresh)) / np.var(model(fresh))
    # an eighth of 128 cases is known to a factor of two or three, tails being rare
    assert found.q2 > 0.97 and error < 3 * (1 - found.q2)


def test_a_verdict_is_not_smooth_and_says_so():
    z = np.random.default_rng(4).standard_normal((128, 4))
    assert fit_chaos(z, (z[:, 0] + z[:, 1] > 1.0) * 1.0).q2 < 0.9


def test_a_constant_is_a_constant():
    found = fit_chaos(np.random.default_rng(5).standard_normal((50, 2)), np.full(50, 3.0))
    assert found.q2 == 1.0 and found.predict(np.zeros((2, 2))).tolist() == [3.0, 3.0]


def test_widened_bounds_hold_the_index_of_what_the_surrogate_stands_for():
    rng = np.random.default_rng(6)
    for _ in range(200):
        # coefficients of orthonormal terms: the first is that of the factor
        truth, error = rng.standard_normal(4), 0.1 * rng.standard_normal(4)
        own = truth + error
        index = own[0] ** 2 / (own**2).sum()
        share = (error**2).sum() / (own**2).sum()
        low, high = (float(widened(np.array(index), np.array(share), side)) for side in (-1, 1))
        assert low <= truth[0] ** 2 / (truth**2).sum() <= high
