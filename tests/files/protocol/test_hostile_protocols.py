"""Protocol files that mean ill: a draft, or a list of problems; and a draft can be counted."""

import tomllib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ebbmap.committee.counting import count_groups
from ebbmap.committee.protocol import Protocol
from ebbmap.committee.verdict import find_verdict
from ebbmap.errors import EbbmapError, StudyError
from ebbmap.files.protocol import load_protocol, parse_protocol
from hostile_files import HOSTILE, HOSTILE_FILES, mutated, told_or_taken, try_many, written

#: Every table and key of a protocol, with every kind of rule but one.
WHOLE = """
title = "all parts"
question = "is it safe?"
institution = "invented"
lung = "tube"
seed = 0
lungs = 64
settings_drawn = 8
wanted = 0.8
[settings]
p_high = { rule = "plateau", volume_per_kg = 6.0, peep = 5.0, plus = 2.0, error = 0.05, at_most = 30.0 }
p_low = 0.0
t_high = { low = 4.0, high = 6.0 }
t_low = { rule = "time_constant", multiple = { low = 0.5, high = 0.7 }, error = 0.1, at_least = 0.2 }
[fixed]
apparatus_dead_space = 10.0
hemoglobin = 10.0
[[groups]]
population = "normal"
weight = 3
[[groups]]
population = "stiff"
wanted = 0.5
[population.stiff]
base = "restrictive"
properties.compliance = { family = "normal", mean = 25.0, sd = 5.0, low = 10.0 }
correlations = [{ between = ["compliance", "chest_wall_share"], value = 0.3 }]
[eligible]
time_constant_exp = { high = 2.0 }
compliance = { low = 12.0, high = 200.0 }
[limits]
sets = ["pressure", "volume"]
rules = ["flow_ratio"]
[[limits.own]]
outcome = "auto_peep"
why = "invented"
high = 12.0
severity = "caution"
"""  # noqa: E501

#: The same with the other kinds of settings.
OTHER = """
title = "t"
lung = "linear"
lungs = 64
settings_drawn = 8
[settings]
p_high = { low = 20.0, high = 28.0 }
p_low = { low = 0.0, high = 2.0 }
t_high = 5.0
t_low = { rule = "flow_ratio", ratio = 0.6, error = 0.1, at_most = 1.2 }
[[groups]]
population = "obstructive"
[limits]
sets = ["pressure"]
rules = []
"""


def problems(text):
    with pytest.raises(StudyError) as caught:
        parse_protocol(text)
    return "\n".join(caught.value.problems)


@pytest.mark.parametrize("text", [WHOLE, OTHER])
def test_the_writer_of_mutated_protocols_loses_nothing(text):
    assert parse_protocol(written(tomllib.loads(text))).stated == parse_protocol(text).stated


@settings(max_examples=300, **HOSTILE)
@given(st.one_of(mutated(WHOLE), mutated(OTHER)))
def test_whatever_a_hostile_file_says_it_is_a_protocol_or_a_list_of_problems(text):
    told_or_taken(text, parse_protocol, Protocol)


@pytest.mark.slow
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("text", [WHOLE, OTHER])
def test_many_hostile_protocols_neither_break_nor_hang_nor_fill_the_memory(text):
    try_many(text, parse_protocol, Protocol, HOSTILE_FILES // 2)


@settings(max_examples=200, **HOSTILE)
@given(st.binary(max_size=300))
def test_hostile_bytes_of_any_kind_are_no_protocol(tmp_path_factory, content):
    path = tmp_path_factory.getbasetemp() / "hostile_protocol.toml"
    path.write_bytes(content)
    with pytest.raises(StudyError) as error:
        load_protocol(path)
    assert error.value.problems


@pytest.mark.parametrize("name", ["../x", "a/b", "a.b", "a\\u0000b", ""])
def test_a_name_that_could_leave_the_folder_is_refused(name):
    text = OTHER.replace('"obstructive"', f'"{name}"') + (
        f'[population."{name}"]\nbase = "normal"\n'
    )
    assert "population" in problems(text)


def test_a_control_character_in_a_title_is_refused():
    assert "title: " in problems(OTHER.replace('title = "t"', 'title = "a\\u0000b"'))


@pytest.mark.parametrize("text", ["a = " + "[" * 100_000, "a = 1" + "0" * 5000])
def test_what_the_reader_of_toml_chokes_on_is_told(text):
    assert "is not valid TOML" in problems(text)


@pytest.mark.slow
@settings(max_examples=60, **HOSTILE)
@given(mutated(OTHER, most=2))
def test_a_hostile_file_that_is_a_draft_is_counted_or_told(text):
    protocol = told_or_taken(text, parse_protocol, Protocol)
    # a file that asks for more than the others would only take longer
    if protocol is None or protocol.lungs > 64 or protocol.settings_drawn > 8:
        return
    with np.errstate(all="ignore"):
        try:
            found = find_verdict(protocol, count_groups(protocol))
        except EbbmapError as error:
            assert str(error).strip()
            return
    assert found["grade"].size == len(protocol.groups) + 1
    assert all(grade in GRADES for grade in found["grade"].values.astype(str))


GRADES = ("safe", "caution", "unsafe", "undetermined", "excluded")
