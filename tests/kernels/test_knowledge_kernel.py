"""Two intervals and the ranking against closed forms: linear conclusions of Gaussian numbers."""

import numpy as np
import pytest
from scipy.special import ndtr, ndtri

from ebbmap.errors import EbbmapError
from ebbmap.kernels.knowledge import binned_effects, linear_effects, two_intervals
from ebbmap.kernels.shares import wilson

SLOPES = np.array([3.0, -2.0, 1.0, 0.0])


def linear_case(m=4000, seed=0, noise=0.0):
    rng = np.random.default_rng(seed)
    scores = rng.standard_normal((m, SLOPES.size))
    return scores, 5.0 + scores @ SLOPES + noise * rng.standard_normal(m)


def density_of(x):
    return np.exp(-0.5 * x**2) / np.sqrt(2.0 * np.pi)


def share_case(m, n, seed=0, tau=0.5):
    """Lungs below a limit when their centre is known to a standard error of tau SD."""
    rng = np.random.default_rng(seed)
    shares = ndtr(0.3 - tau * rng.standard_normal(m))
    return rng.binomial(n, shares)


def test_effects_of_a_linear_conclusion_are_exact():
    scores, conclusion = linear_case()
    found = linear_effects(scores, conclusion)
    np.testing.assert_allclose(found.slope, SLOPES, atol=1e-12)
    # the conclusion's variance is that of the sample: 4,000 draws, 3 in a hundred
    np.testing.assert_allclose(found.index, SLOPES**2 / 14.0, rtol=0.1, atol=1e-12)
    np.testing.assert_allclose(found.index, SLOPES**2 / conclusion.var(ddof=1), atol=1e-12)


def test_noise_of_the_inner_sample_is_taken_off():
    scores, conclusion = linear_case(noise=3.0, seed=1)
    assert linear_effects(scores, conclusion).explained == pytest.approx(14 / 23, abs=0.05)
    assert linear_effects(scores, conclusion, noise=9.0).explained == pytest.approx(1.0, abs=0.08)


def test_indices_are_right_on_average_and_so_are_their_errors():
    found = [linear_effects(*linear_case(60, seed, 2.0)) for seed in range(400)]
    index = np.array([one.index for one in found])
    errors = np.array([one.error for one in found])
    # the ratio of two means is off by some 1 / m
    np.testing.assert_allclose(index.mean(axis=0), SLOPES**2 / 18.0, atol=0.02)
    # errors are those of the numerator, at fixed numbers drawn: of the last, that is all there is
    assert errors[:, 3].mean() == pytest.approx(index[:, 3].std(), rel=0.3)
    assert (index[:, 3] < 0.0).any()


def test_bins_find_what_lies_between_them():
    scores, conclusion = linear_case(20_000, 2)
    between = 8.0 * np.sum(np.diff(density_of(ndtri(np.linspace(0.0, 1.0, 9)))) ** 2)
    found = binned_effects(scores, conclusion)
    np.testing.assert_allclose(found.index, between * SLOPES**2 / 14.0, atol=0.02)
    assert 0.94 < between < 0.96


def test_bins_see_a_bend_that_a_line_does_not():
    scores = np.random.default_rng(3).standard_normal((4000, 2))
    bent = scores[:, 0] ** 2
    assert abs(linear_effects(scores, bent).index[0]) < 0.03
    edges = ndtri(np.linspace(0.0, 1.0, 9))
    weighted = np.where(np.isfinite(edges), edges, 0.0) * density_of(edges)
    between = 8.0 * np.sum(np.diff(weighted) ** 2) / 2.0
    assert binned_effects(scores, bent).index[0] == pytest.approx(between, abs=0.05)
    assert abs(binned_effects(scores, bent).index[1]) < 0.03


def test_the_interval_of_knowledge_is_the_closed_form_one():
    found = two_intervals((120, 200), share_case(4000, 200), 200)
    # quantiles of a share are shares at the quantiles of the centre
    exact = ndtr(0.3 + 0.5 * ndtri(np.array([0.025, 0.975])))
    np.testing.assert_allclose(found.knowledge, exact, atol=0.02)
    assert found.lungs == pytest.approx([float(x) for x in wilson(120, 200, 0.95)])
    assert found.share == 0.6


@pytest.mark.parametrize("n", [30, 200, 5000])
def test_more_lungs_narrow_one_interval_and_not_the_other(n):
    found = two_intervals((int(0.6 * n), n), share_case(4000, n, seed=4), n)
    exact = ndtr(0.3 + 0.5 * ndtri(np.array([0.025, 0.975])))
    # few lungs blur the quantiles: the noise is not normal at the ends
    np.testing.assert_allclose(found.knowledge, exact, atol=0.035)
    width = found.lungs[1] - found.lungs[0]
    assert width == pytest.approx(2 * 1.96 * np.sqrt(0.24 / n), rel=0.1)


def test_with_nothing_unknown_the_interval_of_knowledge_is_a_point():
    rng = np.random.default_rng(5)
    found = [two_intervals((30, 100), rng.binomial(100, 0.3, 500), 100) for _ in range(50)]
    assert np.mean([one.sd_knowledge for one in found]) < 0.01
    same = two_intervals((30, 100), np.full(50, 30), 100)
    assert same.knowledge == pytest.approx((0.3, 0.3), abs=1e-12) and same.sd_knowledge == 0.0


def test_what_cannot_be_said_is_refused():
    scores, conclusion = linear_case(30)
    with pytest.raises(EbbmapError, match="at least 20 outer draws"):
        two_intervals((1, 2), np.ones(5, int), 2)
    with pytest.raises(EbbmapError, match="a count must be 0 to 2; got 1 to 3"):
        two_intervals((1, 2), np.arange(1, 4).repeat(10), 2)
    with pytest.raises(EbbmapError, match="level must be"):
        two_intervals((1, 2), np.ones(30, int), 2, level=1.0)
    with pytest.raises(EbbmapError, match="must vary more than its inner noise"):
        linear_effects(scores, np.ones(30))
    with pytest.raises(EbbmapError, match="must vary more"):
        linear_effects(scores, conclusion, noise=1e3)
    with pytest.raises(EbbmapError, match="4 numbers need at least 20 outer draws; got 10"):
        linear_effects(scores[:10], conclusion[:10])
    with pytest.raises(EbbmapError, match="must have the same draws"):
        linear_effects(scores, conclusion[:-1])
    with pytest.raises(EbbmapError, match="must be finite"):
        linear_effects(scores, np.where(conclusion > 5, np.nan, 1.0))
    with pytest.raises(EbbmapError, match="8 bins need at least 32 draws; got 30"):
        binned_effects(scores, conclusion)
