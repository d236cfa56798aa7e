"""Whatever legal protocol comes, a check ends with a whole report."""

import json

import numpy as np
import pytest

import ebbmap.report.build as build
from committee_case import small_sizes
from ebbmap.committee import (
    boxes,
    certificates,
    comparison,
    counting,
    drivers,
    each_limit,
    maps,
    own_setting,
    windows,
)
from ebbmap.committee.check import check_protocol
from ebbmap.committee.lungs import draw_lungs
from ebbmap.files.protocol import parse_protocol
from ebbmap.report.build import write_report
from random_protocols import PROTOCOLS, random_protocol

#: The least of what a file cannot state.
LEAST = {
    (own_setting, "ROUNDS"): 2,
    (windows, "RESAMPLES"): 10,
    (drivers, "PLACES"): 2,
    (comparison, "ERRORS"): (0.0, 0.2),
}


@pytest.fixture
def small(monkeypatch):
    small_sizes(monkeypatch)
    for (module, name), value in LEAST.items():
        monkeypatch.setattr(module, name, value)
    for name in comparison._TARGETS:
        monkeypatch.setitem(comparison._TARGETS, name, comparison._TARGETS[name][::5])


@pytest.fixture
def reported(small, monkeypatch, tmp_path):
    """Return what checks a text and writes its report, without pictures and datasets."""
    monkeypatch.setattr(build, "pictures_of", lambda *_: {})
    monkeypatch.setattr(build, "save_dataset", lambda _, path: path)

    def report(text):
        check = check_protocol(parse_protocol(text), date="2026-01-01")
        page, *_ = write_report(check, tmp_path, "2026-01-01")
        assert page.read_text(encoding="utf-8").rstrip().endswith("</html>")
        told = json.loads((tmp_path / "answer.json").read_text(encoding="utf-8"))
        assert told["holds"] == check.holds
        return check, told

    return report


def whole_and_in_order(check):
    """Shares lie between 0 and 1 and inside their intervals; nobody's are all unknown."""
    for result in check.results.values():
        for name, variable in result.data_vars.items():
            if name.endswith("_share_interval") and name != "gained_share_interval":
                share = result[name.removesuffix("_interval")]
                low, high = (variable.sel(ci_bound=end) for end in ("lower", "upper"))
                known = np.isfinite(share) & np.isfinite(low)
                assert (((0.0 <= low) & (high <= 1.0)) | ~known).all(), name
                assert (((low <= share) & (share <= high)) | ~known).all(), name
    verdict = check.results["verdict"]
    nobody = (verdict["lungs"] < 2).values[:-1]
    assert verdict["safe_share"].isnull().values[:-1].tolist() == nobody.tolist()


@pytest.mark.slow
@pytest.mark.parametrize("number", range(PROTOCOLS))
def test_any_legal_protocol_ends_with_a_report(reported, number):
    check, _ = reported(random_protocol(number))
    whole_and_in_order(check)


EVERYBODY = """
title = "One group"
lung = "linear"
lungs = 64
settings_drawn = 8
[settings]
p_high = 24.0
p_low = 0.0
t_high = 5.0
t_low = { low = 0.4, high = 0.6 }
[[groups]]
population = "normal"
[limits]
sets = []
rules = []
[[limits.own]]
outcome = "end_high_pressure"
high = 79.0
why = "invented"
"""


def test_nobody_gets_the_mode(reported):
    check, told = reported(f"{EVERYBODY}\n[eligible]\ncompliance = {{ low = 1900.0 }}\n")
    assert not check.holds
    assert told["groups"]["normal"]["grade"] == "excluded"
    assert told["groups"]["normal"]["safe"] is None
    assert float(check.results["verdict"]["excluded_share"][0]) == 1.0


def test_everybody_is_safe_whatever_is_picked(reported):
    check, told = reported(EVERYBODY)
    whole_and_in_order(check)
    assert check.holds
    assert told["groups"]["normal"]["safe"] == 1.0
    assert told["groups"]["normal"]["none_share"] == 0.0


def test_nobody_is_safe_whatever_is_picked(reported):
    check, told = reported(EVERYBODY.replace("high = 79.0", "high = 6.0"))
    whole_and_in_order(check)
    assert not check.holds
    assert told["groups"]["normal"]["safe"] == 0.0
    assert told["groups"]["normal"]["none_share"] == 1.0


@pytest.mark.parametrize("kept", [1, 2])
def test_a_group_of_one_or_two(reported, monkeypatch, kept):
    """One lung alone says nothing of others, but it is not nobody."""

    def few(*words):
        return draw_lungs(*words).first(kept)

    for module in (boxes, certificates, comparison, counting, each_limit, maps, windows):
        monkeypatch.setattr(module, "draw_lungs", few)
    check, told = reported(EVERYBODY)
    assert told["groups"]["normal"]["grade"] == "undetermined"
    assert (told["groups"]["normal"]["safe"] is None) == (kept == 1)
    assert int(check.results["verdict"]["lungs"][0]) == kept


def test_a_draw_for_a_certificate_without_anybody_who_gets_the_mode(reported, monkeypatch):
    def none(*words):
        return draw_lungs(*words).first(0)

    monkeypatch.setattr(certificates, "draw_lungs", none)
    check, _ = reported(EVERYBODY)
    found = check.results["boxes"].sel(group="normal", scope="inside the draft")
    assert str(found["default_verdict"].values) == "undetermined"
    assert np.isnan(found["default_share"])
