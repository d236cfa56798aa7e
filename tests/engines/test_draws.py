"""Draws by counter: checked against JAX's own cipher, and the same wherever they are drawn."""

import numpy as np
import pytest
from scipy.stats import kstest

from ebbmap.engines.columns import double_precision
from ebbmap.engines.draws import normals, normals_at, threefry, uniforms

NUMBERS = np.arange(100_000, dtype=np.uint32)


def test_the_cipher_is_jaxs():
    jax = pytest.importorskip("jax")
    prng = pytest.importorskip("jax.extend.random")
    assert prng.threefry2x32_p is not None
    words = threefry(13, np.uint32(2**31 + 5), NUMBERS[:1000], NUMBERS[:1000] + np.uint32(7))
    theirs = prng.threefry2x32_p.bind(
        np.uint32(13), np.uint32(2**31 + 5), NUMBERS[:1000], NUMBERS[:1000] + np.uint32(7)
    )
    for own, their in zip(words, theirs, strict=True):
        assert np.array_equal(own, jax.numpy.asarray(their))


def test_draws_are_the_same_on_both_engines():
    with double_precision() as jax:
        there = np.asarray(uniforms(3, 1, jax.numpy.asarray(NUMBERS)))
        other = np.asarray(normals(3, 1, jax.numpy.asarray(NUMBERS)))
    assert np.array_equal(uniforms(3, 1, NUMBERS), there)
    # both quantiles are good to a few units of rounding
    np.testing.assert_allclose(normals(3, 1, NUMBERS), other, rtol=1e-14, atol=1e-15)


def test_draws_do_not_depend_on_blocks():
    assert np.array_equal(uniforms(3, 1, NUMBERS)[:, 50:], uniforms(3, 1, NUMBERS[50:]))


def test_draws_have_their_distributions():
    # of a hundred thousand draws; the level is that of one seed in a thousand
    assert kstest(uniforms(0, 1, NUMBERS)[0], "uniform").pvalue > 1e-3
    assert kstest(normals(0, 2, NUMBERS)[1], "norm").pvalue > 1e-3
    both = np.corrcoef(normals(0, 2, NUMBERS))[0, 1]
    assert abs(both) < 4 / np.sqrt(NUMBERS.size)


def test_draws_at_a_time_are_the_same_on_both_engines_and_anew_each_time():
    key = np.array([5, 2**31 + 9], np.uint32)
    ours = np.stack([normals_at(key, 2, NUMBERS, minute) for minute in (0, 7)])
    with double_precision() as jax:
        theirs = np.asarray(normals_at(jax.numpy.asarray(key), 2, jax.numpy.asarray(NUMBERS), 7))
    # both quantiles are good to a few units of rounding
    np.testing.assert_allclose(ours[1], theirs, rtol=1e-14, atol=1e-15)
    other = normals_at(key, 3, NUMBERS, 7)
    for one, two in ((ours[0], ours[1]), (ours[1], other)):
        assert abs(np.corrcoef(one, two)[0, 1]) < 4 / np.sqrt(NUMBERS.size)
    assert kstest(other, "norm").pvalue > 1e-3
