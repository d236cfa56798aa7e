"""Questions asked again of populations as they may be."""

import numpy as np
import pytest

from ebbmap.cases.question import Question, draw_cases
from ebbmap.cases.uncertain import asked_again, outer_scores, redrawn
from ebbmap.errors import EbbmapError
from ebbmap.kernels.knowledge import knowledge_interval
from ebbmap.registries.fitted import fitted
from ebbmap.registries.populations import Marginal, Population
from support.known import ERRORS, MEDIAN, RESISTANCE, SPREAD, TOTAL, share_at, stated


def unknown():
    return Population("own", "own", "", {"compliance": Marginal("lognormal", 50.0, 0.3, "own")})


def test_scores_are_the_same_however_many_draws_follow():
    few, many = (outer_scores(stated(), draws, seed=3) for draws in (2, 40))
    np.testing.assert_array_equal(few, many[:2])
    assert many.shape == (40, len(ERRORS))
    assert not np.array_equal(few, outer_scores(stated(), 2, seed=4))


def test_populations_have_streams_of_their_own():
    one, other = (fitted(name).population() for name in ("normal", "obstructive"))
    few, many = outer_scores(one, 5, seed=0), outer_scores(other, 5, seed=0)
    k = min(few.shape[1], many.shape[1])
    assert not np.isclose(few[:, :k], many[:, :k]).any()


def test_a_population_is_drawn_again_under_its_name():
    group = stated()
    again = redrawn(group, 4, seed=0)
    off = outer_scores(group, 5, seed=0)[4] @ np.array(list(ERRORS.values()))
    assert (again.name, again.comment) == ("stated", "invented")
    assert again.median["compliance"] == pytest.approx(MEDIAN * np.exp(off))


def test_the_same_lungs_are_drawn_but_for_what_is_not_known():
    question = Question(populations=(stated(),), lungs=50, knowledge=40)
    again = asked_again(question, 0)
    assert again.knowledge == 0
    first, second = (
        draw_cases(one, one.populations[0], {})["compliance"].values for one in (question, again)
    )
    moved = np.log(second / first)
    np.testing.assert_allclose(moved, moved[0])
    assert moved[0] != 0.0 and np.log(first).std() == pytest.approx(SPREAD, rel=0.3)


def test_a_fitted_population_says_how_well_it_is_known():
    phenotype = fitted("restrictive")
    assert phenotype.population().known is phenotype
    spread = [redrawn(phenotype.population(), n, seed=0).median["compliance"] for n in range(60)]
    error = phenotype.standard_errors["centre: compliance"]
    # a standard deviation of 60 draws is known to a tenth; three of these
    assert np.log(spread).std() == pytest.approx(error, rel=0.3)


def test_knowledge_of_what_nobody_knows_is_refused():
    with pytest.raises(EbbmapError, match="population 'own' are known is not stated"):
        Question(populations=(unknown(),), knowledge=40)
    with pytest.raises(EbbmapError, match="Name populations, or set knowledge = 0"):
        Question(knowledge=40)
    assert Question(populations=(unknown(),)).knowledge == 0


def test_the_truth_lies_within_as_often_as_is_said():
    held = []
    for seed in range(200):
        drawn = [redrawn(stated(), draw, seed).sample(500, seed=seed) for draw in range(39)]
        low, high = knowledge_interval([above(lungs) for lungs in drawn])
        off = TOTAL * np.random.default_rng(10_000 + seed).standard_normal()
        held.append(low <= share_at(0.35, off) <= high)
    # 200 intervals: a standard error of 0.015, three of them
    assert np.mean(held) == pytest.approx(0.95, abs=0.046)


def above(lungs):
    """Share of lungs whose flow is still above half after 0.35 s."""
    return np.mean(lungs["compliance"] > 1000.0 * 0.35 / (RESISTANCE * np.log(2.0)))
