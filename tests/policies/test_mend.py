"""Other numbers in the same rules: what is changed, the search, and fresh patients."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from ebbmap.cases.pieces import Pieces
from ebbmap.cli import app
from ebbmap.files.policy import parse_policy
from ebbmap.policies.cohort import on_other_patients
from ebbmap.policies.language import Mend
from ebbmap.policies.levers import changed, fit_together, single_changes
from ebbmap.policies.mend import FRESH, Tried, mend_pieces
from ebbmap.policies.simulate import courses

TEXT = (Path(__file__).parents[1] / "files" / "policy" / "small_policy.toml").read_text(
    encoding="utf-8"
)
#: A start at a pressure that is too high for many, which weaning brings down too slowly.
SLOW = (
    TEXT.replace("p_high = 24.0", "p_high = 31.0")
    .replace(" and ph < 7.3", "")
    .replace(
        '[[adjust]]\nname = "shorter"\nwhen = "flow_ratio < 25 %"\nuntil = "flow_ratio >= 75 %"\n'
        'move = ["t_low -0.1 s"]\nwait = "1 h"\n\n',
        "",
    )
)


@pytest.fixture(scope="module")
def policy():
    return replace(parse_policy(SLOW), mend=Mend(30, 40))


def find(policy, words):
    (one,) = (one for one in single_changes(policy) if one.sentence == words)
    return one


def test_every_single_change_changes_one_number(policy):
    changes = single_changes(policy)
    assert len({one.sentence for one in changes}) == len(changes)
    for one in changes:
        new = changed(policy, [one])
        assert new != policy
        assert new.protocol == policy.protocol
        assert new.goal == policy.goal
        same = [new.rules[n] == rule for n, rule in enumerate(policy.rules)]
        if one.key[0] == "reading":
            assert all(same)
        elif one.key[0] != "order":
            assert same.count(False) == 1
        assert (new.wean is None) == (policy.wean is None)
        assert new.wean in new.rules
    # changes of different numbers go together in any order
    one, other = changes[0], next(c for c in changes if c.key != changes[0].key)
    assert changed(policy, [one, other]) == changed(policy, [other, one])
    assert not fit_together([one, one])


def test_changes_say_what_they_do(policy):
    step = find(policy, "longer: T low 0.1 s at a time, not 0.05 s")
    assert changed(policy, [step]).rules[0].moves == {"t_low": 0.1}
    wait = find(policy, "longer: acts again after 1 h, not 2 h")
    assert changed(policy, [wait]).rules[0].again == 60.0
    read = find(policy, "PaCO₂: is measured every 2 h, not 4 h")
    assert changed(policy, [read]).measured["paco2"].every == 120.0
    # a step on a dial is never finer than the dial
    assert not [one for one in single_changes(policy) if one.value == 0.025]


def test_the_order_of_rules_may_change():
    policy = parse_policy(TEXT)
    swap = find(policy, "shorter: before longer")
    assert [rule.name for rule in changed(policy, [swap]).rules] == ["shorter", "longer", "weaning"]


@pytest.fixture(scope="module")
def mended(policy):
    return mend_pieces(policy).whole()


def test_the_search_keeps_to_its_budget_and_mends_a_slow_rule(mended, policy):
    assert mended.sizes["candidate"] == 30
    assert mended.attrs["patients"] == 40
    assert mended.attrs["fresh_patients"] == FRESH * 40
    assert mended["changed"].values[0] == 0
    assert mended["gain"].values[0] == 0.0
    assert float(mended["gain"].max()) > 0.1
    assert mended["changed"].values.max() > 1
    # what gains on the search's patients gains on fresh ones, surely
    best = mended.isel(candidate=int(np.argmax(mended["share"].values)))
    assert best["front"]
    assert float(best["fresh_gain_interval"][0]) > 0.0


def test_gains_are_those_of_a_simulation_by_hand(mended, policy):
    few = replace(policy, protocol=replace(policy.protocol, lungs=40))
    few = on_other_patients(few, "mending")
    number = int(np.flatnonzero(mended["changed"].values == 1)[3])
    words = str(mended["words"].values[number])
    shares = []
    for one in (few, changed(few, [find(policy, words)])):
        shares.append(np.concatenate([c.safe_at[-1] for c in courses(one)]).mean())
    assert float(mended["share"][number]) == pytest.approx(shares[1])
    assert float(mended["gain"][number]) == pytest.approx(shares[1] - shares[0])


def test_no_candidate_betters_one_of_the_front(mended):
    share, work = mended["share"].values, mended["changes"].values
    for number in np.flatnonzero(mended["front"].values):
        betters = (share >= share[number]) & (work <= work[number])
        strictly = (share > share[number]) | (work < work[number])
        assert not (betters & strictly).any()


def test_pieces_may_be_done_in_any_order(mended, policy):
    pieces: Pieces = mend_pieces(policy)
    found = {}
    while todo := [name for name in pieces.wanted(found) if name not in found]:
        for name in reversed(todo):
            found[name] = pieces.solve(name, found, None)
    assert pieces.join(found).identical(mended)


def test_a_gain_is_paired():
    weight, group = np.full(20, 0.05), np.zeros(20, int)
    base = Tried(np.arange(20) < 5, np.zeros(20), weight, group)
    other = Tried(np.arange(20) < 17, np.ones(20), weight, group)
    gain, low, high = other.gain(base)
    assert gain == pytest.approx(12 / 20)
    assert low < gain < high
    assert base.gain(base)[0] == 0.0
    assert other.work == pytest.approx(1.0)


def test_the_command_says_what_it_makes_no_claim_of(tmp_path):
    file = tmp_path / "slow.toml"
    file.write_text(f"{SLOW}\n[mend]\nevaluations = 6\npatients = 32\n", encoding="utf-8")
    done = CliRunner().invoke(app, ["check", str(file), "--out", str(tmp_path / "o"), "--json"])
    told = json.loads(done.stdout)
    assert len(told["mended"]) == 6
    assert told["mended"][0]["changes"] == "as it is"
    page = (tmp_path / "o" / "report.html").read_text(encoding="utf-8")
    assert "not that it is right for patients" in page
    assert (tmp_path / "o" / "front.csv").exists()
