"""A population for a lung that lacks a part: what changes, what does not, and who is asked."""

from dataclasses import replace

import numpy as np
import pytest

from ebbmap.cases.question import Question, draw_cases
from ebbmap.cases.uses import Use, use_words
from ebbmap.lungs import LUNGS, lung_model
from ebbmap.registries.copula import Fold, Population
from ebbmap.registries.distributions import Marginal
from ebbmap.registries.folding import folded, folded_text, without
from ebbmap.registries.populations import POPULATIONS

LESSER = ("linear", "tube", "paired", "stepped")


def invented(folds=None):
    """Return a population of two properties with a fold for lungs without tube and slow part."""
    linear = Fold({"compliance": np.log(2.0)}, {"compliance": np.log(0.5)}, {("a", "b"): 0.5})
    linear = linear._replace(correlations={("compliance", "resistance_exp"): 0.5})
    marginals = {
        "compliance": Marginal("lognormal", 50.0, 0.4, "invented"),
        "resistance_exp": Marginal("lognormal", 10.0, 0.3, "invented"),
    }
    pairs = {("resistance_exp", "compliance"): np.tanh(0.1)}
    return Population(
        "mine", "mine", "", marginals, pairs, folds={"linear": linear} if folds is None else folds
    )


def test_a_fold_multiplies_centre_and_spread_and_adds_to_z():
    found = folded(invented(), lung_model("linear"))
    compliance = found.marginals["compliance"]
    assert (compliance.centre, compliance.spread) == pytest.approx((100.0, 0.2))
    assert found.marginals["resistance_exp"] == invented().marginals["resistance_exp"]
    # the pair is one, whichever of its properties comes first
    assert list(found.correlations) == [("resistance_exp", "compliance")]
    assert found.correlations["resistance_exp", "compliance"] == pytest.approx(np.tanh(0.6))
    assert "changed for a lung without a tube and a slow part" in compliance.source


@pytest.mark.parametrize("group", POPULATIONS.values(), ids=lambda group: group.name)
def test_folding_is_for_a_lung_and_not_added_up(group):
    assert folded(group, lung_model("whole")) is group
    for name in LESSER:
        once = folded(group, lung_model(name))
        assert once != group
        assert folded(once, lung_model(name)) == once
        assert folded(once, lung_model("whole")) is group
        # the others are drawn as they are: lungs of two models stay pairs
        kept, drawn = (one.sample(50, seed=1) for one in (group, once))
        assert list(kept) == list(drawn)
        changed = {"compliance", "resistance_insp", "resistance_exp"}
        assert set(group.folds[{"stepped": "tube"}.get(name, name)].centres) == changed
        assert once.marginals["co2_production"] == group.marginals["co2_production"]


def test_what_was_not_fitted_is_left_alone():
    plain = invented(folds={})
    assert all(folded(plain, lung) is plain for lung in LUNGS.values())


@pytest.mark.parametrize("lung", LESSER)
def test_a_question_draws_folded_lungs_and_says_so(lung):
    group = POPULATIONS["restrictive"]
    question = Question(lung=lung, populations=(group,), lungs=50)
    (own,) = question.populations
    assert own == folded(group, lung_model(lung))
    drawn = draw_cases(question, own, {})
    # the middle expiratory resistance is not that of the whole lung
    middle = float(np.exp(np.log(drawn["resistance_exp"]).mean())) if lung != "paired" else None
    if middle:
        assert middle == pytest.approx(own.median["resistance_exp"], rel=0.2)
        assert abs(np.log(own.median["resistance_exp"] / group.median["resistance_exp"])) > 0.1
    said = use_words(question, Use())["lungs_from"]
    assert said.endswith(folded_text([group], lung_model(lung))) and "changed to read" in said
    back = replace(question, lung="whole")
    assert back.populations == (group,)
    assert "changed" not in use_words(back, Use())["lungs_from"]


def test_what_a_study_states_is_not_folded():
    folds = without(invented().folds, {"compliance"})
    assert folds["linear"] == Fold({}, {}, {})
    kept = folded(replace(invented(), folds=folds), lung_model("linear"))
    assert kept.marginals == invented().marginals
