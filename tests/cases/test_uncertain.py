"""Shares with two intervals, against a phenotype whose answer has a closed form."""

import numpy as np
import pytest
from scipy.special import ndtr, ndtri

from ebbmap.cases.uncertain import uncertain_share
from ebbmap.errors import EbbmapError
from ebbmap.registries.fitted import Fitted, Number, population_of

UNKNOWNS = ("centre: compliance", "spread: compliance", "centre: co2_production")
ERRORS = np.array([0.15, 1e-9, 30.0])


def phenotype():
    """Compliance lognormal around 50 with log-SD 0.3; its centre is known to 15 %."""
    values = np.array([np.log(50.0), np.log(0.3), 200.0])
    numbers = tuple(
        Number(name, value, error, "assumption", "invented")
        for name, value, error in zip(UNKNOWNS, values, ERRORS, strict=True)
    )
    return Fitted("normal", UNKNOWNS, values, numbers, np.diag(ERRORS), ())


def stiff(lungs):
    return lungs["compliance"] < 45.0


def test_both_intervals_and_the_ranking_are_those_of_the_closed_form():
    found = uncertain_share(phenotype(), stiff, seed=0, outer=400, inner=400)
    z = (np.log(45.0) - np.log(50.0)) / 0.3
    exact = ndtr(z + 0.5 * ndtri(np.array([0.025, 0.975])))
    # 400 draws: the quantile of a tail of ten
    np.testing.assert_allclose(found.share.knowledge, exact, atol=0.05)
    assert found.share.share == pytest.approx(float(ndtr(z)), abs=0.075)
    low, high = found.share.lungs
    assert high - low == pytest.approx(2 * 1.96 * np.sqrt(0.36 * 0.64 / 400), rel=0.1)
    first = found.ranking[0]
    assert first.number.name == "centre: compliance"
    # a share bends a little over so wide a range
    assert 0.9 < first.effect < 1.05
    assert first.slope < 0.0
    assert all(abs(one.effect) < 5 * one.error for one in found.ranking[1:])
    assert found.explained == pytest.approx(sum(one.effect for one in found.ranking))


def test_the_same_seed_gives_the_same_answer():
    one, same, other = (
        uncertain_share(phenotype(), stiff, seed=seed, outer=40, inner=50) for seed in (1, 1, 2)
    )
    assert one == same and one != other


def test_a_fitted_phenotype_is_one_whose_correlations_hold():
    assert population_of("normal", {}).correlations == {}


def test_which_lungs_count_is_true_or_false():
    with pytest.raises(EbbmapError, match=r"True or False for each; got float64"):
        uncertain_share(phenotype(), lambda lungs: lungs["compliance"], seed=0)


def test_a_share_that_nothing_moves_has_no_ranking():
    with pytest.raises(EbbmapError, match="vary more than its inner noise"):
        uncertain_share(phenotype(), lambda lungs: lungs["compliance"] > 0.0, seed=0, outer=30)
