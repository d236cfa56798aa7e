"""Rules for P low and T high, either of two rules for T low, and the order of solving them."""

import numpy as np
import pytest

from ebbmap.committee.boxes import places_of
from ebbmap.committee.draft import (
    Draft,
    Span,
    beside_t_low,
    measure,
    needed_properties,
    settings_of,
    solving_order,
)
from ebbmap.committee.rules import TAKEN, Rule
from ebbmap.committee.words import say_setting, too_fine
from ebbmap.errors import StudyError
from ebbmap.files.protocol import parse_protocol
from ebbmap.lungs import lung_model

LINEAR = lung_model("linear")
LUNGS = {
    "compliance": np.array([30.0, 60.0]),
    "resistance_insp": np.array([10.0, 15.0]),
    "resistance_exp": np.array([12.0, 40.0]),
    "predicted_body_weight": np.array([60.0, 70.0]),
}
TAU = LUNGS["compliance"] * LUNGS["resistance_exp"] / 1000.0
NONE = np.zeros(2)
P_HIGH, P_LOW = {"p_high": Span(24.0, 24.0)}, {"p_low": Span(0.0, 0.0)}
T_HIGH, T_LOW = {"t_high": Span(5.0, 5.0)}, {"t_low": Span(0.5, 0.5)}


def given(draft, lungs=LUNGS, scores=NONE, places=None):
    known = measure(LINEAR, draft, lungs, scores)
    return settings_of(draft, known, draft.middle() if places is None else places, lungs)


@pytest.mark.parametrize(
    ("trigger", "value", "expected"),
    [
        ("release_frequency", 12.0, [4.5, 4.5]),
        ("release_share", 0.1, [4.5, 4.5]),
        # five times 0.3 and 0.9 s
        ("t_high_in_time_constants", 5.0, [1.5, 4.5]),
    ],
)
def test_t_high_follows_t_low_or_the_lung(trigger, value, expected):
    draft = Draft({**P_HIGH, **P_LOW, **T_LOW, trigger: Span(value, value)})
    found = np.broadcast_to(given(draft)["t_high"], (2, 1))[:, 0]
    np.testing.assert_allclose(found, expected, rtol=1e-14)  # rounding only
    assert draft.free == ()


def test_t_high_that_t_low_leaves_no_room_for_is_not_a_number():
    draft = Draft({**P_HIGH, **P_LOW, "t_low": Span(6.0, 6.0), "release_frequency": Span(12, 12)})
    assert np.isnan(given(draft)["t_high"]).all()


def test_p_low_is_a_share_of_the_plateau_that_another_rule_sets():
    plateau = Rule("plateau", 6.0, base=5.0, step=1.0)
    draft = Draft({**T_HIGH, **T_LOW, "p_low_share": Span(0.2, 0.2)}, {"p_high": plateau})
    # plateaus of 5 + 6 x 60 / 30 = 17 and 5 + 6 x 70 / 60 = 12
    np.testing.assert_allclose(given(draft)["p_low"][:, 0], [3.4, 2.4], rtol=1e-14)


def test_p_low_leaves_the_auto_peep_that_is_wanted():
    t_low = 0.4
    spans = {**P_HIGH, **T_HIGH, "t_low": Span(t_low, t_low)}
    draft = Draft(spans, {"p_low": Rule("auto_peep", 4.0)})
    # full at P high: auto-PEEP = (P high - P low) exp(-T low / tau); the second lung is not quite
    # full after 5 s, which moves it by less than a hundredth
    expected = 24.0 - 4.0 * np.exp(t_low / TAU)
    np.testing.assert_allclose(given(draft)["p_low"][:, 0], expected, atol=0.06)
    out_of_reach = Draft(spans, {"p_low": Rule("auto_peep", 22.0)})
    np.testing.assert_array_equal(given(out_of_reach)["p_low"][:, 0], [0.0, 0.0])
    capped = Draft(spans, {"p_low": Rule("auto_peep", 4.0, at_most=9.0)})
    np.testing.assert_allclose(given(capped)["p_low"][:, 0], np.minimum(expected, 9.0), atol=0.06)


def test_an_auto_peep_that_reads_too_high_is_answered_by_a_higher_p_low():
    spans = {**P_HIGH, **T_HIGH, **T_LOW}
    true, biased = (
        given(Draft(spans, {"p_low": Rule("auto_peep", 4.0, bias=bias)}))["p_low"][:, 0]
        for bias in (0.0, 0.25)
    )
    asked = given(Draft(spans, {"p_low": Rule("auto_peep", 3.2)}))["p_low"][:, 0]
    assert (biased > true).all()
    np.testing.assert_allclose(biased, asked, rtol=1e-9)  # what the root-finder is held to


