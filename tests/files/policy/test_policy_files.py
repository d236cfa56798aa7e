"""Policy files: what they say is read as it is meant, and every mistake is named."""

import math
from pathlib import Path

import pytest

from ebbmap.errors import StudyError
from ebbmap.files.bundled import bundled_studies
from ebbmap.files.common.lines import line_of, lines_of
from ebbmap.files.policy import load_policy, parse_policy
from ebbmap.files.policy.words import condition_of, minutes_of, step_of
from ebbmap.policies.conditions import Box, Interval

POLICIES = bundled_studies() / "policies"
SMALL = (Path(__file__).parent / "small_policy.toml").read_text(encoding="utf-8")


def problems(old, new):
    assert old in SMALL
    with pytest.raises(StudyError) as raised:
        parse_policy(SMALL.replace(old, new))
    return "\n".join(raised.value.problems)


def test_a_small_policy_is_read_as_it_stands():
    policy = parse_policy(SMALL)
    longer, shorter, weaning = policy.rules
    assert longer.when.boxes == (Box({"paco2": Interval(low=60.0), "ph": Interval(high=7.3)}),)
    assert longer.moves == {"t_low": 0.05}
    assert longer.caps == Box({"t_low": Interval(high=1.0, high_in=True)})
    assert (longer.wait, longer.again) == (45.0, 120.0)
    assert shorter.until == Box({"flow_ratio": Interval(low=0.75, low_in=True)})
    assert shorter.going.boxes == (Box({"flow_ratio": Interval(high=0.75)}),)
    assert policy.wean is weaning
    assert policy.measured["paco2"].after_change == 30.0
    assert math.isinf(policy.measured["flow_ratio"].after_change)
    assert policy.dial == {"t_low": 0.05}
    assert policy.protocol.draft.spans["fio2"].low == 0.5


def test_the_smallest_priority_comes_first_then_the_order_of_the_file():
    turned = SMALL.replace('name = "shorter"', 'name = "shorter"\npriority = -1')
    assert [rule.name for rule in parse_policy(turned).rules] == ["shorter", "longer", "weaning"]


def test_units_are_converted_and_words_are_forgiving():
    (box,) = condition_of("pao2 < 8 kPa").boxes
    assert box.along("pao2").high == pytest.approx(8.0 * 7.50062, rel=1e-5)  # kPa to mmHg
    assert condition_of("flow_ratio ≥ 75 %").boxes[0].along("flow_ratio").low == 0.75
    assert len(condition_of("ph < 7.2 or ph > 7.6").boxes) == 2
    assert step_of("p_high −2 cmH2O") == ("p_high", -2.0)
    assert minutes_of("90 s") == 1.5


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("paco2 > 60 mmHg", "pco2 > 60 mmHg", "did you mean 'paco2'"),
        ("paco2 > 60 mmHg", "paco2 > 60", "it has no unit"),
        ("paco2 > 60 mmHg", "paco2 > 60 cm", "cannot be converted"),
        ("paco2 > 60 mmHg", "paco2 high", "must be a comparison"),
        ("paco2 > 60 mmHg", "paco2 > 60 mmHg and paco2 < 50 mmHg", "some value meets"),
        ("paco2 > 60 mmHg", "pao2 > 60 mmHg", "which no [[measure]] measures. Add one."),
        ('"t_low +0.05 s"', '"tlow +0.05 s"', "did you mean 't_low'"),
        ('"t_low +0.05 s"', '"t_low 0.05 s"', "must be a step"),
        ('"t_low +0.05 s"', '"t_low +0 s"', "must move by something"),
        ('"t_low +0.05 s"', '"t_low +0.05 s", "t_low -0.1 s"', "t_low moves twice"),
        ("t_low <= 1 s", "p_high <= 30 cmH2O", "must limit t_low or release_rate"),
        ('wait = "45 min"', 'wait = "45"', "it has no unit"),
        ('wait = "45 min"', "", "'wait' is missing"),
        ('every = "4 h"', 'every = "10 s"', "must be at least 1 min"),
        ('error = "0.05"', 'error = "-0.05"', "measure.2.error"),
        ('name = "shorter"', 'name = "longer"', "'longer' is there twice"),
        ('name = "shorter"', 'name = "weaning"', "is the name of the rule of [wean]"),
        ('until = "flow_ratio >= 75 %"', 'until = "ph > 7.3"', "must look at what `when` looks at"),
        ("t_high = 5.0", "t_high = 500.0", "start.t_high"),
        ("t_high = 5.0", "", "'t_high' is missing"),
        ('goal = "paco2 <= 60 mmHg"', 'goal = "ph < 7.3 or ph > 7.4"', "joined by 'and'"),
        ('source = "invented"', 'source = ""', "source:"),
        ('move = ["p_high -1 cmH2O"]', "", "wean: must have either move or rows"),
        ('move = ["p_high -1 cmH2O"]', "rows = { p_high = [20.0] }", "at least two"),
        ('move = ["p_high -1 cmH2O"]', "rows = { p_high = [20, 18, 19] }", "must not turn"),
        ("paco2 > 60 mmHg", f"paco2 > {'9' * 400} mmHg", "must be finite"),
        ('wait = "45 min"', 'wait = "4500 h"', "must be at most 240 h"),
        ('t_low = "0.05 s"', 't_low = "0 s"', "dial.t_low: must be above"),
        ('move = ["p_high -1 cmH2O"]', "rows = { p_high = [900.0, 20.0] }", "wean.rows.p_high"),
        ("[dial]", "[patients]\nco2_store_fast = 1e9\n[dial]", "patients.co2_store_fast"),
        ("[dial]", "[patients]\nown_breathing = { slope = 1e9 }\n[dial]", "slope"),
        ("[dial]", "[patients]\nclosing = '0 min'\n[dial]", "patients.closing"),
        ("population = ", "popullation = ", "unknown key 'popullation'"),
        ('name = "paco2"', 'name = "pendelluft_volume"', "not an outcome of the lung"),
        ('move = ["t_low -0.1 s"]', 'move = ["fio2 +0.1"]', "fio2, which has no start"),
    ],
)
def test_a_mistake_is_named_with_its_place_and_its_remedy(old, new, said):
    if "fio2" in new:
        with pytest.raises(StudyError, match=said):
            parse_policy(SMALL.replace("fio2 = 0.5\n", "").replace(old, new))
        return
    assert said in problems(old, new)


def test_lines_are_those_of_the_tables():
    lines, rows = lines_of(SMALL), SMALL.splitlines()
    assert [rows[line - 1] for line in lines["adjust"]] == ["[[adjust]]"] * 2
    assert rows[line_of(lines, "goal") - 1].startswith("goal")
    assert line_of(lines, "nowhere") == 1


def test_a_text_of_several_lines_holds_no_tables():
    text = 'a = """\n[[adjust]]\n"""\n[[adjust]]\n'
    assert lines_of(text)["adjust"] == [4]


@pytest.mark.parametrize("path", sorted(POLICIES.glob("*.toml")), ids=lambda path: path.stem)
def test_every_bundled_policy_says_what_it_leaves_out_and_what_is_ours(path):
    policy = load_policy(path)
    assert policy.source
    assert policy.leaves_out
    assert policy.own
    assert all(rule.source for rule in policy.rules)
    assert "Research and teaching only" in path.read_text(encoding="utf-8")
