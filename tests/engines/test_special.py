"""Special functions of our own against SciPy's."""

import numpy as np
import pytest
from scipy.special import ndtr, ndtri, wrightomega

from ebbmap.special import own_normal_cdf, own_normal_quantile, own_wright_omega

POWERS = np.logspace(-300, 100, 2001)


def test_omega():
    z = np.concatenate([np.linspace(-60, 500, 200_001), -POWERS[POWERS < 700], POWERS])
    np.testing.assert_allclose(own_wright_omega(z), wrightomega(z), rtol=1e-14)


def test_omega_of_nothing_is_not_a_number():
    assert np.isnan(own_wright_omega(np.array([np.nan]))).all()


def test_probability():
    z = np.concatenate([np.linspace(-37, 37, 200_001), POWERS[:1000], -POWERS[:1000]])
    own, other = own_normal_cdf(z), ndtr(z)
    np.testing.assert_allclose(own, other, rtol=0, atol=4e-16)
    near = z > -5.0
    np.testing.assert_allclose(own[near], other[near], rtol=1e-14)
    # in the tail SciPy loses the digits of the square of z: z^2 / 2 units of rounding
    np.testing.assert_allclose(own, other, rtol=1e-14 + 700 * 2.3e-16 * 4)


def test_quantile():
    p = np.concatenate([np.linspace(1e-9, 1 - 1e-9, 200_001), POWERS[POWERS < 0.5]])
    np.testing.assert_allclose(own_normal_quantile(p), ndtri(p), rtol=1e-14, atol=1e-15)


@pytest.mark.parametrize(
    ("function", "place", "slope"),
    [
        (own_wright_omega, -100.0, np.exp(-100.0)),
        (own_wright_omega, 1.0, 0.5),
        (own_normal_cdf, 0.0, (2 * np.pi) ** -0.5),
        (own_normal_cdf, 10.0, (2 * np.pi) ** -0.5 * np.exp(-50.0)),
        (own_normal_quantile, 0.5, (2 * np.pi) ** 0.5),
    ],
)
def test_slopes_are_numbers(function, place, slope):
    jax = pytest.importorskip("jax")
    with jax.enable_x64(True):
        assert float(jax.grad(function)(place)) == pytest.approx(slope, rel=1e-6, abs=1e-30)
