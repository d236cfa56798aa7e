"""Limits that exclude each other in drawn lungs, beside trying every set of them."""

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
import xarray as xr

from ebbmap.analyses.together import Together, find_middle_together, find_together
from ebbmap.cases.question import Question, draw_cases
from ebbmap.cases.simulate import simulate
from ebbmap.errors import EbbmapError
from ebbmap.files.study import load_study
from ebbmap.plotting.together import ALL_HOLD, plot_together, shown_sets
from ebbmap.registries.identities import (
    excluded_between,
    exclusions_by_algebra,
    identity_sentences,
    kept_sentence,
    ratio_bounds,
)
from ebbmap.registries.limits import LIMIT_SETS, Limit, LimitSet, combine
from ebbmap.registries.populations import POPULATIONS
from ebbmap.tables.held import study_notes
from ebbmap.tables.together import tables

T_LOW = np.geomspace(0.1, 3.0, 12)
LIMITS = combine("both", *(LIMIT_SETS[n] for n in ("pressure", "auto_peep", "flow_ratio")))
ASKED = Question(
    lung="linear",
    fixed={"p_high": 28.0, "p_low": 0.0, "t_high": 5.0},
    populations=(POPULATIONS["restrictive"],),
    rules={"both": LIMITS},
    lungs=15,
    seed=2,
)


def test_shares_are_what_trying_every_set_gives():
    found = find_together(ASKED, axes={"t_low": T_LOW}).isel(population=0, rule=0)
    solved = simulate(lung="linear", **draw_cases(ASKED, ASKED.populations[0], {"t_low": T_LOW}))
    solved = solved.transpose("sample", "t_low", ...)
    kept = np.stack([bound.margin(solved[bound.outcome].values) >= 0 for bound in LIMITS.hard])
    words = [kept_sentence(bound) for bound in LIMITS.hard]
    tally, largest = {}, {}
    for lung in range(ASKED.lungs):
        every = [c for n in range(len(words) + 1) for c in combinations(range(len(words)), n)]
        holds = {c: bool(kept[list(c), lung].all(axis=0).any()) for c in every}
        for one in every:
            inner = [c for c in every if set(c) < set(one)]
            outer = [c for c in every if set(c) > set(one)]
            text = " and ".join(words[i] for i in one)
            if not holds[one] and all(holds[c] for c in inner):
                tally[text] = tally.get(text, 0) + 1
            if holds[one] and not any(holds[c] for c in outer):
                largest[text] = largest.get(text, 0) + 1
    for name, expected in (("excluding", tally), ("largest", largest)):
        pairs = zip(found[name].values, found[f"{name}_share"].values, strict=True)
        said = {str(text): round(share * ASKED.lungs) for text, share in pairs if share > 0}
        assert said == expected
    assert float(found["held_share"]) == kept.all(axis=0).any(axis=1).mean()


@pytest.mark.parametrize(("p_high", "apart"), [(19.0, False), (21.0, True)])
def test_the_identity_of_a_filled_linear_lung_is_found(p_high, apart):
    limits = LimitSet(
        "two",
        "two",
        (Limit("flow_ratio", "invented", low=0.5), Limit("auto_peep", "invented", high=10.0)),
    )
    # T high of many time constants fills the lung
    fixed = {"p_high": p_high, "p_low": 0.0, "t_high": 20.0, "resistance_insp": 5.0}
    found = find_together(
        Question(lung="linear", fixed=fixed, rules={"two": limits}),
        axes={"t_low": np.geomspace(0.02, 5, 400)},
    )
    assert float(found["held_share"].item()) == (0.0 if apart else 1.0)
    said = str(found["identity"].item())
    assert ("where P high - P low is above 20 cmH₂O; it is 21" in said) == apart == bool(said)
    assert (found["rank_correlation"].isel(bound=0, other_bound=1) < -0.999).all()
    titles = [one.title for one in tables(found)]
    assert "limits that bound one quantity" in titles


def test_a_setting_needs_values():
    with pytest.raises(EbbmapError, match="t_high has no axis"):
        find_together(ASKED, Together(axes=["t_high"]), axes={"t_low": T_LOW})


def by_search(bounds, p_high, p_low, lung):
    """Return the smallest sets that no T low of a fine grid keeps, trying every set."""
    solved = simulate(
        "linear",
        **lung,
        p_high=p_high,
        p_low=p_low,
        t_high=60.0,
        t_low=xr.DataArray(np.geomspace(0.011, 59.0, 20001), dims="t_low"),
    )
    kept = np.stack([bound.margin(solved[bound.outcome].values) >= 0 for bound in bounds])
    found = []
    for size in range(1, len(bounds) + 1):
        for one in combinations(range(len(bounds)), size):
            inner = any(set(smaller) < set(one) for smaller in found)
            if not inner and not kept[list(one)].all(axis=0).any():
                found.append(one)
    return {tuple(bounds[i].name for i in one) for one in found}


