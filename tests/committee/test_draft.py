import numpy as np
import pytest

from ebbmap.committee.draft import (
    Draft,
    Measured,
    Span,
    measure,
    needed_properties,
    settings_of,
)
from ebbmap.committee.rules import Rule, flow_ratio_time
from ebbmap.lungs import lung_model

LINEAR = lung_model("linear")
LUNGS = {
    "compliance": np.array([30.0, 60.0]),
    "resistance_insp": np.array([10.0, 15.0]),
    "resistance_exp": np.array([12.0, 40.0]),
    "predicted_body_weight": np.array([60.0, 70.0]),
}
SPANS = {"p_high": Span(20.0, 28.0), "p_low": Span(0.0, 0.0), "t_high": Span(4.0, 6.0)}
NONE = np.zeros(2)


def test_places_span_the_ranges_and_keep_fixed_values():
    draft = Draft({**SPANS, "t_low": Span(0.4, 0.6)})
    assert draft.free == ("p_high", "t_high", "t_low")
    places = draft.places(np.array([[0.0, 0.5, 1.0]]))
    assert (places["p_high"], places["t_high"], places["t_low"]) == (20.0, 5.0, 0.6)
    assert places["p_low"].shape == ()


def test_widened_ranges_reach_the_usual_ones_and_never_shrink():
    wide = Draft({**SPANS, "t_low": Span(0.1, 0.6)}).widened()
    assert wide.spans["t_low"] == Span(0.1, 1.8)
    assert wide.spans["p_low"] == Span(0.0, 0.0)


def test_time_constant_rule_is_a_multiple_of_what_was_measured():
    draft = Draft(
        {**SPANS, "t_low_in_time_constants": Span(0.5, 0.5)},
        {"t_low": Rule("time_constant", error=0.2)},
    )
    scores = np.array([0.0, 1.0])
    known = measure(LINEAR, draft, LUNGS, scores)
    tau = LUNGS["compliance"] * LUNGS["resistance_exp"] / 1000.0
    # rounding only: both are the same two products
    np.testing.assert_allclose(known.reads["t_low"][0], tau * np.exp(0.2 * scores), rtol=1e-14)
    settings = settings_of(draft, known, draft.middle())
    np.testing.assert_allclose(settings["t_low"][:, 0], 0.5 * known.reads["t_low"][0], rtol=1e-14)


def test_flow_ratio_rule_meets_the_closed_form_whatever_the_other_settings():
    draft = Draft(SPANS, {"t_low": Rule("flow_ratio", 0.6)})
    tau = LUNGS["compliance"] * LUNGS["resistance_exp"] / 1000.0
    known = measure(LINEAR, draft, LUNGS, NONE)
    # the tolerance that the root-finder is held to
    np.testing.assert_allclose(known.reads["t_low"][0], -tau * np.log(0.6), rtol=1e-9)


def test_flow_ratio_out_of_reach_is_not_a_number():
    stiff = {"compliance": np.array([1000.0]), "resistance_exp": np.array([1000.0])}
    assert np.isnan(flow_ratio_time(LINEAR, stiff, 0.5)[0])


def test_plateau_rule_and_its_stops():
    rule = Rule("plateau", 6.0, offset=1.0, base=5.0, at_most=17.0)
    spans = {"p_low": Span(0.0, 0.0), "t_high": Span(5.0, 5.0), "t_low": Span(0.5, 0.5)}
    draft = Draft(spans, {"p_high": rule})
    settings = settings_of(draft, measure(LINEAR, draft, LUNGS, NONE), draft.middle())
    # 5 + 6 * 60 / 30 + 1 = 18 is held at 17; 5 + 6 * 70 / 60 + 1 = 13
    np.testing.assert_allclose(settings["p_high"][:, 0], [17.0, 13.0], rtol=1e-14)


