"""Groups that are set each in its own way, and all of them at once; by hand on linear lungs."""

import json
import re
from dataclasses import replace

import numpy as np
import pytest
from typer.testing import CliRunner

from ebbmap.cli import app
from ebbmap.committee.check import Check
from ebbmap.committee.counting import count_groups
from ebbmap.committee.difference import compare_drafts, on_common_lungs
from ebbmap.committee.draft import Span
from ebbmap.committee.joint import apart, check_apart, join_verdicts, joint_holds
from ebbmap.committee.sizes import SIZES
from ebbmap.committee.verdict import find_verdict, lung_shares
from ebbmap.errors import EbbmapError, StudyError
from ebbmap.files.explained import explain_protocol
from ebbmap.files.policy import parse_policy
from ebbmap.files.protocol import parse_protocol
from ebbmap.runs.run import run_check
from ebbmap.runs.sources import SOURCES, check_source
from ebbmap.tables.committee.difference import difference_sentences, difference_table
from ebbmap.tables.committee.joint import joint_sentence, joint_table

#: One lung stands for each group but for a hair: compliance 50 and 100 mL/cmH2O, 70 kg, and a
#: releases of 20 or more time constants, which empty it.
TEXT = """
title = "each its own"
lung = "linear"
lungs = 64
settings_drawn = 64
wanted = 0.6
[sizes]
{sizes}
[settings]
p_high = {{ low = 10.0, high = 20.0 }}
p_low = 0.0
t_high = 20.0
t_low = 20.0
[[groups]]
population = "stiff"
weight = 3
[[groups]]
population = "soft"
weight = 1
{own}
[population.stiff.properties]
compliance = {{ family = "normal", mean = 50.0, sd = 1e-6 }}
resistance_exp = {{ family = "normal", mean = 10.0, sd = 1e-6 }}
resistance_insp = {{ family = "normal", mean = 10.0, sd = 1e-6 }}
predicted_body_weight = {{ family = "normal", mean = 70.0, sd = 1e-6 }}
[population.soft.properties]
compliance = {{ family = "normal", mean = 100.0, sd = 1e-6 }}
resistance_exp = {{ family = "normal", mean = 10.0, sd = 1e-6 }}
resistance_insp = {{ family = "normal", mean = 10.0, sd = 1e-6 }}
predicted_body_weight = {{ family = "normal", mean = 70.0, sd = 1e-6 }}
[limits]
sets = []
[[limits.own]]
outcome = "release_volume"
high = 800.0
why = "invented"
"""
SIZED = "".join(f"{name} = {size.least}\n" for name, size in SIZES.items())
OWN = "[groups.settings]\np_high = { low = 5.0, high = 10.0 }\n"


def protocol_of(own="", **changes):
    text = TEXT.format(sizes=SIZED, own=own)
    for old, new in changes.items():
        assert old in text
        text = text.replace(old, new)
    return parse_protocol(text)


def counted_part(part, folder=None):
    found = count_groups(part)
    return Check(part, {"verdict": find_verdict(part, found), "lungs": lung_shares(found)})


def counted(protocol):
    checks = {name: counted_part(part) for name, part in apart(protocol).items()}
    return join_verdicts(protocol, checks)


def test_each_group_is_set_and_judged_by_its_own():
    """Soft lungs release 100 x P high, stiff ones 50 x P high; 800 mL are the limit.

    With 10 to 20 for all, soft lungs are safe below 8: nowhere, and stiff ones below 16: 6/10.
    With 5 to 10 of their own soft lungs are safe below 8: 3/5. All at once: 3/4 of 0.6 and 1/4 of
    0.6.
    """
    alike, own = protocol_of(), protocol_of(OWN)
    assert list(apart(alike)) == ["stiff and soft"]
    assert {name: part.draft.spans["p_high"] for name, part in apart(own).items()} == {
        "stiff": Span(10.0, 20.0),
        "soft": Span(5.0, 10.0),
    }
    shares = counted(own)["safe_share"]
    # 64 evenly spread settings: a share is good to one of them
    np.testing.assert_allclose(shares.values, [0.6, 0.6, 0.6], atol=1 / 64)
    same = find_verdict(alike, count_groups(alike))["safe_share"]
    np.testing.assert_allclose(same.values, [0.6, 0.0, 0.45], atol=1 / 64)


def test_a_check_of_the_whole_takes_each_part_to_its_folder(tmp_path):
    folders = []

    def check(part, folder):
        folders.append(folder)
        return counted_part(part)

    own = protocol_of(OWN)
    done = check_apart(own, tmp_path, check)
    assert folders == [tmp_path / "stiff", tmp_path / "soft"]
    assert done.results["joint"].equals(counted(own))
    assert done.holds == joint_holds(counted(own))
    assert list(done.parts) == ["stiff", "soft"]


def test_the_whole_counts_groups_by_their_patients():
    own = protocol_of(OWN.replace("5.0, high = 10.0", "5.0, high = 7.0"))
    shares = counted(own)["safe_share"]
    np.testing.assert_allclose(shares.values, [0.6, 1.0, 0.75 * 0.6 + 0.25], atol=1 / 64)


