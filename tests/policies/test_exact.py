"""What rules do to each other, against brute force over points and what the sources say."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from ebbmap.files.bundled import bundled_studies
from ebbmap.files.policy import load_policy
from ebbmap.policies.conditions import Box, Condition, Interval, spoken
from ebbmap.policies.exact import contradictions, gaps, never_fire, start_past_caps, too_seldom
from ebbmap.policies.language import Reading, Rule

POLICIES = bundled_studies() / "policies"
NAMES, SETTINGS = ("pao2", "paco2", "spo2"), ("p_high", "t_high")
#: Thresholds lie on these values, so points on and between them tell all cells apart.
LEVELS = {"pao2": (50.0, 60.0, 70.0), "paco2": (40.0, 50.0, 60.0), "spo2": (0.25, 0.5, 0.75)}
SIGNS = {
    "<": np.less,
    "<=": np.less_equal,
    ">": np.greater,
    ">=": np.greater_equal,
}


def points():
    """Every point on a threshold, between two, or beyond the outermost ones: shape (m,) each."""
    ticks = []
    for name in NAMES:
        levels = np.array(LEVELS[name])
        gap = levels[1] - levels[0]
        ticks.append(np.sort(np.concatenate([levels, [levels[0] - gap / 2], levels + gap / 2])))
    grid = np.meshgrid(*ticks, indexing="ij")
    return {name: axis.ravel() for name, axis in zip(NAMES, grid, strict=True)}


POINTS = points()


def random_comparisons(rng):
    """One box as plain comparisons: (name, sign, value)."""
    chosen = rng.choice(NAMES, size=rng.integers(1, 4), replace=False)
    return [(n, str(rng.choice(list(SIGNS))), float(rng.choice(LEVELS[n]))) for n in chosen]


def box_of(comparisons):
    ranges = {}
    for name, sign, value in comparisons:
        closed = len(sign) == 2
        low = Interval(low=value, low_in=closed)
        ranges[name] = low if sign[0] == ">" else Interval(high=value, high_in=closed)
    return Box(ranges)


def brute(boxes):
    """Where any of some boxes holds, by comparing every point."""
    found = np.zeros(POINTS["pao2"].size, bool)
    for box in boxes:
        inside = np.ones(found.size, bool)
        for name, sign, value in box:
            inside &= SIGNS[sign](POINTS[name], value)
        found |= inside
    return found


def random_rules(rng):
    rules, plain = [], []
    for number in range(rng.integers(2, 5)):
        boxes = [random_comparisons(rng) for _ in range(rng.integers(1, 3))]
        moved = rng.choice(SETTINGS, size=rng.integers(1, 3), replace=False)
        moves = {str(name): float(rng.choice([-1.0, 1.0])) for name in moved}
        rules.append(Rule(f"R{number}", Condition(tuple(map(box_of, boxes))), moves))
        plain.append((boxes, moves))
    return tuple(rules), plain


def policy_of(rules, **changes):
    base = load_policy(POLICIES / "hospital_guide.toml")
    return replace(base, rules=rules, criteria=(), wean=None, **changes)


def covered(findings):
    found = np.zeros(POINTS["pao2"].size, bool)
    for one in findings:
        found |= Condition((one.region,)).holds(POINTS)
    return found


def compare_contradictions(number, seed):
    rng = np.random.default_rng(seed)
    base, seen = policy_of((), readings=()), 0
    for _ in range(number):
        rules, plain = random_rules(rng)
        wanted = {}
        for i, (boxes, moves) in enumerate(plain):
            for j, (others, theirs) in enumerate(plain[:i]):
                if any(moves[name] * theirs.get(name, 0.0) < 0.0 for name in moves):
                    where = brute(boxes) & brute(others)
                    if where.any():
                        wanted[(f"R{j}", f"R{i}")] = where
        found = list(contradictions(replace(base, rules=rules)))
        assert {one.rules for one in found} == set(wanted)
        for pair, where in wanted.items():
            got = covered(one for one in found if one.rules == pair)
            np.testing.assert_array_equal(got, where)
        seen += bool(wanted)
    return seen / number


def test_contradictions_are_those_of_brute_force():
    # both kinds of rule sets must be among the tried ones
    assert 0.2 < compare_contradictions(1000, 17) < 0.99


@pytest.mark.slow
def test_contradictions_are_those_of_brute_force_ten_thousand_times():
    assert 0.2 < compare_contradictions(10_000, 2026) < 0.99


def test_gaps_are_those_of_brute_force():
    rng, seen = np.random.default_rng(18), 0
    goal = Box({"pao2": Interval(50.0, 70.0, True, True), "paco2": Interval(high=50.0)})
    base = policy_of((), goal=goal)
    for _ in range(300):
        rules, plain = random_rules(rng)
        wanted = {}
        for name, side, out in (
            ("pao2", "<", POINTS["pao2"] < 50.0),
            ("pao2", ">", POINTS["pao2"] > 70.0),
            ("paco2", ">", POINTS["paco2"] >= 50.0),
        ):
            serving = [box for boxes, _ in plain for box in boxes if answers(box, name, side)]
            wanted[name] = wanted.get(name, False) | (out & ~brute(serving))
        found = list(gaps(replace(base, rules=rules)))
        for name, where in wanted.items():
            own = [one for one in found if speaks_of(one, name)]
            np.testing.assert_array_equal(covered(own) & outside(name), where)
        seen += bool(found)
    assert seen


def outside(name):
    values = POINTS[name]
    return (values < 50.0) | (values > 70.0) if name == "pao2" else values >= 50.0


def speaks_of(finding, name):
    """Whether a finding is about a quantity: its region lies away from that one's goal."""
    return f"to {spoken(name)} at" in finding.sentence or (
        "No rule acts" in finding.sentence and name in finding.region.ranges
    )


