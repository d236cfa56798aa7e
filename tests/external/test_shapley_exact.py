"""Shapley effects against exact ones of correlated normal factors, and against Sobol indices."""

import numpy as np
import pytest

from ebbmap.cases.design import draw_shapley_design
from ebbmap.errors import DesignMismatchError, EbbmapError, NonFiniteOutcomeError
from ebbmap.kernels.shapley import (
    linear_gaussian_effects,
    shapley_effects,
    shapley_weights,
    subsets,
    substituted_scores,
)

NAMES = list("abcd")
COEFFICIENTS = np.array([1.0, 2.0, 0.5, 1.5])
COVARIANCE = np.array(
    [[1.0, 0.8, 0.0, 0.0], [0.8, 1.0, -0.4, 0.0], [0.0, -0.4, 1.0, 0.3], [0.0, 0.0, 0.3, 1.0]]
)


def estimate(n=512, seed=0, **options):
    design = draw_shapley_design(NAMES, n, covariance=COVARIANCE, seed=seed)
    return shapley_effects((design.score.values @ COEFFICIENTS)[:, None], players=4, **options)


def test_two_correlated_factors_in_closed_form():
    """Owen AB, Prieur C. SIAM/ASA J Uncertain Quantif 2017;5:986-1002 (two normal factors).

    phi_1 = (b1^2 (1 - r^2/2) + b1 b2 r + b2^2 r^2/2) / Var with unit variances; derived here from
    worth({1}) = b1^2 (1 - r^2) and worth of both = Var.
    """
    b1, b2, r = 2.0, 0.7, -0.6
    variance = b1**2 + 2 * b1 * b2 * r + b2**2
    by_hand = (b1**2 * (1 - r**2 / 2) + b1 * b2 * r + b2**2 * r**2 / 2) / variance
    found = linear_gaussian_effects([b1, b2], [[1.0, r], [r, 1.0]])
    assert found[0] == pytest.approx(by_hand, abs=1e-12)
    assert found.sum() == pytest.approx(1.0, abs=1e-12)


def test_estimates_are_within_their_intervals():
    found = estimate(n=2048)
    exact = linear_gaussian_effects(COEFFICIENTS, COVARIANCE)
    assert (found.effect_interval[:, 0, 0] < exact).all()
    assert (exact < found.effect_interval[:, 0, 1]).all()
    # and they are worth having
    assert np.diff(found.effect_interval).max() < 0.03
    # share that goes once a factor is known: its squared correlation with the sum
    variance = COEFFICIENTS @ COVARIANCE @ COEFFICIENTS
    first = (COVARIANCE @ COEFFICIENTS) ** 2 / variance
    assert found.first[:, 0] == pytest.approx(first, abs=0.02)


def test_effects_add_up_to_one():
    # by construction: the worth of all players is one
    assert estimate(n=64).effect.sum(axis=0) == pytest.approx(1.0, abs=1e-12)


@pytest.mark.slow
@pytest.mark.parametrize("n", [256, 512])
def test_a_95_percent_interval_covers_92_to_98_percent(n):
    """Over 200 seeds; the noise of one coverage is 1.5 %, so single effects get two noises more."""
    exact = linear_gaussian_effects(COEFFICIENTS, COVARIANCE)[:, None]
    designs = (draw_shapley_design(NAMES, n, covariance=COVARIANCE, seed=s) for s in range(200))
    outputs = np.stack([design.score.values @ COEFFICIENTS for design in designs], axis=1)
    bounds = shapley_effects(outputs, players=4).effect_interval
    covered = ((bounds[..., 0] <= exact) & (exact <= bounds[..., 1])).mean(axis=1)
    assert 0.92 <= covered.mean() <= 0.98
    assert covered.min() >= 0.89


