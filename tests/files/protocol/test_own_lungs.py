"""Own populations of a protocol: their sources, and lungs that leave the registry's bounds."""

from pathlib import Path

import numpy as np
import pytest

from ebbmap.committee.check import check_protocol
from ebbmap.committee.counting import count_groups
from ebbmap.committee.lungs import VERDICT, draw_lungs
from ebbmap.committee.sizes import SIZES
from ebbmap.committee.verdict import find_verdict
from ebbmap.errors import StudyError
from ebbmap.files.protocol import parse_protocol

#: Neither the lung nor how much is looked at matters here, so the cheapest is asked.
LEAST = "".join(f"{name} = {size.least}\n" for name, size in SIZES.items())
DRAFT = (
    (Path(__file__).parent / "small_draft.toml")
    .read_text(encoding="utf-8")
    .replace("[settings]", f"[sizes]\n{LEAST}[settings]")
)


def protocol_text(sd, more="", cut=""):
    own = f"""
[population.mine]
base = "normal"
{more}
properties.predicted_body_weight = {{ family = "normal", mean = 66.0, sd = {sd}{cut} }}

[limits]"""
    return DRAFT.replace('population = "normal"', 'population = "mine"').replace(
        "[limits]", own.lstrip(), 1
    )


def test_lungs_out_of_bounds_are_told_and_undetermined():
    protocol = parse_protocol(protocol_text(19.5))
    assert any("mine, predicted_body_weight: leaves 20 to 150 kg" in n for n in protocol.notes)
    (group,) = (one for one in protocol.groups if one.name == "mine")
    drawn = draw_lungs(protocol, group, protocol.lungs, VERDICT)
    weight = drawn.values["predicted_body_weight"]
    out = (weight < 20.0) | (weight > 150.0)
    assert out.any()
    counted = next(one for one in count_groups(protocol) if one.group.name == "mine")
    undetermined = counted.inside.by_lung[3]
    np.testing.assert_array_equal(undetermined == protocol.settings_drawn, out)


def test_lungs_that_leave_the_bounds_often_are_refused():
    with pytest.raises(StudyError, match=r"mine, predicted_body_weight: leaves 20 to 150 kg"):
        parse_protocol(protocol_text(30.0))


@pytest.mark.slow
def test_a_check_takes_such_lungs_to_its_end_and_says_what_it_held():
    protocol = parse_protocol(protocol_text(19.5, 'source = "ward 7"'))
    check = check_protocol(protocol, date="2026-01-01")
    spans = protocol.draft.spans
    for name, result in check.results.items():
        attrs = result.attrs
        assert "T high 5 s" in attrs["fixed"].split(", "), name
        assert "mine: ward 7; the rest as in normal" in attrs["lungs_from"], name
        averaged = "P high evenly between" in attrs["averaged_over"]
        assert averaged == (name not in ("boxes", "windows", "map", "drivers")), name
        if name in ("windows",):
            assert f"P high {spans['p_high'].middle:.4g} cmH₂O" in attrs["fixed"], name


def test_two_sources_are_both_said():
    cut = ', low = 30, high = 110, source = "own scales"'
    protocol = parse_protocol(protocol_text(12.0, 'source = "ward 7"', cut))
    (group,) = (one.population for one in protocol.groups if one.name == "mine")
    assert group.source == "ward 7; predicted body weight: own scales; the rest as in normal"
    assert not find_verdict(protocol, count_groups(protocol))["safe_share"].isnull().any()
