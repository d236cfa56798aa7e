"""Strategies: one source each, every number as that source has it, and nothing filled in."""

from dataclasses import replace

import pytest

from ebbmap.errors import EbbmapError
from ebbmap.registries.strategies import SETTINGS, STRATEGIES, WAYS, Start

#: Sources: Zhou et al., Intensive Care Med 2017;43:1648; CTRI/2020/08/027502; Nieman et al., Front
#: Med 2026; Cairo, Pilbeam's Mechanical Ventilation, chapter 23; a hospital's guide; NIH ARDS
#: Network. Way, value and cap of P low, P high, T low, T high.
STARTS = {
    "low_volume": (
        ("fio2_table", None, None),
        ("volume", 6.0, None),
        ("rest_of_breath", None, None),
        ("share_of_breath", 0.46512, None),
    ),
    "trial_2017": (
        ("value", 5.0, None),
        ("plateau", 1.0, 30.0),
        ("flow_ratio", 0.5, None),
        ("releases", 12.0, None),
    ),
    "trial_2020": (
        ("value", 5.0, None),
        ("plateau", 1.0, 30.0),
        ("flow_ratio", 0.75, None),
        ("value", 5.0, None),
    ),
    "consensus_2026": (
        ("value", 0.0, None),
        ("plateau", 1.0, None),
        ("flow_ratio", 0.75, None),
        ("rate_before", None, None),
    ),
    "textbook": (
        ("value", 0.0, None),
        ("plateau", 1.0, 35.0),
        ("value", 0.8, None),
        ("value", 4.0, None),
    ),
    "hospital_guide": (
        ("value", 0.0, None),
        ("plateau", 0.9, 30.0),
        ("value", 0.65, None),
        ("value", 5.0, None),
    ),
    "hospital_guide_copd": (
        ("value", 0.0, None),
        ("plateau", 0.9, 30.0),
        ("value", 1.0, None),
        ("value", 5.0, None),
    ),
}

#: Lowest P low at each FiO2 of the lower PEEP table of the NIH ARDS Network.
LOWER_PEEP = {0.3: 5, 0.4: 5, 0.5: 8, 0.6: 10, 0.7: 10, 0.8: 14, 0.9: 14, 1.0: 18}

#: Hard limits, then cautions, of each source.
KEEPS = {
    "low_volume": (
        {"end_high_pressure_high": 30, "release_volume_per_kg_low": 4}
        | {"release_volume_per_kg_high": 8, "ph_low": 7.30, "spo2_low": 0.88},
        {"ph_high": 7.45, "spo2_high": 0.95},
    ),
    "trial_2017": (
        {"end_high_pressure_high": 30, "release_rate_low": 10, "release_rate_high": 14},
        {},
    ),
    "trial_2020": (
        {"end_high_pressure_high": 30, "ph_low": 7.30, "spo2_low": 0.88},
        {"spo2_high": 0.98},
    ),
    "consensus_2026": ({}, {}),
    "textbook": (
        {"end_high_pressure_high": 35, "flow_ratio_low": 0.50, "flow_ratio_high": 0.75},
        {"end_high_pressure_high": 30, "release_rate_high": 12},
    ),
    **dict.fromkeys(
        ("hospital_guide", "hospital_guide_copd"),
        (
            {"end_high_pressure_high": 30, "release_volume_per_kg_low": 6}
            | {"release_volume_per_kg_high": 8, "flow_ratio_low": 0.25, "flow_ratio_high": 0.75}
            | {"paco2_high": 65, "pao2_low": 60},
            {},
        ),
    ),
}

NAMED = pytest.mark.parametrize("name", STRATEGIES)


def test_every_strategy_is_held_here():
    assert SETTINGS == ("p_low", "p_high", "t_low", "t_high")
    assert set(STARTS) == set(KEEPS) == set(STRATEGIES)


@NAMED
def test_starts_are_those_of_the_source(name):
    for setting, (way, value, cap) in zip(SETTINGS, STARTS[name], strict=True):
        start = STRATEGIES[name].starts[setting]
        assert start.way == way
        if value is not None:
            assert start.value == pytest.approx(value, abs=5e-6)
        assert start.at_most == (float("inf") if cap is None else cap)


def test_the_lower_peep_table_is_that_of_the_network():
    steps = STRATEGIES["low_volume"].starts["p_low"].steps
    assert dict(steps) == LOWER_PEEP
    assert [share for share, _ in steps] == sorted(LOWER_PEEP)


@NAMED
def test_limits_are_those_of_the_source(name):
    keeps = STRATEGIES[name].keeps
    for bounds, expected in zip((keeps.hard, keeps.caution), KEEPS[name], strict=True):
        assert {bound.name: bound.value for bound in bounds} == expected


@NAMED
def test_a_strategy_has_one_source_a_grade_for_each_number_and_says_what_is_missing(name):
    one = STRATEGIES[name]
    assert one.source and one.seen and one.leaves_out
    for start in one.starts.values():
        assert start.said and start.grade in ("READ", "MEMORY", "DERIVED")
        # a middle of a range is worked out, not read
        assert ("middle" in start.said) == (start.grade == "DERIVED")
    for limit in one.keeps.limits:
        assert limit.why.endswith("(READ)")
        named = [other.source for other in STRATEGIES.values() if other.source in limit.why]
        assert set(named) <= {one.source}


def test_no_number_from_memory_is_bundled_as_a_start():
    grades = {start.grade for one in STRATEGIES.values() for start in one.starts.values()}
    assert grades == {"READ", "DERIVED"}


def test_a_strategy_without_a_start_is_refused():
    one = STRATEGIES["textbook"]
    with pytest.raises(EbbmapError, match="needs a start of t_high by one of value, releases"):
        replace(one, starts={k: v for k, v in one.starts.items() if k != "t_high"})
    wrong = {**one.starts, "t_low": Start("guess", "", "READ")}
    with pytest.raises(EbbmapError, match=r"start of t_low by one of .*; got 'guess'"):
        replace(one, starts=wrong)


def test_what_each_strategy_takes_over_from_the_ventilation_before_is_known():
    assert [n for n, one in STRATEGIES.items() if one.needs_rate] == [
        "low_volume",
        "consensus_2026",
    ]
    assert [n for n, one in STRATEGIES.items() if not one.needs_plateau] == ["low_volume"]
    assert set(WAYS) == set(SETTINGS)
