"""The committee's questions, each checked against plain evaluation of the same cases."""

import json
import re
import shlex
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from ebbmap.cases.evaluate import evaluate
from ebbmap.cli import app
from ebbmap.committee.boxes import find_boxes
from ebbmap.committee.check import check_protocol
from ebbmap.committee.comparison import compare_ways
from ebbmap.committee.counting import count_groups
from ebbmap.committee.difference import changes, compare_drafts
from ebbmap.committee.drivers import part_lungs
from ebbmap.committee.lungs import VERDICT, corners, draw_lungs, solver, unit_settings
from ebbmap.committee.maps import map_draft
from ebbmap.committee.needs import EXCLUSION, HOLDS, RULE, UNSETTLED
from ebbmap.committee.verdict import find_verdict, grade, holds
from ebbmap.files.protocol import load_protocol, parse_protocol
from ebbmap.kernels.judging import judge

FILES = Path(__file__).parents[1] / "files" / "protocol"
DRAFT = (FILES / "small_draft.toml").read_text(encoding="utf-8")
REVISION = (FILES / "small_revision.toml").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def draft():
    return load_protocol(FILES / "small_draft.toml")


@pytest.fixture(scope="module")
def verdict(draft):
    return find_verdict(draft, count_groups(draft))


def test_corners_of_the_range_count_for_all_of_it_and_for_none_of_it(draft, verdict):
    """By plain judging of the settings that were drawn, and of the corners of the ranges."""
    unit = unit_settings(draft, draft.draft, draft.settings_drawn, "", VERDICT)
    every = np.concatenate([unit, corners(draft.draft)])
    for group in draft.groups:
        drawn = draw_lungs(draft, group, draft.lungs, VERDICT)
        solve, m = solver(draft, draft.draft, drawn, draft.draft.places(every))
        judged = judge(draft.limits, solve(slice(0, drawn.size))).verdict
        safe = np.broadcast_to(judged, (drawn.size, m)) <= 1
        whole, none = (
            float(verdict[key].sel(group=group.name)) for key in ("whole_share", "none_share")
        )
        assert whole == pytest.approx(safe.all(axis=1).mean(), abs=1e-12)  # the same counts
        assert none == pytest.approx(1 - safe.any(axis=1).mean(), abs=1e-12)
        if group.name == "normal":  # here the corners make the difference
            assert safe[:, : len(unit)].all(axis=1).mean() > whole


def test_shares_are_those_of_judging_every_case(draft, verdict):
    unit = unit_settings(draft, draft.draft, 64, "", VERDICT)
    places = draft.draft.places(unit)
    for group in draft.groups:
        lungs = draw_lungs(draft, group, 256, VERDICT).values
        values = {n: v[:, None] for n, v in lungs.items()}
        values |= {n: np.broadcast_to(v, 64)[None] for n, v in places.items()}
        solved = evaluate(draft.lung, values, draft.limits.outcomes)
        judged = judge(draft.limits, solved.outcomes)
        one = verdict.sel(group=group.name)
        # counts over a number of cases that is a power of two: no rounding
        shares = [(judged.verdict == code).mean() for code in range(4)]
        np.testing.assert_array_equal(one["verdict_share"].values, shares)
        own = (judged.verdict <= 1).mean(axis=1)
        # corners of the ranges count as well, and can only take lungs away
        assert float(one["none_share"]) <= (own == 0).mean()
        assert float(one["whole_share"]) <= (own == 1).mean()
        for k, bound in enumerate(draft.limits.hard):
            broken = ((judged.verdict == 2) & (judged.binding == k)).mean()
            assert float(one["broken_share"].sel(bound=bound.name)) == broken


def test_the_whole_is_the_weighted_mean(verdict):
    share = verdict["safe_share"].values
    assert share[2] == pytest.approx(0.4 * share[0] + 0.6 * share[1], rel=1e-12)
    assert (verdict["verdict_share"].sum("verdict").round(12) == 1).all()


def test_the_draft_fails_for_the_obstructive_lungs(verdict):
    assert verdict["grade"].sel(group="obstructive") == "unsafe"
    assert verdict["grade"].sel(group="normal") == "caution"
    assert not holds(verdict)