@pytest.mark.parametrize(("fio2", "p_low"), [(0.2, 5.0), (0.4, 5.0), (0.41, 8.0), (0.9, 14.0)])
def test_a_table_gives_the_row_of_fio2_or_the_next_higher_one(fio2, p_low):
    table = Rule("peep_table", rows=((0.4, 5.0), (0.5, 8.0), (0.8, 14.0)))
    draft = Draft({**P_HIGH, **T_HIGH, **T_LOW}, {"p_low": table})
    found = given(draft, {**LUNGS, "fio2": np.full(2, fio2)})
    np.testing.assert_array_equal(found["p_low"][:, 0], [p_low, p_low])
    assert "fio2" in needed_properties(LINEAR, draft, ("auto_peep",))


EITHER = {
    take: Rule("flow_ratio", 0.75, other=Rule("time_constant"), take=take)
    for take in ("any", "shorter", "longer")
}


@pytest.mark.parametrize(("multiple", "shorter"), [(0.2, 0.2), (0.5, -np.log(0.75))])
def test_the_shorter_and_the_longer_of_two_rules(multiple, shorter):
    spans = {**P_HIGH, **P_LOW, **T_HIGH, "t_low_in_time_constants": Span(multiple, multiple)}
    both = sorted([multiple, -np.log(0.75)])
    assert both[0] == shorter
    for take, times in zip(("shorter", "longer"), both, strict=True):
        found = given(Draft(spans, {"t_low": EITHER[take]}))["t_low"]
        np.testing.assert_allclose(found[:, 0], times * TAU, rtol=1e-9)


def test_either_of_two_rules_is_a_choice_that_settings_are_drawn_of():
    spans = {**P_HIGH, **P_LOW, **T_HIGH, "t_low_in_time_constants": Span(1.0, 1.0)}
    draft = Draft({**spans, TAKEN: Span(0.0, 1.0)}, {"t_low": EITHER["any"]})
    assert draft.free == (TAKEN,)
    found = given(draft, places=draft.places(np.array([[0.1], [0.9]])))["t_low"]
    np.testing.assert_allclose(found, np.outer(TAU, [-np.log(0.75), 1.0]), rtol=1e-9)


def test_what_waits_for_each_other_is_refused_by_name_unless_one_has_a_start():
    spans = {**P_HIGH, **P_LOW, "release_frequency": Span(12.0, 12.0)}
    rules = {"t_low": Rule("flow_ratio", 0.75)}
    with pytest.raises(ValueError, match="T high and T low wait for each other"):
        solving_order(Draft(spans, rules))
    draft = Draft(spans, rules, {"t_high": 5.0})
    assert solving_order(draft) == ("t_low", "t_high")
    found = given(draft)
    np.testing.assert_allclose(found["t_high"] + found["t_low"], 5.0, rtol=1e-14)


def test_all_four_settings_by_rules_in_their_order():
    spans = {"p_low_share": Span(0.2, 0.2), "release_share": Span(0.1, 0.1)}
    rules = {"p_high": Rule("plateau", 6.0, base=8.0), "t_low": Rule("flow_ratio", 0.75)}
    draft = Draft(spans, rules, {"t_high": 5.0})
    assert solving_order(draft) == ("p_high", "p_low", "t_low", "t_high")
    found = given(draft)
    np.testing.assert_allclose(found["t_high"], 9.0 * found["t_low"], rtol=1e-14)


def test_along_t_low_a_t_high_that_follows_it_goes_on_following():
    spans = {**P_HIGH, **P_LOW, **T_LOW, "release_frequency": Span(12.0, 12.0)}
    found = beside_t_low(LINEAR, Draft(spans), LUNGS, NONE, np.zeros((2, 0)))
    assert set(found) == {"p_high", "p_low", "release_frequency"}
    held = beside_t_low(
        LINEAR,
        Draft({**P_HIGH, **T_HIGH, **T_LOW}, {"p_low": Rule("auto_peep", 4.0)}),
        LUNGS,
        NONE,
        np.zeros((2, 0)),
    )
    assert (held["p_low"] > 0.0).any()


FILE = """
title = "Rules for all"
lung = "linear"
lungs = 64
settings_drawn = 8
[settings]
{}
[fixed]
fio2 = 0.6
spontaneous_alveolar_ventilation = 2.0
[[groups]]
population = "normal"
[limits]
sets = ["pressure"]
rules = []
"""
USUAL = {"p_high": "24.0", "p_low": "0.0", "t_high": "5.0", "t_low": "0.5"}
FLOW = 'rule = "flow_ratio", ratio = 0.75'
MULTIPLE = 'rule = "time_constant", multiple = 0.5'


