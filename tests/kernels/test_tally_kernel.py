import numpy as np
import pytest
from scipy.special import stdtrit
from scipy.stats import ttest_1samp

from ebbmap.kernels.judging import CAUTION, SAFE, UNDETERMINED, UNSAFE, judge
from ebbmap.kernels.tally import (
    BIN_WIDTH,
    clustered_interval,
    paired_interval,
    tally,
    typical_shortfall,
)
from ebbmap.registries.limits import Limit, LimitSet

LIMITS = LimitSet(
    "invented",
    "invented",
    (
        Limit("flow_ratio", "invented", 0.5, 0.75),
        Limit("auto_peep", "invented", high=10.0),
        Limit("auto_peep", "invented", high=8.0, severity="caution"),
    ),
)
N, M = 700, 33


@pytest.fixture(scope="module")
def outcomes():
    rng = np.random.default_rng(7)
    found = {"flow_ratio": rng.uniform(0.4, 0.9, (N, M)), "auto_peep": rng.uniform(0, 13, (N, M))}
    found["auto_peep"][rng.random((N, M)) < 0.05] = np.nan
    found["flow_ratio"][3] = np.nan
    found["auto_peep"][3] = np.nan
    return found


def solve(outcomes):
    return lambda cut: {name: array[cut] for name, array in outcomes.items()}


def test_counts_are_those_of_judging_everything_at_once(outcomes):
    counted = tally(solve(outcomes), LIMITS, N, M)
    judged = judge(LIMITS, outcomes)
    for code in (SAFE, CAUTION, UNSAFE, UNDETERMINED):
        assert (counted.by_lung[code] == (judged.verdict == code).sum(axis=1)).all()
        assert (counted.by_setting[code] == (judged.verdict == code).sum(axis=0)).all()
    unsafe = judged.verdict == UNSAFE
    for bound in range(len(LIMITS.hard)):
        mine = unsafe & (judged.binding == bound)
        assert counted.shortfall[bound].sum() == mine.sum()
        middle = np.median(-judged.margin[mine])
        # a bin's width is all that the histogram may lose
        assert typical_shortfall(counted.shortfall)[bound] == pytest.approx(middle, abs=BIN_WIDTH)
    known = np.delete(judged.margin, 3, axis=0)
    assert (np.delete(counted.worst, 3) == np.nanmin(known, axis=1)).all()
    assert np.isnan(counted.worst[3])
    row = np.flatnonzero(counted.worst_setting == 0)[0]
    assert judged.margin[row, 0] == counted.worst[row] or np.isnan(counted.worst[row])


@pytest.mark.parametrize(("block", "workers"), [(1, 1), (100, 2), (10_000, 3), (10**9, 1)])
def test_the_answer_does_not_depend_on_blocks_or_workers(outcomes, block, workers):
    one = tally(solve(outcomes), LIMITS, N, M)
    other = tally(solve(outcomes), LIMITS, N, M, block=block, workers=workers)
    for name in ("by_lung", "by_setting", "shortfall", "worst", "worst_setting"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))


def test_outcomes_that_do_not_vary_along_an_axis_broadcast():
    values = {"flow_ratio": np.full((4, 1), 0.6), "auto_peep": np.full((1, 5), 9.0)}

    def cut_first(cut):
        return {n: v[cut] if v.shape[0] > 1 else v for n, v in values.items()}

    assert (tally(cut_first, LIMITS, 4, 5).by_lung[CAUTION] == 5).all()


def test_interval_of_whole_lungs_is_wilsons():
    from ebbmap.kernels.shares import wilson

    yes = np.repeat([1.0, 0.0], [37, 63])
    _, low, high = clustered_interval([yes], [1.0], 0.95)
    # the sample variance divides by n - 1, the binomial one by n
    quantile = float(stdtrit(99, 0.975))
    assert (low, high) == pytest.approx(wilson(37, 100, 0.95, quantile=quantile), abs=1e-3)


def test_interval_without_spread_is_not_a_point():
    mean, low, high = clustered_interval([np.ones(50)], [1.0], 0.95)
    assert mean == high == 1.0
    assert 0.9 < low < 1.0


