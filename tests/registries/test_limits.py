import numpy as np
import pytest

from ebbmap.cases.simulate import simulate
from ebbmap.catalogue import builtin
from ebbmap.errors import EbbmapError
from ebbmap.kernels.judging import NO_BOUND, VERDICTS, bound_margins, judge
from ebbmap.registries.limits import LIMIT_SETS, RULES, Limit, LimitSet, combine

WHY = "invented"
RANGE = Limit("release_volume_per_kg", WHY, 4.0, 8.0)
TOP = Limit("end_high_pressure", WHY, high=30.0)
WARNING = Limit("end_high_pressure", WHY, high=25.0, severity="caution")
EXTRA = Limit("auto_peep", WHY, high=10.0, severity="caution")
LIMITS = LimitSet("all", "all", (RANGE, TOP, WARNING, EXTRA))
NAN = float("nan")


def verdict_of(volume, pressure, auto_peep):
    outcomes = {
        "release_volume_per_kg": np.array([volume]),
        "end_high_pressure": np.array([pressure]),
        "auto_peep": np.array([auto_peep]),
    }
    judged = judge(LIMITS, outcomes)
    return VERDICTS[judged.verdict[0]], float(judged.margin[0]), int(judged.binding[0])


@pytest.mark.parametrize(
    ("case", "verdict", "margin", "binding"),
    [
        ((6.0, 18.0, 5.0), "safe", 0.4, 2),
        ((5.0, 15.0, 5.0), "safe", 0.25, 0),
        ((7.5, 15.0, 5.0), "safe", 0.125, 1),
        ((4.0, 15.0, 5.0), "safe", 0.0, 0),
        ((6.0, 27.0, 5.0), "caution", 0.1, 2),
        ((6.0, 15.0, 11.0), "caution", 0.5, 0),
        ((9.0, 15.0, 5.0), "unsafe", -0.25, 1),
        ((9.0, 36.0, 5.0), "unsafe", -0.25, 1),
        ((8.2, 36.0, 5.0), "unsafe", -0.2, 2),
    ],
)
def test_verdict_margin_and_binding_limit(case, verdict, margin, binding):
    found = verdict_of(*case)
    assert found[0] == verdict
    assert found[1] == pytest.approx(margin, abs=1e-14)  # rounding of numbers below one
    assert found[2] == binding


@pytest.mark.parametrize(
    ("case", "verdict"),
    [
        ((NAN, 15.0, 5.0), "undetermined"),
        ((NAN, 27.0, 5.0), "undetermined"),
        ((NAN, 36.0, 5.0), "unsafe"),
        ((6.0, 15.0, NAN), "undetermined"),
        ((6.0, 27.0, NAN), "caution"),
        ((9.0, 15.0, NAN), "unsafe"),
        ((NAN, NAN, NAN), "undetermined"),
    ],
)
def test_an_unknown_outcome_decides_only_where_no_known_one_does(case, verdict):
    assert verdict_of(*case)[0] == verdict


def test_an_undetermined_case_has_no_margin_and_no_binding_limit():
    _, margin, binding = verdict_of(NAN, 15.0, 5.0)
    assert np.isnan(margin)
    assert binding == NO_BOUND


def test_a_case_of_unknown_caution_keeps_its_margin():
    assert verdict_of(6.0, 15.0, NAN)[1:] == (0.5, 0)


def test_the_binding_limit_has_the_least_margin():
    rng = np.random.default_rng(0)
    outcomes = {
        name: rng.uniform(low, high, (50, 20))
        for name, low, high in (
            ("release_volume_per_kg", 2, 10),
            ("end_high_pressure", 15, 35),
            ("auto_peep", 0, 20),
        )
    }
    judged = judge(LIMITS, outcomes)
    margins = bound_margins(LIMITS.hard, outcomes)
    assert margins.shape == (3, 50, 20)
    np.testing.assert_array_equal(judged.binding, margins.argmin(axis=0))
    np.testing.assert_array_equal(judged.margin, margins.min(axis=0))


@pytest.mark.parametrize(
    ("limit", "scale"),
    [
        (RANGE, 4.0),
        (TOP, 30.0),
        (Limit("auto_peep", WHY, low=5.0), 5.0),
        (Limit("auto_peep", WHY, high=30.0, width=3.0), 3.0),
    ],
)
def test_a_margin_of_one_is_a_width(limit, scale):
    assert limit.scale == scale


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (dict(outcome="auto_peep", why=WHY), "needs low or high; got neither"),
        (dict(outcome="auto_peep", why="", low=1), "needs a source"),
        (dict(outcome="auto_peep", why=WHY, low=8.0, high=4.0), "low < high; got low 8, high 4"),
        (dict(outcome="auto_peep", why=WHY, low=4.0, high=4.0), "must have low < high"),
        (dict(outcome="auto_peep", why=WHY, low=NAN), "must be finite"),
        (dict(outcome="auto_peep", why=WHY, high=float("inf")), "must be finite"),
        (dict(outcome="auto_peep", why=WHY, low=0.0), "needs a width > 0"),
        (dict(outcome="auto_peep", why=WHY, low=1.0, width=-1.0), "needs a width > 0"),
        (dict(outcome="auto_peep", why=WHY, low=1.0, width=NAN), "needs a width > 0"),
    ],
)
def test_a_limit_that_cannot_be_meant_is_refused(arguments, text):
    with pytest.raises(EbbmapError, match=text):
        Limit(**arguments)


def test_a_set_without_a_hard_limit_cannot_judge():
    with pytest.raises(EbbmapError, match="has no hard limit"):
        judge(LimitSet("mild", "mild", (EXTRA,)), {"auto_peep": np.zeros(1)})


def test_joined_sets_keep_every_limit():
    both = combine("both", LIMIT_SETS["pressure"], LIMIT_SETS["volume"])
    assert both.limits == LIMIT_SETS["pressure"].limits + LIMIT_SETS["volume"].limits


def test_joining_refuses_to_bound_one_side_twice():
    again = LimitSet("again", "again", (Limit("end_high_pressure", WHY, high=28.0),))
    with pytest.raises(EbbmapError, match="end_high_pressure_high is set twice in 'both'"):
        combine("both", LIMIT_SETS["pressure"], again)


def test_joining_lets_a_caution_stand_beside_a_hard_limit():
    assert combine("auto_peep", LIMIT_SETS["auto_peep"]).caution[0].outcome == "auto_peep"


def test_the_two_rules_bound_different_outcomes():
    assert [LIMIT_SETS[rule].outcomes for rule in RULES] == [(rule,) for rule in RULES]


def test_a_limit_on_an_outcome_that_nobody_knows_is_refused_where_it_is_used():
    wrong = LimitSet("mine", "mine", (Limit("auto_pep", why=WHY, low=1.0),))
    with pytest.raises(EbbmapError, match="did you mean 'auto_peep'"):
        simulate(lung="linear", limits=wrong, outcomes=["flow_ratio"])
    with pytest.raises(EbbmapError, match=r"limit set 'mine'.*did you mean 'auto_peep'"):
        builtin().add(wrong)
