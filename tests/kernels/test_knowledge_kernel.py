"""The interval of knowledge and the ranking against closed forms: Gaussian numbers."""

import numpy as np
import pytest
from scipy.special import ndtr, ndtri

from ebbmap.errors import EbbmapError
from ebbmap.kernels.knowledge import knowledge_interval, least_draws, linear_effects

SLOPES = np.array([3.0, -2.0, 1.0, 0.0])


def linear_case(m=4000, seed=0, noise=0.0):
    rng = np.random.default_rng(seed)
    scores = rng.standard_normal((m, SLOPES.size))
    return scores, 5.0 + scores @ SLOPES + noise * rng.standard_normal(m)


def share_of(rng, size):
    """Lungs below a limit when their centre is known to a standard error of half an SD."""
    return ndtr(0.3 - 0.5 * rng.standard_normal(size))


def test_effects_of_a_linear_conclusion_are_exact():
    scores, conclusion = linear_case()
    found = linear_effects(scores, conclusion)
    np.testing.assert_allclose(found.slope, SLOPES, atol=1e-12)
    # the conclusion's variance is that of the sample: 4,000 draws, 3 in a hundred
    np.testing.assert_allclose(found.index, SLOPES**2 / 14.0, rtol=0.1, atol=1e-12)
    np.testing.assert_allclose(found.index, SLOPES**2 / conclusion.var(ddof=1), atol=1e-12)


def test_what_no_number_explains_is_left_out():
    assert linear_effects(*linear_case(noise=3.0, seed=1)).explained == pytest.approx(
        14 / 23, abs=0.05
    )


def test_indices_are_right_on_average_and_so_are_their_errors():
    found = [linear_effects(*linear_case(60, seed, 2.0)) for seed in range(400)]
    index = np.array([one.index for one in found])
    errors = np.array([one.error for one in found])
    # the ratio of two means is off by some 1 / m
    np.testing.assert_allclose(index.mean(axis=0), SLOPES**2 / 18.0, atol=0.02)
    # errors are those of the numerator, at fixed numbers drawn: of the last, that is all there is
    assert errors[:, 3].mean() == pytest.approx(index[:, 3].std(), rel=0.3)
    assert (index[:, 3] < 0.0).any()


def test_a_conclusion_that_nothing_moves_has_no_ranking():
    scores, _ = linear_case(30)
    found = linear_effects(scores, np.ones(30))
    assert np.isnan(found.index).all() and np.isnan(found.explained)
    assert not found.slope.any()


def test_the_interval_of_knowledge_is_the_closed_form_one():
    found = knowledge_interval(share_of(np.random.default_rng(0), 20_000))
    # quantiles of a share are shares at the quantiles of the centre
    exact = ndtr(0.3 + 0.5 * ndtri(np.array([0.025, 0.975])))
    np.testing.assert_allclose(found, exact, atol=0.01)


@pytest.mark.parametrize(("draws", "level"), [(39, 0.95), (40, 0.95), (200, 0.95), (19, 0.9)])
def test_one_more_draw_lies_within_as_often_as_is_said(draws, level):
    rng = np.random.default_rng(draws)
    drawn = share_of(rng, (draws, 4000))
    low, high = knowledge_interval(drawn, level=level)
    truth = share_of(rng, 4000)
    held = np.mean((low <= truth) & (truth <= high))
    # 4,000 intervals know their coverage to 0.005; four standard errors
    assert held == pytest.approx(level, abs=0.02)


def test_draws_without_a_conclusion_are_left_out_until_too_few_are_left():
    drawn = np.tile(np.arange(50.0)[:, None], (1, 3))
    drawn[:11, 1], drawn[:12, 2] = np.nan, np.nan
    low, high = knowledge_interval(drawn)
    # the ends of 39 are the least and the greatest
    assert low[1] == 11.0 and high[1] == 49.0
    assert np.isnan([low[2], high[2]]).all()
    assert low[0] == pytest.approx(0.025 * 51 - 1.0)


def test_what_cannot_be_said_is_refused():
    scores, conclusion = linear_case(30)
    assert [least_draws(level) for level in (0.5, 0.8, 0.95, 0.99)] == [3, 9, 39, 199]
    with pytest.raises(
        EbbmapError, match="at least 39 outer draws for an interval of 95 %; got 20"
    ):
        knowledge_interval(np.ones(20))
    with pytest.raises(EbbmapError, match="level must be"):
        knowledge_interval(np.ones(30), level=1.0)
    with pytest.raises(EbbmapError, match="4 numbers need at least 24 outer draws; got 10"):
        linear_effects(scores[:10], conclusion[:10])
    with pytest.raises(EbbmapError, match="must have the same draws"):
        linear_effects(scores, conclusion[:-1])
    with pytest.raises(EbbmapError, match="must be finite"):
        linear_effects(scores, np.where(conclusion > 5, np.nan, 1.0))
