from dataclasses import replace
from pathlib import Path

import pytest

from ebbmap.committee.counting import count_groups
from ebbmap.committee.draft import Span
from ebbmap.committee.sizes import COSTLY, COSTLY_VERDICT, VERDICT
from ebbmap.committee.verdict import find_verdict
from ebbmap.committee.words import say_setting
from ebbmap.errors import StudyError
from ebbmap.files.protocol import load_protocol, parse_protocol

NOT_UNSAFE = {"safe", "caution", "undetermined"}

GOOD = """
title = "t"
lung = "linear"
[settings]
p_high = { low = 20.0, high = 28.0 }
p_low = 0.0
t_high = { low = 4.0, high = 6.0 }
t_low = { rule = "time_constant", multiple = { low = 0.5, high = 0.7 }, error = 0.1, at_most = 1.2 }
[[groups]]
population = "normal"
weight = 3
[[groups]]
population = "obstructive"
wanted = 0.5
[eligible]
time_constant_exp = { high = 2.0 }
[limits]
sets = ["pressure", "volume"]
rules = ["flow_ratio"]
"""


def problems(text):
    with pytest.raises(StudyError) as caught:
        parse_protocol(text)
    return "\n".join(caught.value.problems)


def test_a_good_file_becomes_a_draft():
    protocol = parse_protocol(GOOD)
    assert protocol.draft.spans["t_low_in_time_constants"] == Span(0.5, 0.7)
    assert protocol.draft.rules["t_low"].at_most == 1.2
    assert [group.weight for group in protocol.groups] == [0.75, 0.25]
    assert [group.wanted for group in protocol.groups] == [0.9, 0.5]
    assert "flow_ratio" in protocol.limits.outcomes


@pytest.mark.parametrize(("drawn", "notes"), [(32, 1), (64, 0)])
def test_few_settings_are_noted(drawn, notes):
    protocol = parse_protocol(GOOD.replace('title = "t"', f'title = "t"\nsettings_drawn = {drawn}'))
    few = [note for note in protocol.notes if note.startswith("settings_drawn: 32 settings")]
    assert len(few) == notes


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('"normal"', '"norml"', "did you mean 'normal'"),
        ("p_low = 0.0", "p_lo = 0.0", "settings.p_lo: unknown key 'p_lo'; did you mean 'p_low'"),
        ("low = 20.0, high = 28.0", "low = 28.0, high = 20.0", "settings.p_high: must have low"),
        ("high = 28.0", "high = 280.0", "settings.p_high: p_high must be between 1 and 80"),
        ("p_low = 0.0", "p_low = 20.0", "settings.p_low: must stay below P high"),
        ('rule = "time_constant"', 'rule = "tide"', "settings.t_low"),
        ("multiple = { low = 0.5, high = 0.7 }", "multiple = -1.0", "settings.t_low.multiple"),
        ("at_most = 1.2", "at_most = 1.2, at_least = 1.5", "at_least <= at_most"),
        ("error = 0.1", "error = 20", "settings.t_low.error"),
        ("weight = 3", "weight = 0", "groups.1.weight"),
        ("wanted = 0.5", "wanted = 50", "groups.2.wanted"),
        ('"obstructive"', '"normal"', "named twice"),
        ("time_constant_exp = { high", "time_constnt = { high", "did you mean 'time_constant_exp'"),
        ("{ high = 2.0 }", "{}", "must have low or high"),
        ('"flow_ratio"]', '"flow_ratio", "exhaled_fraction"]', "judged by one rule"),
        ('"volume"]', '"volum"]', "did you mean 'volume'"),
        ('title = "t"', 'title = "t"\nsettings_drawn = 100', "power of two; got 100"),
        ('title = "t"', 'title = "t"\nlungs = 3', "lungs: "),
        ('lung = "linear"', 'lung = "linear"\n[fixed]\ncompliance = 50.0', "is drawn with normal"),
        ("[limits]", "[[limits.own]]\noutcome = 'ph'\nwhy = 'x'\n[limits]", "needs low or high"),
    ],
)
def test_every_problem_gets_its_sentence(old, new, told):
    assert old in GOOD
    assert told in problems(GOOD.replace(old, new, 1))


def test_all_problems_are_listed_at_once():
    text = GOOD.replace("high = 28.0", "high = 280.0").replace("weight = 3", "weight = 3\nx = 1")
    told = problems(text.replace('"flow_ratio"]', '"flow_rato"]'))
    assert "groups.1.x" in told
    assert "flow_rato" in told


def test_files_that_cannot_be_read_are_told(tmp_path):
    with pytest.raises(StudyError, match="cannot be read"):
        load_protocol(tmp_path / "none.toml")
    assert "line 1: gives title no value" in problems("title = ")


def test_a_population_without_a_needed_property_is_told():
    text = GOOD.replace('population = "normal"', 'population = "mine"') + (
        "[population.mine.properties]\n"
        'compliance = { family = "lognormal", median = 50.0, log_sd = 0.2 }\n'
    )
    assert "mine has no resistance_exp" in problems(text)