def answers(box, name, side):
    """Whether a box picks values beyond the goal and does not hold throughout it, by points."""
    own = [one for one in box if one[0] == name]
    if not own:
        return False
    values = POINTS[name]
    held = np.ones(values.size, bool)
    for _, sign, value in own:
        held &= SIGNS[sign](values, value)
    at_goal = (values >= 50.0) & (values <= 70.0) if name == "pao2" else values < 50.0
    beyond = values < 50.0 if side == "<" else (values > 70.0 if name == "pao2" else values >= 50.0)
    return bool((held & beyond).any() and not held[at_goal].all())


def test_a_rule_never_acts_only_if_others_hold_at_each_of_its_points():
    rng, seen = np.random.default_rng(19), 0
    base = policy_of(())
    for _ in range(500):
        rules, plain = random_rules(rng)
        found = {name for one in never_fire(replace(base, rules=rules)) for name in one.rules}
        taken, wanted = np.zeros(POINTS["pao2"].size, bool), set()
        for number, (boxes, _) in enumerate(plain):
            own = brute(boxes)
            if not (own & ~taken).any():
                wanted.add(f"R{number}")
            taken |= own
        assert found == wanted
        seen += len(wanted)
    assert seen


def sentences(name, finder):
    policy = load_policy(POLICIES / f"{name}.toml")
    return [(one.sentence, one) for one in finder(policy)]


def line(name, number):
    return (POLICIES / f"{name}.toml").read_text(encoding="utf-8").splitlines()[number - 1]


def test_the_guide_moves_a_steady_patient_up_and_down_at_a_pao2_of_60():
    (found,) = [
        one
        for text, one in sentences("hospital_guide", contradictions)
        if one.rules == ("A1", "A3") and "P high" in text
    ]
    assert found.region == Box({"pao2": Interval(60.0, 60.0, True, True)})
    assert "no dead band" in found.sentence
    assert line("hospital_guide", found.line) == "[[adjust]]"
    assert line("hospital_guide", found.line + 1) == 'name = "A3"'


def test_the_guide_has_no_rule_for_high_co2_with_low_oxygen():
    regions = {one.region.written(): one for _, one in sentences("hospital_guide", gaps)}
    low = regions["paco2 >= 65 mmHg and pao2 < 60 mmHg"]
    assert "A3" in low.rules
    assert "A2" not in low.rules
    assert "pao2 > 80 mmHg" in regions
    assert "paco2 = 65 mmHg and pao2 >= 60 mmHg" in regions
    assert "flow_ratio < 0.25" in regions
    assert line("hospital_guide", low.line).startswith("goal")


def test_the_guides_last_rule_lies_within_the_one_before():
    ((text, found),) = sentences("hospital_guide", never_fire)
    assert found.rules == ("A4",)
    assert "A3 acts before it" in text


def test_the_textbook_starts_past_its_own_caution_and_cap():
    found = {one.rules[0]: text for text, one in sentences("textbook", start_past_caps)}
    assert "12.5 /min" in found["C3"]
    assert "35 cmH₂O" in found["C2"]


def test_the_textbooks_rules_for_both_gases_pull_t_high_apart():
    pairs = {one.rules: one.region for _, one in sentences("textbook", contradictions)}
    region = pairs[("O2", "C3")].written()
    assert region == "pao2 < 55 mmHg and paco2 > 60 mmHg"


def test_a_dead_band_as_wide_as_two_errors_is_enough():
    up = Rule("up", Condition((Box({"pao2": Interval(high=60.0)}),)), {"p_high": 1.0})
    for edge, expected in ((60.0, 1), (63.0, 1), (64.5, 0)):
        down = Rule("down", Condition((Box({"pao2": Interval(low=edge)}),)), {"p_high": -1.0})
        readings = (Reading("pao2", 60.0, error=2.0),)
        found = list(contradictions(policy_of((up, down), readings=readings)))
        assert len(found) == expected, edge


def test_a_rule_that_cannot_reach_its_setting_never_acts():
    low = Condition((Box({"t_low": Interval(high=0.2)}),))
    rule = Rule("shorter", low, {"t_low": -0.05})
    ((found),) = never_fire(policy_of((rule,)))
    assert "no rule takes the settings to T low < 0.2 s" in found.sentence
    start = policy_of((Rule("first", Condition((Box(),)), {"t_low": -0.05}), rule))
    assert not [one for one in never_fire(start) if "settings" in one.sentence]


def test_a_rule_that_acts_before_its_gas_is_known_is_found():
    high = Condition((Box({"paco2": Interval(low=65.0)}),))
    for wait, expected in ((39.0, 1), (40.0, 0)):
        rule = Rule("C", high, {"t_high": -0.5}, wait=wait)
        reading = Reading("paco2", 240.0, delay=10.0, after_change=30.0)
        assert len(list(too_seldom(policy_of((rule,), readings=(reading,))))) == expected


@pytest.mark.parametrize("path", sorted(POLICIES.glob("*.toml")), ids=lambda path: path.stem)
def test_every_finding_names_a_line_that_is_there(path: Path):
    policy, lines = load_policy(path), path.read_text(encoding="utf-8").splitlines()
    for finder in (contradictions, gaps, never_fire, start_past_caps, too_seldom):
        for one in finder(policy):
            assert lines[one.line - 1].startswith(("[[adjust]]", "[wean]", "goal"))
            assert one.sentence.endswith(".")
