"""Whose cycle is settled a minute after the start, against the closed form of one compartment."""

from dataclasses import replace
from pathlib import Path

import numpy as np

from ebbmap.files.policy import parse_policy
from ebbmap.lungs import lung_model
from ebbmap.policies import settling
from ebbmap.policies.cohort import draw_cohort

TEXT = (Path(__file__).parents[1] / "files" / "policy" / "small_policy.toml").read_text(
    encoding="utf-8"
)


def slow_cohort(*words):
    cohort = draw_cohort(*words)
    slow = {name: 5.0 * cohort.values[name] for name in ("resistance_insp", "resistance_exp")}
    return replace(cohort, values={**cohort.values, **slow})


def by_hand(policy):
    """One compartment: what is left of the start shrinks by one factor in every cycle."""
    cohort = settling.draw_cohort(policy, policy.protocol.groups[0], 64)
    compliance = cohort.values["compliance"]
    t_high, t_low = cohort.settings["t_high"], cohort.settings["t_low"]
    fill = np.exp(-1e3 * t_high / (compliance * cohort.values["resistance_insp"]))
    empty = np.exp(-1e3 * t_low / (compliance * cohort.values["resistance_exp"]))
    high, before = cohort.settings["p_high"], settling.BEFORE
    pressure = np.full(64, before)
    for _ in range(int(60 // (t_high[0] + t_low[0]))):
        top = high + (pressure - high) * fill
        released, pressure = top * (1.0 - empty), top * empty
    settled = high * (1.0 - fill) * (1.0 - empty) / (1.0 - fill * empty)
    return np.mean(np.abs(released / settled - 1.0) <= settling.NEAR)


def test_a_linear_lung_settles_as_its_closed_form_says(monkeypatch):
    text = TEXT.replace("t_high = 5.0", "t_high = 0.5")
    policy = parse_policy(text)
    protocol = replace(policy.protocol, lung=lung_model("linear"))
    policy = replace(policy, protocol=protocol)
    assert settling.settled_share(policy, 0) == by_hand(policy) == 1.0
    monkeypatch.setattr(settling, "draw_cohort", slow_cohort)
    # a minute is so long that only so near an end tells lungs apart
    monkeypatch.setattr(settling, "NEAR", 1e-8)
    assert 0.0 < by_hand(policy) < 1.0
    assert settling.settled_share(policy, 0) == by_hand(policy)


def test_long_cycles_settle_and_the_share_of_all_is_weighted():
    policy = parse_policy(TEXT)
    found = settling.settling_pieces(policy).whole()
    assert found.sel(group="all") == found.sel(group="restrictive") == 1.0