@pytest.mark.parametrize(("wanted", "holds"), [("wanted = 0.4", True), ("wanted = 0.7", False)])
def test_it_holds_only_if_all_hold_at_once(wanted, holds):
    joint = counted(protocol_of(OWN, **{"wanted = 0.6": wanted}))
    assert joint_holds(joint) is holds
    said = joint_sentence(joint)
    assert said.startswith("The draft holds" if holds else "The draft does not hold")
    assert ("stiff" in said) is not holds


def test_limits_and_fixed_values_of_a_group_are_its_own():
    own = protocol_of(
        '[groups.limits]\nsets = []\n[[groups.limits.own]]\noutcome = "release_volume"\n'
        'high = "1.6 L"\nwhy = "invented"\n'
    )
    found = apart(own)
    assert found["soft"].limits.hard[0].value == 1600.0
    assert found["stiff"].limits.hard[0].value == 800.0
    # soft lungs release 1000 to 2000 mL: 6/10 lie below 1600
    np.testing.assert_allclose(counted(own)["safe_share"].values, 0.6, atol=1 / 64)
    fixed = protocol_of("[groups.fixed]\nfio2 = 0.9\n")
    assert [part.fixed.get("fio2") for part in apart(fixed).values()] == [None, 0.9]


def test_each_part_meets_the_lungs_of_the_whole():
    alike, own = count_groups(protocol_of()), protocol_of(OWN)
    parts = {name: count_groups(part)[0] for name, part in apart(own).items()}
    for one in alike:
        other = parts[one.group.name]
        for key, values in one.drawn.values.items():
            np.testing.assert_array_equal(values, other.drawn.values[key])


@pytest.mark.parametrize(
    ("own", "said"),
    [
        (
            "[groups.settings]\np_low = 30\n",
            "line 32, groups.2.settings.p_low: must stay below P high",
        ),
        ("[groups.settings]\np_lo = 3\n", "groups.2.settings.p_lo: unknown key 'p_lo'"),
        ("[groups.settings]\nt_low = 500\n", "groups.2.settings.t_low: t_low must be between 0.01"),
        ("[groups.settings]\np_high = 3\n", "Did you mean 30.59 cmH₂O, which is 3 kPa?"),
        ("[groups.fixed]\nfio2 = 60\n", "groups.2.fixed.fio2: fio2 must be between 0.15"),
        (
            '[groups.limits]\n[[groups.limits.own]]\noutcome = "spo2"\nlow = 88\nwhy = "w"\n',
            "line 34, groups.2.limits.own.1.low: arterial oxygen saturation lies between 0 and 1",
        ),
    ],
)
def test_what_is_wrong_in_a_group_is_told_with_its_place(own, said):
    with pytest.raises(StudyError) as raised:
        protocol_of(own)
    assert any(said in problem for problem in raised.value.problems), raised.value.problems


def test_a_policy_starts_all_groups_alike():
    from pathlib import Path

    text = (Path(__file__).parents[1] / "files/policy/small_policy.toml").read_text(
        encoding="utf-8"
    )
    text = text.replace("[limits]", "[groups.settings]\np_low = 2.0\n[limits]", 1)
    with pytest.raises(StudyError, match="a policy starts and judges all groups alike"):
        parse_policy(text)


def test_an_explanation_and_a_table_say_what_is_a_groups_own():
    protocol = protocol_of(OWN)
    said = {one.title: " ".join(one.sentences) for one in explain_protocol(protocol)}
    assert "In soft, P high: 5 to 10 cmH₂O." in said["what is set"]
    shown = joint_table(protocol, counted(protocol))
    assert [row[0] for row in shown.rows] == ["stiff", "soft", "all at once"]
    assert [row[6] for row in shown.rows] == ["10 to 20 cmH₂O", "5 to 10 cmH₂O", ""]


def test_a_run_of_the_whole_says_that_it_must_be_taken_apart(tmp_path):
    with pytest.raises(EbbmapError, match=r"Check it by `ebbmap.check`"):
        run_check(protocol_of(OWN), tmp_path, date="2026-01-01", progress=lambda part: None)


@pytest.mark.slow
def test_the_command_writes_a_report_for_each_and_for_all(tmp_path, smaller_searches):
    path = tmp_path / "mine.toml"
    path.write_text(TEXT.format(sizes=SIZED, own=OWN), encoding="utf-8")
    words = ["check", str(path), "--out", str(tmp_path / "out"), "--workers", "1", "--json"]
    done = CliRunner().invoke(app, words)
    assert done.exit_code in (0, 1), done.output
    told = json.loads(done.stdout)
    assert set(told["groups"]) == {"stiff", "soft"}
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert 'href="soft/report.html"' in page
    assert "not for setting a ventilator" in page
    assert page.count("name, role, date") == 3 and "<dt>Owner</dt>" in page
    for name in ("stiff", "soft"):
        assert (tmp_path / "out" / name / "report.html").is_file()
    assert (tmp_path / "out" / "joint.csv").is_file()