def test_independent_factors_of_ishigami():
    """Without dependence an effect is the sum of equal shares of the partial variances."""
    design = draw_shapley_design(list("abc"), 4096, seed=0)
    from scipy.special import ndtr

    x = np.pi * (2.0 * ndtr(design.score.values) - 1.0)
    sine = np.sin(x)
    outputs = sine[:, 0] + 7.0 * sine[:, 1] ** 2 + 0.1 * x[:, 2] ** 4 * sine[:, 0]
    one, two = 0.5 * (1.0 + 0.1 * np.pi**4 / 5.0) ** 2, 7.0**2 / 8.0
    pair = 0.1**2 * np.pi**8 * (1.0 / 18.0 - 1.0 / 50.0)
    exact = np.array([one + pair / 2, two, pair / 2]) / (one + two + pair)
    found = shapley_effects(outputs[:, None], players=3)
    assert found.effect[:, 0] == pytest.approx(exact, abs=0.02)
    assert (found.effect_interval[:, 0, 0] < exact).all()
    assert (exact < found.effect_interval[:, 0, 1]).all()
    assert found.total[:, 0] == pytest.approx(
        np.array([one + pair, two, pair]) / (one + two + pair), abs=0.02
    )


def test_salib_finds_the_same_effects_of_independent_factors():
    """SALib's permutation estimator on its own design."""
    sample = pytest.importorskip("SALib.sample.shapley")
    analyze = pytest.importorskip("SALib.analyze.shapley")
    weights = np.array([0.0, 1.0, 4.5, 9.0])

    def sobol_g(unit):
        return np.prod((np.abs(4.0 * unit - 2.0) + weights) / (1.0 + weights), axis=1)

    problem = {"num_vars": 4, "names": NAMES, "bounds": [[0.0, 1.0]] * 4}
    points = sample.sample(problem, 8192, seed=1)
    theirs = analyze.analyze(problem, points, sobol_g(points))["shapley_normalized"]
    design = draw_shapley_design(NAMES, 4096, seed=0)
    from scipy.special import ndtr

    ours = shapley_effects(sobol_g(ndtr(design.score.values))[:, None], players=4)
    # their interval at this size is +/- 0.015
    assert ours.effect[:, 0] == pytest.approx(np.asarray(theirs), abs=0.03)


def test_groups_share_what_their_members_have():
    """Two independent pairs: the effect of a group is the sum of its members' variances."""
    covariance = np.eye(4)
    covariance[0, 1] = covariance[1, 0] = 0.8
    covariance[2, 3] = covariance[3, 2] = -0.5
    groups = {"first": ["a", "b"], "second": ["c", "d"]}
    design = draw_shapley_design(NAMES, 2048, covariance=covariance, groups=groups, seed=0)
    found = shapley_effects((design.score.values @ COEFFICIENTS)[:, None], players=2)
    inner = [COEFFICIENTS[i] @ covariance[i, i] @ COEFFICIENTS[i] for i in (slice(2), slice(2, 4))]
    assert found.effect[:, 0] == pytest.approx(np.array(inner) / sum(inner), abs=0.02)


def test_kept_scores_stay_and_the_others_follow_their_conditional_distribution():
    design = draw_shapley_design(NAMES, 4096, covariance=COVARIANCE, seed=2)
    scores = design.score.values.reshape(4096, 16, 4)
    one = scores[:, -1]
    for number, kept in enumerate(subsets(4)):
        np.testing.assert_array_equal(scores[:, number, kept], one[:, kept])
        # every row has the joint distribution; noise of a covariance at 4096 rows is 0.016
        assert np.cov(scores[:, number].T) == pytest.approx(COVARIANCE, abs=0.06)
    # given the first two, the third's mean moves by its regression on them
    gain = np.linalg.solve(COVARIANCE[:2, :2], COVARIANCE[:2, 2])
    left = scores[:, 3, 2] - one[:, :2] @ gain
    assert np.corrcoef(left, one[:, 1])[0, 1] == pytest.approx(0.0, abs=0.05)


def test_weights_of_a_game_without_interaction_return_each_worth():
    worth = subsets(5) @ np.arange(1.0, 6.0)
    assert shapley_weights(5) @ worth == pytest.approx(np.arange(1.0, 6.0), abs=1e-12)


def test_one_player_gets_everything():
    one, other = np.random.default_rng(0).standard_normal((2, 64, 1))
    rows = substituted_scores(one, other, np.eye(1), np.eye(1, dtype=bool))
    found = shapley_effects(rows.reshape(-1, 1), players=1)
    assert found.effect[0, 0] == pytest.approx(1.0)


