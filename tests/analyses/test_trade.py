import numpy as np
import pytest

from ebbmap.analyses.trade import Trade, find_trade
from ebbmap.cases.question import Question
from ebbmap.cases.simulate import simulate
from ebbmap.errors import EbbmapError
from ebbmap.kernels.fronts import non_dominated
from ebbmap.kernels.judging import VERDICTS
from ebbmap.lungs import lung_model
from ebbmap.registries.folding import folded
from ebbmap.registries.limits import LIMIT_SETS, combine
from ebbmap.registries.populations import POPULATIONS

COSTS = ("paco2", "closed_fraction")
AXES = {"t_low": np.linspace(0.2, 1.4, 13), "t_high": np.linspace(2.0, 6.0, 5)}
RULE = combine("flow_ratio", LIMIT_SETS["pressure"], LIMIT_SETS["co2"], LIMIT_SETS["flow_ratio"])


@pytest.fixture(scope="module")
def traded():
    groups = (POPULATIONS["normal"], POPULATIONS["obstructive"])
    question = Question(
        lung="linear",
        fixed={"p_high": 25.0, "p_low": 0.0},
        populations=groups,
        rules={"flow_ratio": RULE},
    )
    return find_trade(question, Trade(axes=list(AXES), costs=COSTS), axes=AXES)


def test_costs_are_those_of_the_middle_lung(traded):
    one = traded.sel(population="normal", rule="flow_ratio").isel(t_low=4, t_high=2)
    alone = simulate(
        lung="linear",
        **folded(POPULATIONS["normal"], lung_model("linear")).median,
        p_high=25.0,
        p_low=0.0,
        t_low=float(one["t_low"]),
        t_high=float(one["t_high"]),
    )
    for name in COSTS:
        # one case and many agree to rounding
        assert float(one[name]) == pytest.approx(float(alone[name]), rel=1e-12)


def test_fronts_are_those_of_all_and_of_the_safe_settings(traded):
    for _, one in traded.stack(case=("population", "rule")).groupby("case"):
        flat = one.isel(case=0).transpose("t_low", "t_high")
        costs = np.stack([flat[name].values.ravel() for name in COSTS], axis=1)
        safe = flat["verdict"].values.ravel() <= VERDICTS.index("caution")
        np.testing.assert_array_equal(flat["front"].values.ravel() == 1, non_dominated(costs))
        held = np.where(safe[:, None], costs, np.nan)
        np.testing.assert_array_equal(flat["safe_front"].values.ravel() == 1, non_dominated(held))


def test_the_answer_agrees_with_the_verdicts(traded):
    safe = (traded["verdict"] <= VERDICTS.index("caution")).any(["t_low", "t_high"])
    for name in traded["population"].values:
        answer = str(traded["answer"].sel(population=name, rule="flow_ratio").values)
        yes = bool(safe.sel(population=name, rule="flow_ratio"))
        assert ("of the settings keep all limits" in answer) == yes
        assert answer.startswith("no setting keeps all limits: ") != yes


def test_no_safe_setting_names_what_stands_in_the_way():
    question = Question(
        lung="linear",
        fixed={"p_high": 40.0, "p_low": 0.0},
        populations=(POPULATIONS["normal"],),
        rules={"flow_ratio": RULE},
    )
    answer = str(
        find_trade(question, Trade(axes=list(AXES), costs=COSTS), axes=AXES)["answer"].values.item()
    )
    assert answer.startswith("no setting keeps all limits: ")
    assert "alveolar pressure at end of T high above 30" in answer


def test_one_cost_is_no_trade():
    with pytest.raises(EbbmapError, match=r"^costs: must have at least 2 entries; got"):
        find_trade(
            Question(lung="linear", rules={"flow_ratio": RULE}),
            Trade(axes=list(AXES), costs=("paco2",)),
            axes=AXES,
        )