@pytest.mark.parametrize("kind", ["time_constant", "flow_ratio"])
def test_errors_carry_over_as_the_same_factor(kind):
    spans = {**SPANS, "t_low_in_time_constants": Span(1.0, 1.0)}
    exact = measure(LINEAR, Draft(spans, {"t_low": Rule(kind, 0.5)}), LUNGS, np.ones(2))
    blurred = measure(
        LINEAR, Draft(spans, {"t_low": Rule(kind, 0.5, error=0.3)}), LUNGS, np.ones(2)
    )
    ratio = blurred.reads["t_low"][0] / exact.reads["t_low"][0]
    np.testing.assert_allclose(ratio, np.exp(0.3), rtol=1e-14)


def test_error_of_the_plateau_blurs_its_rise_and_nothing_else():
    spans = {"p_low": Span(0.0, 0.0), "t_high": Span(5.0, 5.0), "t_low": Span(0.5, 0.5)}
    scores = np.array([1.0, -2.0])
    rule = Rule("plateau", 6.0, error=0.3, offset=1.0, base=5.0)
    draft = Draft(spans, {"p_high": rule})
    known = measure(LINEAR, draft, LUNGS, scores)
    rise = 6.0 * LUNGS["predicted_body_weight"] / LUNGS["compliance"] * np.exp(0.3 * scores)
    # rounding only: the same products
    np.testing.assert_allclose(known.reads["p_high"][0], rise, rtol=1e-14)
    settings = settings_of(draft, known, draft.middle())
    np.testing.assert_allclose(settings["p_high"][:, 0], 5.0 + rise + 1.0, rtol=1e-14)


@pytest.mark.parametrize("kind", ["time_constant", "flow_ratio", "plateau"])
@pytest.mark.parametrize(("at_least", "at_most"), [(0.7, np.inf), (-np.inf, 0.9), (0.75, 0.85)])
def test_every_rule_stops_at_its_ends(kind, at_least, at_most):
    scale = 15.0 if kind == "plateau" else 1.0
    spans = {"p_low": Span(0.0, 0.0), "t_high": Span(5.0, 5.0)}
    spans |= (
        {"t_low": Span(0.5, 0.5)}
        if kind == "plateau"
        else {"p_high": Span(20.0, 20.0), "t_low_in_time_constants": Span(0.6, 0.6)}
    )
    target = 6.0 if kind == "plateau" else 0.6
    name = "p_high" if kind == "plateau" else "t_low"
    lungs = {
        **LUNGS,
        "compliance": np.array([25.0, 60.0]),
        "resistance_exp": np.array([18.0, 40.0]),
    }
    free, held = (
        Draft(spans, {name: Rule(kind, target, base=2.0, **ends)})
        for ends in ({}, {"at_least": at_least * scale, "at_most": at_most * scale})
    )
    value, kept = (
        settings_of(draft, measure(LINEAR, draft, lungs, NONE), draft.middle())[name][:, 0]
        for draft in (free, held)
    )
    np.testing.assert_allclose(
        kept, np.minimum(np.maximum(value, at_least * scale), at_most * scale), rtol=1e-14
    )
    assert (kept != value).any()


def test_a_flow_ratio_is_measured_at_the_plateau_that_the_other_rule_sets():
    """With a quadratic tube the time at which flow reaches a share hangs on P high."""
    spans = {"p_low": Span(0.0, 4.0), "t_high": Span(4.0, 6.0)}
    plateau = Rule("plateau", 6.0, base=5.0, offset=2.0, at_most=18.0)
    draft = Draft(spans, {"p_high": plateau, "t_low": Rule("flow_ratio", 0.5)})
    lungs = {**LUNGS, "resistance_quadratic": np.array([4.0, 6.0])}
    tube = lung_model("tube")
    known = measure(tube, draft, lungs, NONE)
    p_high = np.minimum(7.0 + 6.0 * lungs["predicted_body_weight"] / lungs["compliance"], 18.0)
    middle = {"p_high": p_high, "p_low": np.full(2, 2.0), "t_high": np.full(2, 5.0)}
    expected = flow_ratio_time(tube, {**lungs, **middle}, 0.5)
    # twice the same search for the root
    np.testing.assert_allclose(known.reads["t_low"][0], expected, rtol=1e-9)
    other = flow_ratio_time(tube, {**lungs, **middle, "p_high": p_high + 4.0}, 0.5)
    assert (np.abs(other / expected - 1) > 1e-3).all()


