import numpy as np
import pytest
from scipy import stats

from ebbmap.cases.checks import complaint
from ebbmap.cases.question import Question
from ebbmap.catalogue import builtin
from ebbmap.errors import EbbmapError
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import POPULATIONS, Marginal, Population

WHY = "invented"
N = 100_000

#: Standard errors that a sample may be off: once in a million for each number looked at.
ERRORS = 5

every_group = pytest.mark.parametrize("group", POPULATIONS.values(), ids=lambda g: g.name)


class CutLognormal:
    """Lognormal between two ends, by SciPy's normal of the logarithm."""

    def __init__(self, m):
        with np.errstate(divide="ignore"):
            ends = (np.log([max(m.low, 0.0), m.high]) - np.log(m.centre)) / m.spread
        self.log = stats.truncnorm(*ends, np.log(m.centre), m.spread)

    def ppf(self, share):
        return np.exp(self.log.ppf(share))


def textbook(m):
    """Return the SciPy distribution that a marginal says it is."""
    if m.family == "lognormal":
        return CutLognormal(m)
    if m.family == "uniform":
        return stats.uniform(m.centre, m.spread - m.centre)
    ends = [(end - m.centre) / m.spread for end in (m.low, m.high)]
    return stats.truncnorm(*ends, m.centre, m.spread)


@every_group
def test_samples_follow_the_stated_marginals(group):
    lungs = group.sample(N, seed=0)
    share = np.linspace(0.02, 0.98, 25)
    error = np.sqrt(share * (1 - share) / N)
    for name, marginal in group.marginals.items():
        found = (lungs[name][:, None] <= textbook(marginal).ppf(share)).mean(axis=0)
        assert (np.abs(found - share) < ERRORS * error).all(), name


@every_group
def test_samples_have_the_stated_correlations(group):
    lungs = group.sample(N, seed=0)
    ranks = stats.spearmanr(np.column_stack([lungs[name] for name in group.properties]))
    # rank correlation of a Gaussian copula
    expected = 6 / np.pi * np.arcsin(group.correlation_matrix / 2)
    np.testing.assert_allclose(ranks.statistic, expected, atol=ERRORS / np.sqrt(N))


@every_group
@pytest.mark.parametrize(
    "held",
    [("compliance",), ("resistance_exp",), ("compliance", "resistance_insp")],
    ids=" and ".join,
)
def test_lungs_given_a_value_are_those_of_the_joint_sample_near_it(group, held):
    everyone = group.sample(6 * N, seed=1)
    given = {name: group.median[name] * 1.2 for name in held}
    near = np.all([np.abs(everyone[name] / given[name] - 1) < 0.02 for name in held], axis=0)
    picked = near.sum()
    assert picked > 300
    drawn = group.sample(N, seed=2, given=given)
    for name in set(group.properties) - set(held):
        score = group.marginals[name].score
        brute, found = score(everyone[name][near]), score(drawn[name][0])
        # the width of the bin adds less than a tenth of these errors
        error = np.sqrt(1 / picked + 1 / N)
        assert found.mean() == pytest.approx(brute.mean(), abs=ERRORS * error), name
        assert found.std() == pytest.approx(brute.std(), abs=ERRORS * error), name
    for name in held:
        assert (drawn[name] == given[name]).all()


def test_several_given_values_share_their_lungs():
    drawn = POPULATIONS["normal"].sample(7, seed=0, given={"compliance": [30.0, 50.0, 70.0]})
    assert {values.shape for values in drawn.values()} == {(3, 7)}
    # weight grows with compliance, lung by lung
    assert (np.diff(drawn["predicted_body_weight"], axis=0) > 0).all()


@every_group
def test_points_of_the_unit_cube_give_independent_lungs(group):
    unit = np.random.default_rng(0).random((N, len(group.properties)))
    lungs = group.from_unit(unit)
    columns = np.column_stack([lungs[name] for name in group.properties])
    ranks = stats.spearmanr(columns).statistic
    np.testing.assert_allclose(ranks, np.eye(len(ranks)), atol=ERRORS / np.sqrt(N))
    for column, name in enumerate(group.properties):
        expected = textbook(group.marginals[name]).ppf(unit[:, column])
        np.testing.assert_allclose(lungs[name], expected, rtol=1e-9)  # of SciPy's own quantiles


@every_group
def test_faces_of_the_unit_cube_give_finite_lungs(group):
    d = len(group.properties)
    lungs = group.from_unit(np.array([[0.0] * d, [1.0] * d]))
    assert all(np.isfinite(values).all() for values in lungs.values())


def test_zero_is_a_seed():
    group = POPULATIONS["normal"]
    first, again, other = (group.sample(5, seed=seed)["compliance"] for seed in (0, 0, 1))
    np.testing.assert_array_equal(first, again)
    assert (first != other).all()


@every_group
def test_no_lung_is_outside_the_registry(group):
    drawn = group.sample(N, seed=3)
    assert [complaint(name, values) for name, values in drawn.items()] == [None] * len(drawn)


