import numpy as np
import pytest

from ebbmap.analyses.course import Course, find_course
from ebbmap.cases.question import Question
from ebbmap.cases.simulate import simulate
from ebbmap.registries.populations import POPULATIONS

BEFORE = {"p_high": 24.0, "p_low": 0.0, "t_high": 5.0, "t_low": 0.4}


QUESTION = Question(
    lung="linear",
    fixed=BEFORE,
    populations=(POPULATIONS["normal"], POPULATIONS["restrictive"]),
)


@pytest.fixture(scope="module")
def followed():
    return find_course(QUESTION, Course(change={"t_low": 0.6}, minutes=60.0))


def test_the_course_starts_at_the_balance_before(followed):
    np.testing.assert_allclose(followed["paco2"].isel(time=0), followed["paco2_start"], rtol=1e-12)


def test_balances_are_those_of_the_settled_cycles(followed):
    # as folded for this lung
    for group in QUESTION.populations:
        lung = {**group.median, **BEFORE}
        for which, t_low in (("paco2_start", 0.4), ("paco2_end", 0.6)):
            alone = simulate(lung="linear", outcomes=["paco2"], **{**lung, "t_low": t_low})
            assert float(followed[which].sel(population=group.name)) == float(alone["paco2"])


def test_it_moves_one_way_toward_the_new_balance_and_never_past_it(followed):
    assert (followed["paco2"].diff("time") < 0).all()
    assert (followed["paco2"] > followed["paco2_end"]).all()


def test_a_long_course_ends_at_the_new_balance():
    question = Question(lung="linear", fixed=BEFORE, populations=(POPULATIONS["normal"],))
    long = find_course(question, Course(change={"t_low": 0.6}, minutes=1440.0))
    # a day is more than fifty times the slower time constant
    np.testing.assert_allclose(long["paco2"].isel(time=-1), long["paco2_end"], rtol=1e-9)


def test_a_change_to_no_ventilation_has_a_course_but_no_end():
    question = Question(lung="linear", fixed=BEFORE | {"predicted_body_weight": 60.0})
    apnoea = find_course(question, Course(change={"t_low": 0.02}, minutes=5.0))
    assert np.isnan(apnoea["paco2_end"]).all()
    assert (apnoea["paco2"].diff("time") > 0).all()