def test_rules_know_what_they_set_and_drafts_what_they_need():
    assert (Rule("plateau").sets, Rule("time_constant").sets) == ("p_high", "t_low")
    spans = {"p_low": Span(0.0, 0.0), "t_high": Span(5.0, 5.0), "t_low": Span(0.5, 0.5)}
    fixed = Draft({**spans, "p_high": Span(20.0, 20.0)})
    assert needed_properties(LINEAR, fixed, ("auto_peep",)) == (
        "compliance",
        "resistance_insp",
        "resistance_exp",
    )
    ruled = Draft(spans, {"p_high": Rule("plateau", 6.0)})
    assert "predicted_body_weight" in needed_properties(LINEAR, ruled, ("auto_peep",))
    with pytest.raises(ValueError, match="lungs that were measured"):
        settings_of(ruled, Measured(), ruled.middle())


def test_a_biased_reading_is_too_high_in_everybody():
    draft = Draft(
        {**SPANS, "t_low_in_time_constants": Span(0.5, 0.5)},
        {"t_low": Rule("time_constant", bias=0.1)},
    )
    tau = LUNGS["compliance"] * LUNGS["resistance_exp"] / 1000.0
    known = measure(LINEAR, draft, LUNGS, np.array([0.0, 2.0]))
    # rounding only: there is no error that the scores would enter
    np.testing.assert_allclose(known.reads["t_low"][0], 1.1 * tau, rtol=1e-14)


@pytest.mark.parametrize(
    ("kind", "step", "measured", "expected"),
    [
        # half of 0.36 and 2.4 s is 0.18 and 1.2 s
        ("time_constant", 0.05, np.array([0.36, 2.4]), [0.20, 1.2]),
        ("time_constant", 0.5, np.array([0.36, 2.4]), [0.5, 1.0]),
        ("flow_ratio", 0.05, np.array([0.225, 0.02]), [0.25, 0.05]),
        ("plateau", 1.0, np.array([12.4, 7.6]), [17.0, 13.0]),
        ("plateau", 2.0, np.array([12.4, 30.0]), [18.0, 25.0]),
    ],
)
def test_a_rule_gives_what_can_be_set_at_the_bedside(kind, step, measured, expected):
    rule = Rule(kind, 0.5, base=5.0, step=step, at_most=25.0)
    spans = {**SPANS, "t_low": Span(0.5, 0.5), "t_low_in_time_constants": Span(0.5, 0.5)}
    draft = Draft(spans, {rule.sets: rule})
    settings = settings_of(draft, Measured({rule.sets: (measured,)}), draft.middle())
    np.testing.assert_allclose(settings[rule.sets][:, 0], expected, rtol=1e-12)


def test_where_a_reading_fails_the_setting_is_the_stated_one():
    scores = np.random.default_rng(3).standard_normal(20_000)
    lungs = {name: np.full(scores.size, value[0]) for name, value in LUNGS.items()}
    spans = {**SPANS, "t_low_in_time_constants": Span(0.5, 0.5)}
    rule = Rule("time_constant", error=0.2, fails=0.25, otherwise=0.45, at_most=0.4)
    draft = Draft(spans, {"t_low": rule})
    known = measure(LINEAR, draft, lungs, scores)
    given = settings_of(draft, known, draft.middle())["t_low"][:, 0]
    failed = given == 0.45
    # four standard deviations of a share of 20,000
    assert failed.mean() == pytest.approx(0.25, abs=0.013)
    # in whom it fails says nothing of the error that it would have had
    assert abs(scores[failed].mean()) < 4.0 / np.sqrt(failed.sum())
    # 0.36 s is the time constant of the lung
    expected = np.minimum(0.5 * 0.36 * np.exp(0.2 * scores[~failed]), 0.4)
    np.testing.assert_allclose(given[~failed], expected, rtol=1e-12)
