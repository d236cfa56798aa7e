"""Every analysis draws the other properties given those that are held, and alike."""

import numpy as np
import pytest

from ebbmap.analyses.common.factors import factors_of
from ebbmap.analyses.profile import Profile, find_profile
from ebbmap.analyses.screening import Screening, find_screening
from ebbmap.analyses.shapley import Shapley, find_shapley
from ebbmap.analyses.sobol import Sobol, find_sobol
from ebbmap.cases.question import Question, draw_cases, middle_lung
from ebbmap.errors import EbbmapError
from ebbmap.registries.limits import LIMIT_SETS
from ebbmap.registries.populations import Marginal, Population

#: Invented, and cut off nowhere: what is left given one property has a closed form.
GROUP = Population(
    "obstructive",
    "obstructive",
    "invented",
    {
        "compliance": Marginal("lognormal", 60.0, 0.4, "invented"),
        "resistance_insp": Marginal("lognormal", 15.0, 0.45, "invented"),
        "resistance_exp": Marginal("lognormal", 20.0, 0.45, "invented"),
        "predicted_body_weight": Marginal("normal", 65.0, 10.0, "invented"),
    },
    {("resistance_insp", "resistance_exp"): 0.9},
)
RULES = {"flow_ratio": LIMIT_SETS["flow_ratio"]}
R_EXP = (12.0, 25.0, 45.0)

#: Standard errors that the median of a sample may be off: once in a million.
ERRORS = 5


def question(**changes):
    settings = {"p_high": 24.0, "p_low": 0.0, "t_high": 2.0, "t_low": 0.8}
    given = {"populations": (GROUP,), "rules": RULES, "fixed": settings, "lungs": 4000}
    return Question(lung="linear", **(given | changes))


def conditional_log_resistance(r_exp):
    """Mean and SD of the logarithm of R_insp given R_exp, from the bivariate normal's formulas."""
    insp, exp = GROUP.marginals["resistance_insp"], GROUP.marginals["resistance_exp"]
    rho = GROUP.correlations["resistance_insp", "resistance_exp"]
    score = np.log(r_exp / exp.centre) / exp.spread
    return np.log(insp.centre) + insp.spread * rho * score, insp.spread * np.sqrt(1 - rho**2)


@pytest.mark.parametrize("r_exp", R_EXP)
def test_factors_along_a_property_have_its_conditional_distribution(r_exp):
    factors = factors_of(question(), GROUP, "resistance_exp", place=r_exp)
    mean, sd = conditional_log_resistance(r_exp)
    insp = GROUP.marginals["resistance_insp"]
    at = factors.names.index("resistance_insp")
    # both by the same two lines of algebra: rounding
    assert np.log(insp.centre) + insp.spread * factors.mean[at] == pytest.approx(mean, rel=1e-12)
    assert insp.spread * np.sqrt(factors.covariance[at, at]) == pytest.approx(sd, rel=1e-12)


@pytest.mark.parametrize("r_exp", R_EXP)
def test_independent_designs_and_maps_draw_the_same_marginals(r_exp):
    asked = question(fixed=question().fixed | {"resistance_exp": r_exp})
    factors = factors_of(asked, GROUP, "t_low")
    mapped = draw_cases(asked, GROUP, {})
    unit = np.random.default_rng(0).random((asked.lungs, len(factors.names)))
    for name, values in factors.from_unit(unit).items():
        one, other = np.sort(values.values), np.sort(mapped[name].values)
        gap = np.abs(
            np.searchsorted(other, one, side="right") / one.size
            - np.arange(1, one.size + 1) / one.size
        ).max()
        # two-sample Kolmogorov-Smirnov at one in a million
        assert gap < np.sqrt(-np.log(1e-6 / 2) / one.size), name