def test_what_cannot_be_is_refused():
    with pytest.raises(EbbmapError, match="players must be 1 to 10; got 11"):
        shapley_effects(np.zeros((2048, 1)), players=11)
    with pytest.raises(DesignMismatchError, match="multiple of 4 rows"):
        shapley_effects(np.zeros((6, 1)), players=2)
    with pytest.raises(EbbmapError, match="positive definite"):
        draw_shapley_design(["a", "b"], 64, covariance=np.ones((2, 2)), seed=0)
    bad = np.zeros((128, 2))
    bad[3, 1] = np.nan
    with pytest.raises(NonFiniteOutcomeError, match="1 base rows"):
        shapley_effects(bad, players=2)


def test_a_lost_case_takes_its_base_row_with_it():
    design = draw_shapley_design(NAMES, 256, covariance=COVARIANCE, seed=0)
    outputs = np.repeat((design.score.values @ COEFFICIENTS)[:, None], 2, axis=1)
    outputs[[5, 40], 0] = np.nan
    found = shapley_effects(outputs, players=4, nan_policy="drop_block")
    assert found.dropped.tolist() == [2, 0]
    assert found.effect[:, 0] == pytest.approx(found.effect[:, 1], abs=0.05)


def test_a_constant_output_has_no_effects():
    found = shapley_effects(np.full((128, 1), 3.3), players=2)
    assert np.isnan(found.effect).all()
    assert np.isnan(found.effect_interval).all()


@pytest.mark.parametrize("ratio", [1e3, 1e8, 1e11])
def test_a_large_mean_hides_no_effect(ratio):
    """Mean over standard deviation; an outcome is constant only within rounding of its mean."""
    one, other = np.random.default_rng(0).standard_normal((2, 512, 2))
    every = substituted_scores(one, other, np.eye(2), np.eye(2, dtype=bool)).sum(axis=2)
    plain = shapley_effects(every.reshape(-1, 1), players=2)
    moved = shapley_effects(ratio + every.reshape(-1, 1), players=2)
    # a rounding of the mean, relative to a standard deviation of one, squared and summed
    np.testing.assert_allclose(moved.effect, plain.effect, atol=1e-15 * ratio)


@pytest.mark.parametrize("value", [0.0, 0.1, 1e8])
def test_what_rounding_leaves_of_a_constant_is_no_variance(value):
    noise = np.random.default_rng(0).integers(-1, 2, (512 * 4, 1)) * np.spacing(value)
    found = shapley_effects(value + noise if value else 0 * noise, players=2)
    assert np.isnan(found.effect).all()


def test_intervals_are_those_of_estimates_without_a_replicate():
    """Each replicate's rows are really taken out, and the rest is estimated as a design of its own.

    The jackknife's half width is Student's factor times sqrt((r - 1) * variance of the estimates).
    """
    from scipy.stats import t

    replicates, n, skew = 4, 16, 3.0
    design = draw_shapley_design(NAMES, n, covariance=COVARIANCE, replicates=replicates, seed=1)
    # a sum that is skewed: rows that are left out move the mean, and with it the variance
    outputs = np.exp(design.score.values @ COEFFICIENTS / skew).reshape(n, -1, 1)
    found = shapley_effects(outputs.reshape(-1, 1), players=4, replicates=replicates, level=0.9)
    every = []
    for number in range(replicates):
        rest = outputs[np.arange(n) % replicates != number].reshape(-1, 1)
        every.append(shapley_effects(rest, players=4, replicates=2))
    factor = t.ppf(0.95, replicates - 1) * np.sqrt(replicates - 1)
    for name in ("effect", "first", "total"):
        half = factor * np.std([getattr(one, name)[:, 0] for one in every], axis=0)
        middle = getattr(found, name)[:, 0]
        # sums of 16 rows about two means: a few roundings of numbers near one
        np.testing.assert_allclose(
            getattr(found, f"{name}_interval")[:, 0],
            np.stack([middle - half, middle + half], axis=-1),
            rtol=1e-9,
            atol=1e-12,
        )
