"""Rare harm in lungs, beside counting and beside a closed form."""

import numpy as np
import pytest
from scipy.special import ndtr

from ebbmap.analyses.rare import RareHarm, find_rare
from ebbmap.cases.question import Question, draw_cases
from ebbmap.cases.simulate import simulate
from ebbmap.errors import EbbmapError
from ebbmap.kernels.judging import judge
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


def test_without_limits_there_is_no_harm():
    with pytest.raises(EbbmapError, match="needs limits to break"):
        find_rare(Question(populations=(POPULATIONS["normal"],)), RareHarm(at=[0.5]))
