"""A Gaussian process against its closed form, and cases left out one by one."""

from types import SimpleNamespace

import numpy as np
import pytest

from ebbmap.analyses.common.gaussian import fit_gaussian

pytest.importorskip("sklearn")


def covariance(one, other, kernel):
    """Return Matern's covariance of index 5/2, shape (n, m), and the variance left open."""
    matern, left_open = kernel.k1, kernel.k2
    apart = (one[:, None] - other) / matern.k2.length_scale
    r = np.sqrt(5.0 * (apart**2).sum(axis=-1))
    return matern.k1.constant_value * (1 + r + r**2 / 3) * np.exp(-r), left_open.noise_level


@pytest.fixture(scope="module", params=[False, True], ids=["plain", "in logs"])
def case(request):
    rng = np.random.default_rng(5)
    z, fresh = rng.standard_normal((40, 3)), rng.standard_normal((20, 3))
    output = np.maximum(z[:, 0], 0.2) + np.sin(z[:, 1]) + 0.1 * rng.standard_normal(40)
    output = np.exp(output) if request.param else output - 3.0
    fit = fit_gaussian(z, output)
    assert fit.logarithm == request.param
    return SimpleNamespace(z=z, fresh=fresh, output=output, fit=fit, logs=request.param)


def foretold(case, z, fresh, output):
    """Return the process's mean at fresh cases by its closed form."""
    values = np.log(output) if case.logs else output
    kernel, (mean, deviation) = case.fit.process.kernel_, (case.fit.mean, case.fit.deviation)
    own, left_open = covariance(z, z, kernel)
    own = own + (left_open + 1e-10) * np.eye(len(z))
    found = covariance(fresh, z, kernel)[0] @ np.linalg.solve(own, (values - mean) / deviation)
    return np.exp(mean + deviation * found) if case.logs else mean + deviation * found


def test_what_is_foretold_is_the_mean_given_the_cases(case):
    expected = foretold(case, case.z, case.fresh, case.output)
    assert case.fit.predict(case.fresh) == pytest.approx(expected, rel=1e-7)


def test_q2_is_that_of_cases_left_out_one_by_one(case):
    errors = []
    for out in range(len(case.z)):
        kept = np.arange(len(case.z)) != out
        alone = foretold(case, case.z[kept], case.z[[out]], case.output[kept])
        errors.append(alone[0] - case.output[out])
    assert case.fit.q2 == pytest.approx(1 - np.mean(np.square(errors)) / case.output.var())


def test_an_output_that_does_not_vary_is_its_value():
    found = fit_gaussian(np.random.default_rng(0).standard_normal((30, 2)), np.full(30, 4.0))
    assert found.q2 == 1.0
    assert (found.predict(np.zeros((3, 2))) == 4.0).all()


def test_long_tails_are_fitted_in_logs_and_what_crosses_nought_is_not():
    z = np.random.default_rng(3).standard_normal((200, 3))
    tail = np.exp(z @ [1.5, 0.5, 0.1])
    assert fit_gaussian(z, tail).logarithm
    assert not fit_gaussian(z, tail - 1.0).logarithm