def test_interval_of_weighted_groups_lies_between_theirs():
    one, other = np.full(40, 0.2), np.linspace(0.6, 1.0, 40)
    mean, low, high = clustered_interval([one, other], [0.25, 0.75], 0.95)
    assert mean == pytest.approx(0.65)
    assert low < mean < high


def test_too_few_lungs_have_no_interval():
    assert np.isnan(clustered_interval([np.array([0.5])], [1.0], 0.95)).all()


def test_interval_of_weighted_groups_by_hand():
    """Shares 0, 1 and 0.5, 1 at weights 0.25 and 0.75: the mean is 0.6875.

    Variances of the two means are 0.5 / 2 and 0.125 / 2; weighted by 1/16 and 9/16 they add up
    to 0.25/16 + 0.5625/16 = 0.05078125, which 0.6875 * 0.3125 / 0.05078125 = 4.2308 trials have.
    Satterthwaite's degrees of freedom, with one in each group, are
    0.05078125^2 / (0.015625^2 + 0.03515625^2) = 1.7422.
    """
    from ebbmap.kernels.shares import wilson

    groups = [np.array([0.0, 1.0]), np.array([0.5, 1.0])]
    mean, low, high = clustered_interval(groups, [0.25, 0.75], 0.9)
    assert mean == pytest.approx(0.6875)
    trials = 0.6875 * 0.3125 / 0.05078125
    quantile = float(stdtrit(0.05078125**2 / (0.015625**2 + 0.03515625**2), 0.95))
    expected = wilson(0.6875 * trials, trials, 0.9, quantile=quantile)
    # the same numbers, added up in another order
    assert (low, high) == pytest.approx(expected, rel=1e-12)


def test_paired_differences_have_students_interval():
    difference = np.random.default_rng(0).normal(0.1, 0.2, 12)
    expected = ttest_1samp(difference, 0.0).confidence_interval(0.95)
    # rounding
    assert paired_interval(difference, 0.95)[1:] == pytest.approx(tuple(expected), abs=1e-12)


def test_a_few_lungs_that_move_give_no_interval():
    few, enough, none = np.zeros(200), np.zeros(200), np.zeros(59)
    few[:9], enough[:10] = 0.6, 0.6
    mean, low, high = paired_interval(few, 0.95)
    assert mean == pytest.approx(0.027) and np.isnan([low, high]).all()
    assert np.isfinite(paired_interval(enough, 0.95)).all()
    # 0.95^59 = 0.0485: with none of 59 moved, 5 % is about the most that may move
    assert paired_interval(none, 0.95) == pytest.approx((0.0, -0.05, 0.05), abs=0.001)


@pytest.mark.parametrize("weights", [[1.0], [0.2, 0.3, 0.5]])
def test_every_group_of_an_interval_has_its_weight(weights):
    groups = [np.linspace(0.0, 1.0, 5), np.linspace(0.2, 0.6, 5)]
    with pytest.raises(ValueError, match="argument 2"):
        clustered_interval(groups, weights, 0.95)


@pytest.mark.parametrize("block", [1, M, 5 * M, 5 * M + 1])
def test_no_more_cases_are_solved_at_a_time_than_a_block_holds(outcomes, block):
    sizes = []

    def watched(cut):
        sizes.append((cut.stop - cut.start) * M)
        return solve(outcomes)(cut)

    tally(watched, LIMITS, N, M, block=block)
    assert sum(sizes) == N * M
    # one lung at all settings is the least that can be solved
    assert max(sizes) == max(1, block // M) * M


@pytest.mark.parametrize("share", [0.0, 1.0])
def test_a_weighted_share_lies_in_its_interval_to_the_last_digit(share):
    # 1, 1 and 0.01 of 2.01: weights that add up to 1 - 1e-16
    weights = np.array([1.0, 1.0, 0.01]) / 2.01
    for n in range(20, 80):
        mean, low, high = clustered_interval([np.full(n, share)] * 3, weights, 0.95)
        assert low <= mean <= high
