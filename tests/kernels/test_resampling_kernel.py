"""Intervals of replicates: what symmetric ones have, and how often skewed means are held."""

import numpy as np
import pytest
from scipy.special import stdtrit

from ebbmap.kernels.carrying import CARRYING_ROWS, enough_rows
from ebbmap.kernels.resampling import replicate_half_width, replicate_interval

R = 16


def means_left_out(each):
    """Return the mean of replicates, (r, ...), and the means with each of them left out."""
    return each.mean(axis=0), (each.sum(axis=0) - each) / (len(each) - 1)


def test_replicates_without_skewness_have_students_interval():
    each = np.repeat([1.0, 3.0], R // 2)
    point, left_out = means_left_out(each)
    low, high = replicate_interval(point, left_out, 0.95)
    error = each.std(ddof=1) / np.sqrt(R)
    assert high - 2.0 == pytest.approx(2.0 - low)
    assert high - 2.0 == pytest.approx(float(stdtrit(R - 1, 0.975)) * error)
    assert replicate_half_width(left_out, 0.95) == pytest.approx(high - 2.0)


def test_replicates_that_are_equal_have_a_point():
    low, high = replicate_interval(np.array(0.3), np.full(R, 0.3), 0.95)
    assert low == high == 0.3


def test_an_interval_reaches_farther_to_the_side_of_the_skewness():
    each = np.random.default_rng(0).exponential(size=(R, 500))
    point, left_out = means_left_out(each)
    low, high = replicate_interval(point, left_out, 0.95)
    assert (high - point > point - low).mean() > 0.9
    # never inside Student's, and mirrored with the replicates
    half = replicate_half_width(left_out, 0.95)
    assert (low <= point - half + 1e-12).all() and (high >= point + half - 1e-12).all()
    mirrored = replicate_interval(-point, -left_out, 0.95)
    np.testing.assert_allclose(mirrored, [-high, -low], rtol=1e-9)


@pytest.mark.parametrize(
    ("draw", "mean", "before"),
    [
        (lambda rng, shape: rng.standard_normal(shape), 0.0, (0.94, 0.96)),
        (lambda rng, shape: rng.exponential(size=shape), 1.0, (0.90, 0.93)),
        (lambda rng, shape: np.exp(rng.standard_normal(shape)), np.exp(0.5), (0.84, 0.89)),
    ],
    ids=["normal", "exponential", "lognormal"],
)
def test_means_of_skewed_replicates_are_held_more_often_than_by_students_interval(
    draw, mean, before
):
    """Sixteen replicates, 20,000 repeats: a standard error of 0.15 points."""
    point, left_out = means_left_out(draw(np.random.default_rng(1), (R, 20_000)))
    half = replicate_half_width(left_out, 0.95)
    student = (np.abs(point - mean) <= half).mean()
    low, high = replicate_interval(point, left_out, 0.95)
    held = ((low <= mean) & (mean <= high)).mean()
    assert before[0] < student < before[1]
    assert student <= held < 0.98
    # a symmetric one is hardly wider, a skewed one gains at least a third of what it lacks
    assert held >= student + (0.95 - student) / 3.0


def test_an_output_that_few_rows_carry_has_no_interval_at_all():
    products, size = np.ones((256, 4, 1)), np.zeros((256, 1))
    size[: CARRYING_ROWS - 1] = 1.0
    assert not enough_rows(products, 2, size).any()
    size[:CARRYING_ROWS] = 1.0
    assert enough_rows(products, 2, size).all()
