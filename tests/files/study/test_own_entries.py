"""What a study defines itself: it replaces, joins or stands apart as its file says."""

import numpy as np
import pytest

from ebbmap.files.study import parse_study
from ebbmap.registries.populations import POPULATIONS

#: A lung that has every part of the bundled ones, so nothing is folded.
START = """
title = "own"
lung = "whole"
[axes]
t_low = [0.3, 0.6]
[analyses.window]
"""


def own_population(text):
    study = parse_study(
        f'{START}\n[population.mine]\nbase = "obstructive"\n{text}'.replace(
            'title = "own"', 'title = "own"\npopulations = ["mine"]'
        )
    )
    (group,) = study.question.populations
    return group


@pytest.mark.parametrize(
    "pair", [("resistance_insp", "resistance_exp"), ("resistance_exp", "resistance_insp")]
)
def test_an_own_correlation_replaces_that_of_the_base_in_either_order(pair):
    base = POPULATIONS["obstructive"]
    group = own_population(
        f'[[population.mine.correlations]]\nbetween = ["{pair[0]}", "{pair[1]}"]\nvalue = 0.25'
    )
    names = group.properties
    expected = base.correlation_matrix.copy()
    i, j = names.index(pair[0]), names.index(pair[1])
    # far enough from what is said instead
    assert expected[i, j] > 0.5
    expected[i, j] = expected[j, i] = 0.25
    np.testing.assert_array_equal(group.correlation_matrix, expected)
    # said once, not once in either order
    assert len(group.correlations) == len(base.correlations)
    assert group.correlations[pair] == 0.25
    # and so in the lungs: 5 standard errors
    lungs = group.sample(4000, seed=0)
    scores = [group.marginals[name].score(lungs[name]) for name in pair]
    assert np.corrcoef(scores)[0, 1] == pytest.approx(0.25, abs=5 / np.sqrt(4000))


def test_an_own_property_replaces_that_of_the_base_and_no_other():
    base = POPULATIONS["obstructive"]
    group = own_population(
        '[population.mine.properties]\ncompliance = { family = "normal", mean = 70.0, sd = 8.0, '
        "low = 40.0, high = 100.0 }\n"
        'co2_production = { family = "uniform", low = 150.0, high = 250.0 }\n'
        'shunt_baseline = { family = "lognormal", median = 0.1, log_sd = 0.4 }'
    )
    own = {
        name: (m.family, m.centre, m.spread, m.low, m.high) for name, m in group.marginals.items()
    }
    kept = {
        name: (m.family, m.centre, m.spread, m.low, m.high) for name, m in base.marginals.items()
    }
    changed = {"compliance": ("normal", 70.0, 8.0, 40.0, 100.0)}
    for name in ("co2_production", "shunt_baseline"):
        family, centre, spread, *_ = own[name]
        changed[name] = own[name]
        assert (family, centre, spread) == {
            "co2_production": ("uniform", 150.0, 250.0),
            "shunt_baseline": ("lognormal", 0.1, 0.4),
        }[name]
    assert own == {**kept, **changed}
    assert group.correlations == base.correlations


OWN_LIMITS = """
[limits]
sets = ["pressure"]
rules = ["flow_ratio", "exhaled_fraction", "mine"]
[[limits.own]]
outcome = "auto_peep"
high = 9.0
why = "invented"
[[limits.own]]
rule = "flow_ratio"
outcome = "release_rate"
high = 20.0
why = "invented"
[[limits.own]]
rule = "mine"
outcome = "release_volume_per_kg"
low = 3.0
high = 9.0
severity = "hard"
width = 2.0
why = "invented too"
[[limits.own]]
rule = "mine"
outcome = "release_volume_per_kg"
high = 7.0
severity = "caution"
why = "invented"
"""


def test_an_own_limit_of_one_rule_is_in_no_other():
    rules = parse_study(START + OWN_LIMITS).question.rules
    assert list(rules) == ["flow_ratio", "exhaled_fraction", "mine"]
    pressure = {"end_high_pressure_high", "driving_pressure_high"}
    hard = {rule: {b.name for b in limits.hard} for rule, limits in rules.items()}
    assert hard == {
        "flow_ratio": pressure
        | {"auto_peep_high", "release_rate_high", "flow_ratio_low", "flow_ratio_high"},
        "exhaled_fraction": pressure
        | {"auto_peep_high", "exhaled_fraction_low", "exhaled_fraction_high"},
        "mine": pressure
        | {"auto_peep_high", "release_volume_per_kg_low", "release_volume_per_kg_high"},
    }
    own = {(b.name, b.severity): b for b in (*rules["mine"].hard, *rules["mine"].caution)}
    low = own["release_volume_per_kg_low", "hard"]
    assert (low.value, low.width, low.why) == (3.0, 2.0, "invented too")
    assert own["release_volume_per_kg_high", "hard"].value == 9.0
    assert own["release_volume_per_kg_high", "caution"].value == 7.0
    assert ("auto_peep_high", "hard") in own


def test_what_a_study_does_not_say():
    study = parse_study('title = "short"\nlung = "linear"\n[analyses.window]')
    assert study.question.lungs == 2000
    assert study.question.seed == 0
    assert study.question.lung == "linear"
    assert list(study.question.rules) == ["flow_ratio", "exhaled_fraction"]
    outcomes = {b.outcome for b in study.question.rules["flow_ratio"].hard}
    # pressures, volume and auto-PEEP hold unless a study says otherwise
    assert outcomes == {
        "end_high_pressure",
        "driving_pressure",
        "release_volume_per_kg",
        "auto_peep",
        "end_release_pressure",
        "flow_ratio",
    }