def test_one_command_reproduces_the_worst_corner(draft, verdict):
    for group in ("normal", "obstructive"):
        one = verdict.sel(group=group)
        words = shlex.split(str(one["corner_line"].values))
        assert words[0] == "ebbmap"
        told = CliRunner().invoke(app, [*words[1:], "--json"])
        assert told.exit_code == 0
        outcomes = {n: v["value"] for n, v in json.loads(told.stdout)["outcomes"].items()}
        least = min(b.margin(outcomes[b.outcome]) for b in draft.limits.hard)
        # the same formulas; the command is written to be read, with six digits of each value, so
        # some ten values are off by half a millionth each at most
        assert least == pytest.approx(float(one["corner_margin"]), abs=1e-5)
        assert not re.search(r"\d\.?\d{7,}", " ".join(words))


@pytest.mark.parametrize(
    ("interval", "strict", "said"),
    [
        ((0.95, 0.93, 0.97), 0.91, "safe"),
        ((0.95, 0.93, 0.97), 0.5, "caution"),
        ((0.85, 0.83, 0.87), 0.5, "unsafe"),
        ((0.90, 0.88, 0.92), 0.5, "undetermined"),
        # an end that lies on what is wanted reaches it
        ((0.95, 0.93, 0.97), 0.9, "safe"),
        ((0.92, 0.90, 0.94), 0.89, "caution"),
        ((0.88, 0.86, 0.90), 0.8, "undetermined"),
        ((np.nan, np.nan, np.nan), np.nan, "excluded"),
    ],
)
def test_grades(interval, strict, said):
    assert grade(interval, strict, 0.9) == said


def test_cases_that_cannot_be_computed_are_undetermined_and_not_safe():
    text = DRAFT.replace("p_low = 0.0", "p_low = { low = 0.0, high = 10.0 }").replace(
        "p_high = { low = 16.0, high = 20.0 }",
        'p_high = { rule = "plateau", volume_per_kg = 4.0, peep = 0.0 }',
    )
    found = find_verdict(*(lambda p: (p, count_groups(p)))(parse_protocol(text)))
    unknown = found["verdict_share"].sel(verdict="undetermined")
    assert (unknown > 0).all()  # P high below P low in soft lungs
    np.testing.assert_allclose(found["verdict_share"].sum("verdict"), 1.0, rtol=1e-12)


def test_nobody_eligible_is_excluded_and_does_not_hold():
    text = DRAFT.replace("[limits]", "[eligible]\ncompliance = { high = 2.0 }\n[limits]", 1)
    protocol = parse_protocol(text)
    found = find_verdict(protocol, count_groups(protocol))
    assert set(found["grade"].values.astype(str)) == {"excluded"}
    assert not holds(found)
    boxes = find_boxes(protocol)
    assert set(boxes["needs"].values.astype(str)) == {"nobody gets the mode"}


@pytest.mark.slow
def test_one_group_left_out_does_not_spoil_the_rest(smaller_searches):
    text = DRAFT.replace("[limits]", "[eligible]\nresistance_insp = { high = 14.0 }\n[limits]", 1)
    protocol = parse_protocol(text)
    found = find_verdict(protocol, count_groups(protocol))
    assert 0 < float(found["excluded_share"].sel(group="normal")) < 0.5
    assert float(found["excluded_share"].sel(group="obstructive")) > 0.8
    check = check_protocol(protocol, date="2026-01-01")
    # shares are of the lungs that get the mode, so leaving some out does not lower them
    assert (check.results["windows"]["window_share"] > 0.9).all()


@pytest.fixture(scope="module")
def boxes(draft):
    return find_boxes(draft)


def test_boxes_lie_inside_the_draft_and_are_certified_elsewhere(draft, boxes):
    one = boxes.sel(scope="inside the draft", group="normal")
    assert one["box_verdict"] == "safe"
    assert str(boxes["needs"].sel(group="normal").values) == HOLDS
    for name, span in draft.draft.spans.items():
        low, high = one["box"].sel(parameter=name).values
        assert span.low <= low <= high <= span.high
    assert float(one["certified_share_interval"].sel(ci_bound="lower")) >= 0.8
    # a certificate is no luck: plain evaluation of many other lungs at the box's corners agrees
    group = draft.groups[0]
    lungs = draw_lungs(draft, group, 20_000, 777).values
    served = np.ones(20_000, bool)
    for p_high in one["box"].sel(parameter="p_high").values:
        for t_low in one["box"].sel(parameter="t_low").values:
            solved = evaluate(
                draft.lung,
                {
                    **lungs,
                    "p_high": np.asarray(p_high),
                    "p_low": np.asarray(0.0),
                    "t_high": np.asarray(5.0),
                    "t_low": np.asarray(t_low),
                },
                draft.limits.outcomes,
            )
            served &= judge(draft.limits, solved.outcomes).verdict <= 1
    assert served.mean() == pytest.approx(float(one["certified_share"]), abs=0.03)