@pytest.mark.parametrize(
    ("name", "own", "graded"),
    [
        ("harbour_draft", 3.0, {"normal": {"caution"}, "restrictive": {"unsafe"}}),
        ("harbour_draft", 0.0, {"restrictive": {"unsafe"}, "obstructive": {"unsafe"}}),
        # 0.90 of the normal lungs, where 0.75 is wanted: too few here to be sure
        ("harbour_revision", 3.0, {"normal": NOT_UNSAFE, "restrictive": {"caution"}}),
        ("harbour_revision", 0.0, {"restrictive": {"unsafe"}, "obstructive": {"unsafe"}}),
        ("published_ranges", 2.0, {"normal": {"unsafe"}, "restrictive": {"unsafe"}}),
    ],
)
def test_bundled_protocols_are_graded_as_the_guide_says(name, own, graded):
    """With fewer lungs than a check takes; the shares lie far from what is wanted."""
    path = Path(__file__).parents[3] / "studies" / "protocols" / f"{name}.toml"
    text = path.read_text(encoding="utf-8")
    small = text.replace("seed = 2026", "seed = 2026\nlungs = 100\nsettings_drawn = 16")
    protocol = parse_protocol(small)
    assert protocol.lungs == 100
    fixed = {**protocol.fixed, "spontaneous_alveolar_ventilation": own}
    asked = replace(protocol, fixed=fixed)
    found = find_verdict(asked, count_groups(asked))
    for group, expected in graded.items():
        assert str(found["grade"].sel(group=group).values) in expected, group


def test_a_costly_lung_takes_fewer_lungs_unless_the_file_says_how_many():
    cheap = parse_protocol(GOOD)
    assert (cheap.lungs, cheap.settings_drawn, cheap.sizes) == (*VERDICT, {})
    text = GOOD.replace('lung = "linear"', 'lung = "whole"')
    costly = parse_protocol(f"{text}\n[sizes]\nmap_lungs = 77\n")
    assert (costly.lungs, costly.settings_drawn) == COSTLY_VERDICT
    assert costly.sizes == {**COSTLY, "map_lungs": 77}
    assert costly.size("map_lungs", 512) == 77
    assert cheap.size("map_lungs", 512) == 512


def test_sizes_that_cannot_be_are_told():
    told = problems(f"{GOOD}\n[sizes]\ndriver_rows = 100\nmap_lungs = 3\n")
    assert "sizes.map_lungs" in told
    assert "sizes.driver_rows: must be a power of two; got 100." in problems(
        f"{GOOD}\n[sizes]\ndriver_rows = 100\n"
    )


@pytest.mark.parametrize("value", ["true", '"five"'])
def test_a_setting_that_is_no_number_is_one_problem_at_its_own_place(value):
    told = problems(GOOD.replace("p_low = 0.0", f"p_low = {value}")).splitlines()
    assert len(told) == 1
    assert told[0].startswith("line 6, settings.p_low: ")


def test_owner_version_and_expiry_are_read_and_may_be_left_out():
    bare = parse_protocol(GOOD)
    assert (bare.owner, bare.version, bare.valid_until) == ("", "", "")
    for day in ('"2027-01-31"', "2027-01-31"):
        told = parse_protocol(f'owner = "o"\nversion = "0.3"\nvalid_until = {day}\n{GOOD}')
        assert (told.owner, told.version, told.valid_until) == ("o", "0.3", "2027-01-31")


@pytest.mark.parametrize("day", ['"31.1.2027"', '"soon"', "2027-01-31T10:00:00", "20270131"])
def test_a_day_that_is_none_is_refused(day):
    assert "valid_until" in problems(f"valid_until = {day}\n{GOOD}")


def test_bias_and_steps_of_a_rule_are_read_and_said():
    text = GOOD.replace("error = 0.1,", 'error = 0.1, bias = "-5 %", step = "50 ms",')
    protocol = parse_protocol(text)
    rule = protocol.draft.rules["t_low"]
    assert (rule.bias, rule.step) == (-0.05, 0.05)
    assert "read 5 % too low, in steps of 0.05 s" in say_setting(protocol.draft, "t_low")
    assert "settings.t_low.bias: must be at least -0.5" in problems(
        GOOD.replace("error = 0.1,", "bias = -0.9,")
    )


def test_a_reading_that_may_fail_needs_a_setting_for_then():
    told = problems(GOOD.replace("error = 0.1,", "fails = 0.1,"))
    assert "settings.t_low.otherwise: must be given where a measurement may fail." in told
    text = GOOD.replace("error = 0.1,", 'fails = "10 %", otherwise = "400 ms",')
    assert "0.4 s in the 10 % in whom the reading fails" in say_setting(
        parse_protocol(text).draft, "t_low"
    )