def file(**settings):
    return FILE.format("\n".join(f"{k} = {v}" for k, v in {**USUAL, **settings}.items()))


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [
        ("p_low", '{ rule = "share_of_p_high", share = 0.2 }', "20 % of P high"),
        (
            "p_low",
            '{ rule = "auto_peep", wanted = 5.0, error = 0.1, at_most = 8.0 }',
            "what leaves an auto-PEEP of 5 cmH₂O, or comes nearest to it, measured to 10 %, at "
            "most 8 cmH₂O",
        ),
        (
            "p_low",
            '{ rule = "peep_table", fio2 = [0.4, 0.6], peep = [5.0, 10.0] }',
            "by a table of FiO₂ (40 %: 5, 60 %: 10 cmH₂O)",
        ),
        (
            "t_high",
            '{ rule = "frequency", per_minute = { low = 10.0, high = 14.0 }, start = 5.0 }',
            "what T low leaves of each cycle, for 10 to 14 releases per minute; other rules are "
            "read at T high 5 s",
        ),
        (
            "t_high",
            '{ rule = "release_share", share = 0.1 }',
            "such that T low is 10 % of the cycle",
        ),
        ("t_high", '{ rule = "inflation", multiple = 5.0 }', "5 x inspiratory time constant"),
        (
            "t_low",
            f'{{ rule = "either", take = "any", of = [{{ {FLOW} }}, {{ {MULTIPLE} }}] }}',
            "either of two rules, whichever is picked, and both are judged. The first: where flow "
            "has fallen to 75 % of its peak. The second: 0.5 x expiratory time constant",
        ),
    ],
)
def test_a_file_states_a_rule_and_hears_it_in_words(name, text, said):
    assert say_setting(parse_protocol(file(**{name: text})).draft, name) == said


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        (
            {"t_low": f"{{ {FLOW} }}", "t_high": '{ rule = "frequency", per_minute = 12.0 }'},
            "settings.t_high: T high and T low wait for each other. Add a start",
        ),
        ({"t_high": "{ per_minute = 12.0 }"}, "must name its rule beside per_minute"),
        ({"t_high": '{ rule = "frequency", per_minute = 500.0 }'}, "settings.t_high.per_minute"),
        (
            {"p_low": '{ rule = "peep_table", fio2 = [0.6, 0.4], peep = [5.0, 8.0] }'},
            "must have each FiO2 once, rising",
        ),
        (
            {"p_low": '{ rule = "peep_table", fio2 = [0.4, 1.2], peep = [5.0, 8.0] }'},
            "settings.p_low.fio2.2: must be at most 1; got 1.2",
        ),
        (
            {"p_low": '{ rule = "peep_table", fio2 = [0.4, 0.6], peep = [5.0] }'},
            "must have a P low for each FiO2; got 2 FiO2 and 1 P low",
        ),
        (
            {
                "t_low": '{ rule = "either", take = "any", of = '
                f"[{{ {MULTIPLE} }}, {{ {MULTIPLE} }}] }}"
            },
            "must not name two rules by the time constant",
        ),
        ({"t_low": f'{{ rule = "either", of = [{{ {FLOW} }}, {{ {FLOW} }}] }}'}, "take"),
    ],
)
def test_a_rule_that_cannot_be_is_refused_by_its_place(settings, said):
    with pytest.raises(StudyError) as caught:
        parse_protocol(file(**settings))
    assert said in str(caught.value)


def test_a_table_of_fio2_needs_the_fio2_that_is_set():
    table = '{ rule = "peep_table", fio2 = [0.4, 0.6], peep = [5.0, 8.0] }'
    with pytest.raises(StudyError, match=r"needs the FiO2 that is set. Give fio2 in \[fixed\]"):
        parse_protocol(file(p_low=table).replace("fio2 = 0.6\nspont", "spont"))


def test_a_box_has_two_ends_along_each_of_five_ranges():
    both = f'{{ rule = "either", take = "any", of = [{{ {FLOW} }}, {{ {MULTIPLE} }}] }}'
    text = file(
        p_high="{ low = 20.0, high = 28.0 }",
        p_low='{ rule = "share_of_p_high", share = { low = 0.1, high = 0.3 } }',
        t_high='{ rule = "frequency", per_minute = { low = 9.0, high = 14.0 }, start = 5.0 }',
        t_low=both.replace("0.5 }", "{ low = 0.4, high = 0.8 } }"),
    )
    free = len(parse_protocol(text).draft.free)
    assert free == 5
    assert places_of(parse_protocol(text), free) == 4
    assert places_of(parse_protocol(f"{text}[sizes]\nsearch_settings = 16\n"), free) == 2


def test_a_rule_finer_than_the_bedside_is_told_what_to_add():
    (said,) = too_fine(parse_protocol(file(t_low=f"{{ {FLOW} }}")).draft)
    assert said.startswith("The rule for T low gives any value") and "Add step = 0.05" in said
    assert too_fine(parse_protocol(file(t_low=f"{{ {FLOW}, step = 0.05 }}")).draft) == []
    table = '{ rule = "peep_table", fio2 = [0.4, 0.6, 1.0], peep = [5.0, 8.0, 14.0] }'
    assert too_fine(parse_protocol(file(p_low=table)).draft) == []