@pytest.mark.parametrize("r_exp", R_EXP)
def test_shapley_along_a_property_is_shapley_with_the_property_fixed(r_exp):
    options = {"base_size": 256, "outcomes": ("end_high_pressure",)}
    along = find_shapley(
        question(),
        Shapley(along="resistance_exp", **options),
        axes={"resistance_exp": np.array(R_EXP)},
    )
    asked = question(fixed=question().fixed | {"resistance_exp": r_exp})
    fixed = find_shapley(asked, Shapley(along="t_low", **options), axes={"t_low": np.array([0.8])})
    one, other = (
        found["effect"].sel(outcome="end_high_pressure", dependence="correlated").isel(population=0)
        for found in (along.sel(resistance_exp=[r_exp]), fixed)
    )
    # the same design through the same formulas
    np.testing.assert_allclose(one.values.ravel(), other.values.ravel(), rtol=1e-9)


def test_the_leader_is_what_brute_force_says_where_expiration_is_quick():
    """Given R_exp 12 the inspiratory resistance hardly varies, so compliance leads."""
    found = find_shapley(
        question(),
        Shapley(along="resistance_exp", base_size=256, outcomes=("end_high_pressure",)),
        axes={"resistance_exp": np.array([12.0])},
    )
    effect = found["effect"].sel(outcome="end_high_pressure", dependence="correlated")
    shares = effect.isel(population=0, resistance_exp=0).to_series()
    assert shares.idxmax() == "compliance"


@pytest.mark.parametrize(
    ("find", "options"),
    [(find_sobol, Sobol), (find_screening, Screening)],
    ids=["sobol", "screening"],
)
def test_independent_designs_along_a_property_agree_with_the_property_fixed(find, options):
    size = {"base_size": 64} if find is find_sobol else {"trajectories": 16}
    how = size | {"outcomes": ("end_high_pressure",), "resamples": 100}
    value = "total" if find is find_sobol else "mu_star"
    along = find(question(), options(along="resistance_exp", at=R_EXP, **how))
    for r_exp in R_EXP:
        asked = question(fixed=question().fixed | {"resistance_exp": r_exp})
        fixed = find(asked, options(along="t_low", at=[0.8], **how))
        np.testing.assert_allclose(
            along[value].sel(resistance_exp=r_exp).values.ravel(),
            fixed[value].isel(t_low=0).values.ravel(),
            rtol=1e-9,  # the same design through the same formulas
        )


def test_factors_along_a_property_need_their_place():
    with pytest.raises(EbbmapError, match="resistance_exp is a property of the lung"):
        factors_of(question(), GROUP, "resistance_exp")


def test_a_middle_lung_is_the_middle_given_what_is_held():
    for r_exp in R_EXP:
        held = question(fixed=question().fixed | {"resistance_exp": r_exp}, lungs=20_000)
        middle = middle_lung(held, GROUP, {})
        drawn = draw_cases(held, GROUP, {})["resistance_insp"].values
        mean, sd = conditional_log_resistance(r_exp)
        assert np.log(middle["resistance_insp"]) == pytest.approx(mean, rel=1e-12)  # rounding
        error = sd * np.sqrt(np.pi / 2 / drawn.size)
        assert np.log(np.median(drawn)) == pytest.approx(mean, abs=ERRORS * error)


def test_a_middle_lung_follows_a_property_along_its_axis():
    grid = np.array(R_EXP)
    found = find_profile(
        question(),
        Profile(along="resistance_exp", outcomes=("fill_fraction",)),
        axes={"resistance_exp": grid},
    )
    for r_exp in R_EXP:
        asked = question(fixed=question().fixed | {"resistance_exp": r_exp})
        one = find_profile(
            asked,
            Profile(along="t_low", outcomes=("fill_fraction",)),
            axes={"t_low": np.array([0.8])},
        )
        assert float(found["fill_fraction"].sel(resistance_exp=r_exp).item()) == pytest.approx(
            float(one["fill_fraction"].item()),
            rel=1e-12,  # the same formula
        )


def test_a_property_that_cannot_have_the_held_value_is_told():
    own = Population(
        "own",
        "own",
        "invented",
        {
            "compliance": Marginal("lognormal", 40.0, 0.3, "invented"),
            "slow_volume_share": Marginal("lognormal", 0.2, 0.3, "invented"),
        },
    )
    with pytest.raises(EbbmapError, match="slow_volume_share must be > 0 in own; got 0"):
        own.sample(4, seed=0, given={"slow_volume_share": np.array([0.0])})
