"""Fitted phenotypes: every number has a standard error, and populations are drawn from it."""

import numpy as np
import pytest

from ebbmap.errors import EbbmapError
from ebbmap.registries.fitted import fitted, population_of
from ebbmap.registries.fitted.bases import PHENOTYPES
from ebbmap.registries.folding import LEAST_EIGENVALUE
from ebbmap.registries.parameters import PARAMETERS

GRADES = {"read", "transcription", "memory, uncertain", "derived", "assumption"}


@pytest.mark.parametrize("group", PHENOTYPES)
def test_every_centre_spread_and_correlation_has_a_standard_error(group):
    one = fitted(group)
    made = one.population()
    errors = one.standard_errors
    for name in made.properties:
        assert errors[f"centre: {name}"] > 0.0
        assert errors[f"spread: {name}"] > 0.0
    for pair in made.correlations:
        assert errors[f"correlation: {', '.join(pair)}"] > 0.0
    assert len(errors) == 2 * len(made.properties) + len(made.correlations) + 4
    assert "flow_limitation" not in made.properties


@pytest.mark.parametrize("group", PHENOTYPES)
def test_every_number_has_a_source_and_a_grade(group):
    numbers = fitted(group).numbers
    assert len({one.name for one in numbers}) == len(numbers)
    for one in numbers:
        assert one.source and one.confirmed in GRADES and one.error > 0.0, one.name
    # what the literature lacks is named so
    assert any(one.confirmed == "assumption" for one in numbers)


def test_severe_asthma_rests_on_three_plateaus_and_assumptions():
    grades = {one.name: one.confirmed for one in fitted("severe_asthma").numbers}
    remembered = {name for name, grade in grades.items() if grade == "memory, uncertain"}
    assert len(remembered) == 3 and all(name.startswith("plateau") for name in remembered)
    for name in ("centre: compliance", "centre: resistance_exp", "centre: time_constant_slow"):
        assert grades[name] == "assumption"


def draw(one, draws, seed):
    """Return scores and the populations that they make."""
    scores = np.random.default_rng(seed).standard_normal((draws, len(one.numbers)))
    return scores, [one.population(row) for row in scores]


@pytest.mark.parametrize("group", PHENOTYPES)
def test_unknowns_that_are_drawn_spread_as_their_standard_errors_say(group):
    one = fitted(group)
    scores, drawn = draw(one, 300, seed=0)
    medians = np.log([some.marginals["compliance"].centre for some in drawn])
    place = one.unknowns.index("centre: compliance")
    np.testing.assert_allclose(medians, one.values[place] + scores @ one.response[place])
    # 300 draws: 4 % of an SD, three of them
    assert medians.std(ddof=1) == pytest.approx(one.standard_errors["centre: compliance"], rel=0.12)
    assert np.linalg.eigvalsh(one.response @ one.response.T).min() > -1e-9


def test_the_central_numbers_give_the_fitted_population():
    one = fitted("normal")
    none = np.zeros(len(one.numbers))
    assert one.population(none) == one.population()
    assert one.population().name == "normal"


@pytest.mark.parametrize("group", PHENOTYPES)
def test_lungs_of_drawn_populations_can_be_solved(group):
    for some in draw(fitted(group), 20, seed=2)[1]:
        for name, values in some.sample(200, seed=0).items():
            entry = PARAMETERS[name]
            assert np.all((values >= entry.low) & (values <= entry.high)), name


def test_correlations_that_cannot_hold_together_are_drawn_towards_none():
    pairs = {
        "correlation: compliance, resistance_insp": 2.0,
        "correlation: compliance, resistance_exp": -2.0,
        "correlation: resistance_insp, resistance_exp": 2.0,
    }
    made = population_of("normal", pairs)
    kept = np.array(list(made.correlations.values())) / np.tanh([2.0, -2.0, 2.0])
    np.testing.assert_allclose(kept, kept[0])
    assert 0.0 < kept[0] < 1.0
    least = np.linalg.eigvalsh(made.correlation_matrix)[0]
    assert least == pytest.approx(LEAST_EIGENVALUE, abs=1e-9)


def test_an_unknown_phenotype_is_refused_with_the_nearest():
    with pytest.raises(EbbmapError, match="did you mean 'restrictive'"):
        fitted("restrictiv")