@pytest.mark.parametrize("seed", range(6))
def test_algebra_finds_what_trying_every_set_finds_in_a_filled_linear_lung(seed):
    rng = np.random.default_rng(seed)
    # slow to empty and quick to fill, so that flow ratios from 0 to 0.98 are met
    lung = {"compliance": rng.uniform(20.0, 70.0), "predicted_body_weight": 60.0}
    lung |= {"resistance_exp": 35.0, "resistance_insp": 10.0}
    p_low = rng.uniform(0.0, 8.0)
    limits = (
        Limit("flow_ratio", "invented", *np.sort(rng.uniform(0.05, 0.95, 2))),
        Limit("exhaled_fraction", "invented", low=rng.uniform(0.1, 0.9)),
        Limit("auto_peep", "invented", high=rng.uniform(3.0, 15.0)),
        Limit("driving_pressure", "invented", high=rng.uniform(8.0, 18.0)),
        Limit("end_release_pressure", "invented", low=rng.uniform(3.0, 12.0)),
        Limit("release_volume_per_kg", "invented", *np.sort(rng.uniform(2.0, 10.0, 2))),
    )
    bounds = [bound for limit in limits for bound in limit.bounds]
    some = 0
    for difference in rng.uniform(8.0, 40.0, 5):
        known = {**lung, "p_low": p_low}
        algebra = exclusions_by_algebra(bounds, difference, known)
        search = by_search(bounds, p_low + difference, p_low, lung)
        assert {tuple(sorted(one)) for one in algebra} == {tuple(sorted(one)) for one in search}
        some += len(search)
    assert some > 0


@pytest.mark.parametrize("difference", [18.0, 22.0, 27.0, 40.0])
def test_what_is_said_of_a_pair_holds_where_it_is_said(difference):
    limits = (
        Limit("auto_peep", "invented", high=10.0),
        Limit("driving_pressure", "invented", high=15.0),
        Limit("flow_ratio", "invented", low=0.5, high=0.75),
    )
    both = LimitSet("both", "both", limits)
    apart = exclusions_by_algebra(both.hard, difference, {})
    for low, high in combinations(ratio_bounds(both.hard, {}), 2):
        low, high = (low, high) if low.side == "low" else (high, low)
        if (low.side, high.side) == ("low", "high") and low.bound.outcome != high.bound.outcome:
            begin, end = excluded_between(low, high)
            names = {low.bound.name, high.bound.name}
            assert (begin < difference < end) == (names in [set(one) for one in apart])
    # auto-PEEP and driving pressure add up to P high - P low
    said = " ".join(identity_sentences(both, {}))
    assert "auto-PEEP at most 10 cmH₂O exclude each other where P high - P low is above 25" in said
    assert len(list(identity_sentences(both, {"p_high": difference, "p_low": 0.0}))) == len(apart)


def test_the_page_draws_what_was_found():
    found = find_together(ASKED, axes={"t_low": T_LOW}).isel(rule=0)
    ax = plot_together(found)
    labels = [text.get_text().replace("\n", " ") for text in ax.get_yticklabels()]
    assert labels == [ALL_HOLD, *(f"never: {text}" for text in shown_sets(found))]
    (name,) = found["population"].values
    (marks,) = [line for line in ax.get_lines() if line.get_label() == name]
    one = found.isel(population=0)
    pairs = zip(one["excluding"].values, one["excluding_share"].values, strict=True)
    shares = {str(text): float(share) for text, share in pairs if share > 0}
    assert marks.get_xdata()[0] == float(one["held_share"])
    drawn = dict(zip(shown_sets(found), marks.get_xdata()[1:], strict=True))
    assert drawn == {text: shares[text] for text in drawn}
    assert len(drawn) == min(len(shares), 6)


def test_a_clash_is_told_before_a_run(tmp_path):
    text = """
title = "clash"
lung = "linear"
[fixed]
p_high = {p_high}
p_low = 0.0
[axes]
t_low = [0.3, 0.6]
[limits]
sets = ["auto_peep"]
rules = ["flow_ratio"]
[analyses.together]
"""
    for p_high, told in ((31.0, True), (29.0, False)):
        path = tmp_path / "clash.toml"
        path.write_text(text.format(p_high=p_high))
        notes = [one for one in study_notes(load_study(path)) if "cannot hold together" in one]
        assert bool(notes) == told
        if told:
            # 15 cmH2O over a ratio of one half
            assert "P high - P low is above 30 cmH₂O; it is 31" in notes[0]


def test_the_middle_lung_keeps_what_its_solved_cases_keep():
    t_low = np.geomspace(0.1, 3.0, 9)
    asked = replace(ASKED, fixed={**ASKED.fixed, "t_low": 0.5})
    found = find_middle_together(asked, t_low).isel(population=0, rule=0)
    lung = {**POPULATIONS["restrictive"].median, **ASKED.fixed}
    solved = simulate(ASKED.lung, **lung, t_low=t_low)
    kept = np.all([bound.margin(solved[bound.outcome]) >= 0 for bound in LIMITS.hard], axis=0)
    assert float(found["held_share"]) == float(kept.any())
