import numpy as np
import pytest

from ebbmap.cases.question import Question, draw_cases
from ebbmap.registries.limits import LIMIT_SETS
from ebbmap.registries.populations import POPULATIONS, Marginal

GROUP = POPULATIONS["restrictive"]
T_LOW = Marginal("uniform", 0.3, 0.9, "invented")
AXIS = np.array([0.3, 0.5, 0.8])


def question(**changes):
    return Question(**({"populations": (GROUP,), "lungs": 6, "seed": 0} | changes))


def test_fixed_values_axes_and_lungs_have_their_own_dimensions():
    values = draw_cases(question(fixed={"p_high": 24.0}), GROUP, {"t_low": AXIS})
    assert values["p_high"].dims == ()
    assert values["t_low"].dims == ("t_low",)
    drawn = [name for name in GROUP.properties if name in values]
    assert {values[name].dims for name in drawn} == {("sample",)}


def test_only_what_the_lung_uses_is_drawn():
    linear = draw_cases(question(lung="linear"), GROUP, {})
    paired = draw_cases(question(lung="paired"), GROUP, {})
    assert set(paired) - set(linear) == {"slow_volume_share", "time_constant_slow"}


@pytest.mark.parametrize("held", [{"compliance": 30.0}, {"chest_wall_share": 0.2}])
def test_a_fixed_property_is_held_and_the_others_are_drawn_given_it(held):
    values = draw_cases(question(fixed=held, lungs=2000), GROUP, {})
    ((name, value),) = held.items()
    assert float(values[name]) == value
    free = draw_cases(question(lungs=2000), GROUP, {})
    linked = "predicted_body_weight" if name == "compliance" else "compliance"
    assert float(values[linked].mean()) < float(free[linked].mean())


def test_a_property_on_an_axis_has_a_row_of_lungs_for_each_value():
    axes = {"compliance": np.array([20.0, 40.0, 60.0]), "t_low": AXIS}
    values = draw_cases(question(), GROUP, axes)
    assert values["compliance"].dims == ("compliance",)
    assert values["predicted_body_weight"].sizes == {"compliance": 3, "sample": 6}


def test_a_share_of_zero_can_be_held():
    values = draw_cases(question(fixed={"chest_wall_share": 0.0}), GROUP, {})
    assert np.isfinite(values["compliance"]).all()


def test_samples_vary_independently_of_the_lungs():
    asked = question(samples={"t_low": T_LOW}, lungs=5000)
    values = draw_cases(asked, GROUP, {})
    assert 0.3 <= float(values["t_low"].min()) < float(values["t_low"].max()) <= 0.9
    correlation = np.corrcoef(values["t_low"], values["compliance"])[0, 1]
    assert abs(correlation) < 5 / np.sqrt(5000)  # five standard errors


def test_the_same_lungs_are_drawn_whatever_else_is_asked():
    plain = draw_cases(question(), GROUP, {})
    more = draw_cases(question(samples={"t_low": T_LOW}), GROUP, {"p_high": np.array([20.0, 24.0])})
    np.testing.assert_array_equal(plain["compliance"], more["compliance"])


@pytest.mark.parametrize("seed", [0, 1])
def test_a_seed_gives_its_lungs_again(seed):
    one, again, other = (
        draw_cases(question(seed=s), GROUP, {})["compliance"] for s in (seed, seed, seed + 1)
    )
    np.testing.assert_array_equal(one, again)
    assert (one != other).all()


def test_without_lungs_and_samples_there_is_no_sample():
    values = draw_cases(question(populations=(), fixed={"p_high": 24.0}), None, {"t_low": AXIS})
    assert set(values) == {"p_high", "t_low"}


def test_a_question_needs_the_outcomes_of_all_its_rules():
    rules = {name: LIMIT_SETS[name] for name in ("flow_ratio", "pressure")}
    assert question(rules=rules).outcomes == ("flow_ratio", "end_high_pressure", "driving_pressure")


def test_a_question_without_populations_has_one_nameless_group():
    assert question(populations=()).groups() == (None,)
