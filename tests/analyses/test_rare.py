"""Rare harm in lungs, beside counting and beside a closed form."""

import numpy as np
import pytest
from scipy.special import ndtr

from ebbmap.analyses.rare import RareHarm, find_rare
from ebbmap.cases.question import Question, draw_cases
from ebbmap.cases.simulate import simulate
from ebbmap.errors import EbbmapError
from ebbmap.kernels.judging import judge
from ebbmap.plotting.pages.rare import pages
from ebbmap.registries.limits import LIMIT_SETS, Limit, LimitSet
from ebbmap.registries.populations import POPULATIONS, Marginal
from ebbmap.tables.rare import tables

FIXED = {"p_high": 24.0, "p_low": 0.0, "t_high": 5.0}


def test_a_common_share_is_what_counting_finds():
    asked = Question(
        lung="linear",
        fixed=FIXED,
        populations=(POPULATIONS["obstructive"],),
        rules={"auto_peep": LIMIT_SETS["auto_peep"]},
        lungs=20_000,
    )
    found = find_rare(asked, RareHarm(at=[0.9], cases=200)).squeeze()
    solved = simulate("linear", **draw_cases(asked, asked.populations[0], {}) | {"t_low": 0.9})
    judged = judge(asked.rules["auto_peep"], {n: solved[n].values for n in asked.outcomes})
    # the interval of counting is ten times narrower
    low, high = found["harm_share_interval"].values
    assert low < judged.unsafe.mean() < high


def exact(t_low, ratio):
    """Return the chance that flow stays above a share of its peak: exp(-t / (R C)) > ratio."""
    # log(R C) is normal with the medians below
    limit = t_low / np.log(1.0 / ratio)
    middle, spread = np.log(20.0 * 0.05), np.hypot(0.3, 0.2)
    return ndtr(-(np.log(limit) - middle) / spread)


@pytest.mark.parametrize("t_low", [2.0, 3.2])
def test_a_rare_share_is_that_of_the_closed_form(t_low):
    rule = LimitSet("late", "late", (Limit("flow_ratio", "invented", high=0.5),))
    asked = Question(
        lung="linear",
        fixed=FIXED,
        samples={
            "resistance_exp": Marginal("lognormal", 20.0, 0.3, "invented"),
            "compliance": Marginal("lognormal", 50.0, 0.2, "invented"),
        },
        rules={"late": rule},
        seed=3,
    )
    found = find_rare(asked, RareHarm(at=[t_low])).squeeze()
    low, high = found["harm_share_interval"].values
    truth = exact(t_low, 0.5)
    assert truth < 0.01 and low < truth < high
    assert float(found["cases"]) < float(found["plain_cases"])
    # a slow lung is harmed: both properties, in proportion to their spread
    scores = found["score_given_harm"].sel(parameter=["resistance_exp", "compliance"]).values
    assert scores[0] / scores[1] == pytest.approx(1.5, rel=0.2)
    (table,) = tables(find_rare(asked, RareHarm(at=[t_low])))
    assert "resistance_exp" in table.column("harmed lungs, SD from the mean")[0]


def test_limits_that_different_lungs_break_are_all_found():
    broken = (
        ("auto_peep", 11.0),
        ("release_volume_per_kg", 26.0),
        ("end_high_pressure", 30.0),
    )
    rule = LimitSet("far", "far", tuple(Limit(name, "invented", high=top) for name, top in broken))
    asked = Question(
        lung="linear",
        fixed=FIXED | {"p_high": 22.0},
        populations=(POPULATIONS["normal"],),
        rules={"far": rule},
        lungs=200_000,
    )
    found = find_rare(asked, RareHarm(at=[0.8], cases=200)).squeeze()
    solved = simulate("linear", **draw_cases(asked, asked.populations[0], {}) | {"t_low": 0.8})
    judged = judge(rule, {name: solved[name].values for name in asked.outcomes})
    slow, wide, never = (judged.bound_margin < 0).mean(axis=1)
    assert 0.004 < slow < 0.008 and 0.001 < wide < 0.002 and never == 0.0
    # a relative error of 6 % by replicates and of 3 % by counting; four of both together
    assert found["harm_share"].item() == pytest.approx(judged.unsafe.mean(), rel=0.27)
    assert found["harm_share"].item() > 1.05 * slow
    # the limit on pressure never varies: one level is enough to see it
    assert found["cases"].item() < 16 * 200 * 2 * (1 + 0.9 * 4)


def test_harm_that_never_occurs_has_an_upper_bound():
    rule = LimitSet("never", "never", (Limit("end_high_pressure", "invented", high=30.0),))
    asked = Question(
        lung="linear", fixed=FIXED, populations=(POPULATIONS["normal"],), rules={"never": rule}
    )
    found = find_rare(asked, RareHarm(at=[0.8], cases=100, replicates=4))
    low, high = found["harm_share_interval"].values.ravel()
    # none of 400 plain draws
    assert found["harm_share"].item() == low == 0.0 < high == pytest.approx(1 - 0.05 ** (1 / 400))
    (table,) = tables(found)
    assert table.column("lungs that break a limit")[0] == (0.0, 0.0, pytest.approx(high))
    (page,) = pages(found)
    assert "no harm found (at most 0.75 %)" in page[2]


def test_without_limits_there_is_no_harm():
    with pytest.raises(EbbmapError, match="needs limits to break"):
        find_rare(Question(populations=(POPULATIONS["normal"],)), RareHarm(at=[0.5]))


def test_a_share_without_an_interval_says_so():
    rule = LimitSet("late", "late", (Limit("flow_ratio", "invented", high=0.5),))
    asked = Question(
        lung="linear", fixed=FIXED, populations=(POPULATIONS["normal"],), rules={"late": rule}
    )
    found = find_rare(asked, RareHarm(at=[0.9], cases=100, replicates=4))
    (known,) = tables(found)
    found["harm_share_interval"] = found["harm_share_interval"] * np.nan
    (bare,) = tables(found)
    assert len(bare.notes) == len(known.notes) + 1 and "more cases" in bare.notes[-1]
    (page,) = pages(found)
    assert "no interval" in page[2]