def test_where_no_box_exists_it_says_what_is_needed(boxes):
    assert str(boxes["needs"].sel(group="obstructive").values) in (RULE, UNSETTLED, EXCLUSION)
    one = boxes.sel(scope="inside the draft", group="obstructive")
    assert np.isnan(one["box"]).all()
    assert one["box_verdict"] == "unsafe"


def test_trade_off_never_rises(boxes):
    assert (boxes["trade_off"].diff("served") <= 0).all()


def test_default_keeps_its_margin_where_enough_are_safe(boxes):
    one = boxes.sel(scope="inside the draft", group="normal")
    assert float(one["default_share"]) >= 0.8
    assert float(one["default_margin"]) > 0


def test_rules_serve_more_than_one_t_low_until_errors_eat_it_up(draft):
    ways = compare_ways(draft)
    one = ways["served_share"].sel(group="obstructive")
    fixed = one.sel(way="one T low for all, best")
    ruled = one.sel(way="T low from the time constant, best multiple")
    ruled_interval = ways["served_share_interval"].sel(group="obstructive", way=ruled["way"])
    assert (fixed == fixed[0]).all()
    assert float(ruled[0]) > float(fixed[0])
    # errors blur what a multiple serves, so no share rises but by the draw of the lungs
    low, high = ruled_interval.transpose("ci_bound", "error")
    assert (low.values[1:] <= high.values[:-1]).all()
    assert high[-1] < low[0]


def test_the_two_rules_agree_in_the_linear_lung_at_equal_targets(draft):
    from ebbmap.committee.comparison import RULES, _Sample

    sample = _Sample(draft, draft.groups[0], 512, RULES)
    for error in (0.0, 0.2):
        by_time = sample.safe("time_constant", -np.log(0.6), error)
        assert (by_time == sample.safe("flow_ratio", 0.6, error)).all()


def test_map_agrees_with_the_verdict_of_a_point(draft):
    found = map_draft(draft)
    assert found["safe_share"].dims == ("group", "p_high", "t_low")
    assert float(found["safe_share"].max()) <= 1
    best = found["safe_share"].sel(group="normal")
    inside = best.sel(p_high=slice(16, 20), t_low=slice(0.35, 0.45))
    assert float(inside.mean()) > 0.7


def test_parting_names_resistance_for_obstructive_lungs(draft):
    gap = part_lungs(count_groups(draft))["gap"].sel(group="obstructive")
    assert str(gap["property"].values[gap.values.argmax()]) == "resistance_exp"


def test_diff_tells_who_gains():
    old, new = parse_protocol(DRAFT), parse_protocol(REVISION)
    found = compare_drafts(old, new)
    one = found.sel(group="obstructive")
    low, high = one["difference_interval"].values
    assert low > 0.3
    assert low < float(one["difference"]) < high
    assert float(one["gain"]) > float(one["lose"])
    assert float(one["left_out"]) > 0.1
    assert "T low: 0.35 to 0.45 s -> 0.6 x expiratory time constant" in found.attrs["changes"]
    same = compare_drafts(old, old)
    assert (same["difference"] == 0).all()
    assert same.attrs["changes"] == "no setting changed"


def test_diff_refuses_files_that_do_not_meet_the_same_lungs():
    old = parse_protocol(DRAFT)
    with pytest.raises(ValueError, match="same seed"):
        compare_drafts(old, parse_protocol(DRAFT.replace("seed = 3", "seed = 4")))


def test_changes_name_limits_and_criteria():
    new = parse_protocol(DRAFT.replace("high = 15.0", "high = 12.0"))
    told = "\n".join(changes(parse_protocol(DRAFT), new))
    assert "limit dropped: auto-PEEP above 15" in told
    assert "limit added: auto-PEEP above 12" in told


def test_certificates_and_searches_meet_other_lungs(draft):
    group = draft.groups[0]
    one, other = (draw_lungs(draft, group, 64, p).values["compliance"] for p in (1, 100))
    assert not np.isin(one, other).any()