@pytest.mark.parametrize(
    "marginal",
    [
        Marginal("normal", 5.0, 2.0, WHY),
        Marginal("normal", 5.0, 2.0, WHY, low=4.0, high=9.0),
        Marginal("lognormal", 5.0, 0.5, WHY),
        Marginal("uniform", 4.0, 9.0, WHY),
    ],
    ids=["normal", "truncated", "lognormal", "uniform"],
)
def test_score_undoes_at(marginal):
    score = np.linspace(-3, 3, 31)
    # a normal score near 3 loses digits where it is kept as a share near 1
    np.testing.assert_allclose(marginal.score(marginal.at(score)), score, atol=1e-11)


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (("normal", 5.0, 0.0, WHY), "spread must be > 0; got 0"),
        (("lognormal", 5.0, -1.0, WHY), "spread must be > 0; got -1"),
        (("lognormal", 0.0, 1.0, WHY), "median must be > 0; got 0"),
        (("uniform", 9.0, 4.0, WHY), "must have low < high; got 9, 4"),
        (("normal", 5.0, 1.0, ""), "finite numbers and a source"),
        (("normal", float("nan"), 1.0, WHY), "finite numbers and a source"),
        (("normal", 5.0, 1.0, WHY, "read", 9.0, 4.0), "must have low < high; got 9, 4"),
    ],
)
def test_numbers_that_are_no_distribution_are_refused(arguments, text):
    with pytest.raises(EbbmapError, match=text):
        Marginal(*arguments)


ONE, TWO, THREE = "compliance", "resistance_insp", "chest_wall_share"


@pytest.mark.parametrize(
    ("names", "correlations", "text"),
    [
        ((ONE,), {(ONE, TWO): 0.5}, "no pair"),
        ((ONE, TWO), {(ONE, ONE): 0.5}, "no pair"),
        (
            (ONE, TWO, THREE),
            {(ONE, TWO): 0.9, (TWO, THREE): 0.9, (ONE, THREE): -0.9},
            "cannot hold together",
        ),
        ((), {}, "needs at least one property"),
    ],
)
def test_impossible_populations_are_refused(names, correlations, text):
    marginals = {name: Marginal("lognormal", 5.0, 0.5, WHY) for name in names}
    with pytest.raises(EbbmapError, match=text):
        Population("mine", "mine", "", marginals, correlations)


@pytest.mark.parametrize("family", ["gamma", "truncated_normal", "Normal", ""])
def test_a_family_that_is_not_known_is_refused(family):
    with pytest.raises(EbbmapError, match=f"unknown family '{family}'"):
        Marginal(family, 3.0, 2.0, WHY, low=1.0)


def test_ends_of_a_uniform_are_its_own():
    with pytest.raises(EbbmapError, match="a uniform has its own ends"):
        Marginal("uniform", 1.0, 2.0, WHY, low=1.5)


def test_ends_must_leave_some_of_the_distribution():
    with pytest.raises(EbbmapError, match="must leave some of the distribution"):
        Marginal("normal", 0.0, 1.0, WHY, low=50.0, high=60.0)


def test_a_confirmation_is_one_of_three():
    with pytest.raises(EbbmapError, match="unknown confirmed 'sure'"):
        Marginal("normal", 0.0, 1.0, WHY, "sure")


@pytest.mark.parametrize(("low", "high"), [(20.0, np.inf), (0.0, 60.0), (20.0, 60.0)])
def test_a_lognormal_can_be_cut_off(low, high):
    marginal = Marginal("lognormal", 36.0, 0.33, WHY, low=low, high=high)
    score = np.linspace(-3, 3, 61)
    whole = stats.lognorm(s=0.33, scale=36.0)
    share = whole.cdf(low) + stats.norm.cdf(score) * (whole.cdf(high) - whole.cdf(low))
    np.testing.assert_allclose(marginal.at(score), whole.ppf(share), rtol=1e-9)  # of two ppf
    np.testing.assert_allclose(marginal.score(marginal.at(score)), score, atol=1e-9)


@pytest.mark.parametrize(
    "marginal",
    [
        Marginal("normal", 66.0, 11.0, WHY),
        Marginal("normal", 66.0, 11.0, WHY, low=30.0, high=100.0),
        Marginal("normal", 66.0, 11.0, WHY, low=10.0),
        Marginal("lognormal", 60.0, 0.4, WHY),
        Marginal("lognormal", 60.0, 0.4, WHY, high=160.0),
        Marginal("uniform", 30.0, 120.0, WHY),
        Marginal("uniform", 10.0, 120.0, WHY),
    ],
    ids=lambda m: f"{m.family} {m.low:g} {m.high:g}",
)
@pytest.mark.parametrize(("mean", "sd"), [(0.0, 1.0), (1.2, 0.5)])
def test_the_probability_of_leaving_bounds_is_that_of_many_draws(marginal, mean, sd):
    low, high = 45.0, 90.0
    drawn = marginal.at(mean + sd * np.random.default_rng(0).standard_normal(N))
    share = ((drawn < low) | (drawn > high)).mean()
    expected = marginal.outside(low, high, mean=mean, sd=sd)
    assert share == pytest.approx(expected, abs=ERRORS * np.sqrt(0.25 / N))


def test_what_ends_inside_never_leaves():
    assert Marginal("normal", 66.0, 11.0, WHY, low=20.0, high=150.0).outside(20.0, 150.0) == 0.0
    assert Marginal("uniform", 20.0, 150.0, WHY).outside(20.0, 150.0) == 0.0


@every_group
def test_bundled_lungs_do_not_leave_the_bounds(group):
    for name, marginal in group.marginals.items():
        entry = PARAMETERS[name]
        assert marginal.outside(entry.low, entry.high) < 1e-9, name


@every_group
def test_given_nothing_the_scores_are_standard(group):
    found = group.given({})
    assert found.names == group.properties
    np.testing.assert_array_equal(found.covariance, group.correlation_matrix)
    assert group.middle({}) == pytest.approx(group.median, rel=1e-15)


def test_a_property_that_nobody_knows_is_refused_where_the_population_is_used():
    wrong = Population("mine", "mine", "", {"complience": Marginal("lognormal", 5.0, 0.5, WHY)})
    with pytest.raises(EbbmapError, match="did you mean 'compliance'"):
        Question(lung="linear", populations=(wrong,))
    with pytest.raises(EbbmapError, match=r"population 'mine'.*did you mean 'compliance'"):
        builtin().add(wrong)