def spread_protocol(title, settings):
    """Lungs between 40 and 120 mL/cmH2O, which release P high times their compliance."""
    return parse_protocol(
        f"""
title = "{title}"
lung = "linear"
lungs = 400
settings_drawn = 8
wanted = 0.5
[settings]
{settings}
p_low = 0.0
t_high = 60.0
t_low = 60.0
[[groups]]
population = "mine"
[population.mine.properties]
compliance = {{ family = "uniform", low = 40.0, high = 120.0 }}
resistance_exp = {{ family = "uniform", low = 9.0, high = 11.0 }}
resistance_insp = {{ family = "uniform", low = 9.0, high = 11.0 }}
predicted_body_weight = {{ family = "uniform", low = 60.0, high = 80.0 }}
[limits]
sets = []
[[limits.own]]
outcome = "release_volume"
low = 600.0
high = 1200.0
why = "invented"
"""
    )


def test_a_comparison_says_who_gains_who_loses_and_why():
    """At 10 cmH2O lungs from 60 to 120 are within the limits, at 15 those from 40 to 80.

    So a quarter gains, whose compliance is below 60 and whose release was below 600 mL; half
    loses, whose compliance is above 80 and whose release is above 1200 mL.
    """
    old, new = (spread_protocol(str(p), f"p_high = {p}.0") for p in (10, 15))
    found = compare_drafts(old, new).sel(group="mine")
    np.testing.assert_allclose(found["same_share"].values, [0.75, 0.5], atol=0.05)
    assert float(found["gain"]) == pytest.approx(0.25, abs=0.05)
    gains, loses = str(found["gain_sentence"].values), str(found["lose_sentence"].values)
    # between 40 and 60, and between 60 and 120; 400 lungs tell the middle to a few
    low, others = re.search(r"with a low compliance \(([\d.]+) against ([\d.]+) mL", gains).groups()
    assert (float(low), float(others)) == pytest.approx((50.0, 90.0), abs=4.0)
    assert (
        "less often is release volume below 600 mL (in 0 % of their combinations instead of 100 %)"
        in gains
    )
    assert "mostly those with a high compliance (" in loses
    assert (
        "more often is release volume above 1200 mL (in 100 % of their combinations instead of 0 %)"
        in loses
    )


def test_printed_shares_subtract():
    found = compare_drafts(*(spread_protocol(str(p), f"p_high = {p}.0") for p in (10, 15)))
    (row,) = difference_table(found).written()
    before, after, change = (row[i].partition(" ")[0] for i in (1, 3, 5))
    assert int(after) - int(before) == int(change)


def test_nobody_moves_between_a_draft_and_itself():
    one = spread_protocol("one", "p_high = 10.0")
    assert difference_sentences(compare_drafts(one, one)) == [
        "mine: no lung gains.",
        "mine: no lung loses.",
    ]


def test_drafts_of_other_seeds_and_sizes_are_put_on_common_lungs():
    old = spread_protocol("one", "p_high = 10.0")
    new = replace(old, seed=5, lungs=128, stated={**old.stated, "seed": 5, "lungs": 128})
    with pytest.raises(EbbmapError, match="the same seed"):
        compare_drafts(old, new)
    before, after, notes = on_common_lungs(old, new)
    assert (before.seed, after.seed, before.lungs, after.lungs) == (0, 0, 128, 128)
    assert len(notes) == 2
    assert float(compare_drafts(before, after)["difference"].values[0]) == 0.0


def test_groups_of_their_own_are_compared_by_their_own():
    alike, own = protocol_of(), protocol_of(OWN)
    found = compare_drafts(alike, own)
    np.testing.assert_allclose(found["difference"].values, [0.0, 0.6], atol=1 / 64)
    assert found.attrs["changes"] == "soft: P high: 10 to 20 cmH₂O -> 5 to 10 cmH₂O"


def test_the_comparison_is_written_as_page_and_table(tmp_path):
    paths = []
    for name, own in (("old", ""), ("new", OWN)):
        paths.append(tmp_path / f"{name}.toml")
        paths[-1].write_text(TEXT.format(sizes=SIZED, own=own), encoding="utf-8")
    words = ["diff", *map(str, paths), "--out", str(tmp_path / "out"), "--workers", "1", "--json"]
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert told["groups"]["soft"]["gains"].startswith("soft: 100 % of the lungs gain")
    page = (tmp_path / "out" / "difference.html").read_text(encoding="utf-8")
    assert told["groups"]["soft"]["gains"] in page
    assert "not for setting a ventilator" in page
    assert (tmp_path / "out" / "difference.csv").read_text().startswith("group,safe before")


def test_another_process_makes_the_same_part_of_its_words(tmp_path):
    """Pieces of a part went to workers with the text of the whole, and were refused there."""
    for part in apart(protocol_of(OWN)).values():
        here = check_source(part)
        there = SOURCES["check"](tmp_path, *here.texts)
        assert there.plan == here.plan
        assert list(there.parts) == list(here.parts)
