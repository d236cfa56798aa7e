"""A disease that improves or worsens by a stated course."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from ebbmap.cases.evaluate import evaluate
from ebbmap.errors import StudyError
from ebbmap.files.policy import parse_policy
from ebbmap.policies.cohort import draw_cohort
from ebbmap.policies.minutes import DISEASE_STEP
from ebbmap.policies.simulate import Simulation
from ebbmap.registries.parameters import PARAMETERS

TEXT = (Path(__file__).parents[1] / "files" / "policy" / "small_policy.toml").read_text(
    encoding="utf-8"
)
COURSE = """
[[disease]]
parameter = "compliance"
hours = [0.0, 2.0, 4.0]
factors = [1.0, 0.5, 0.8]
source = "invented"
"""


def silent(text):
    """Return a policy without rules, so that only the disease moves anything."""
    return replace(parse_policy(text), rules=(), criteria=(), wean=None, weaned=None)


def copied(values):
    return {name: np.array(value) for name, value in values.items()}


def followed(policy, lungs=20):
    cohort = draw_cohort(policy, policy.protocol.groups[0], lungs)
    seen = []
    simulation = Simulation(policy, cohort)
    course = simulation.run(240, lambda _, now, __: seen.append(copied(now)))
    return cohort, seen, course


def test_every_hour_the_lung_is_the_patients_own_times_the_factor():
    policy = silent(TEXT + COURSE)
    cohort, seen, _ = followed(policy)
    assert DISEASE_STEP == 60
    for minute, factor in ((0, 1.0), (59, 1.0), (60, 0.75), (120, 0.5), (180, 0.65), (239, 0.65)):
        values = {**cohort.values, **cohort.settings}
        values["compliance"] = np.clip(
            cohort.values["compliance"] * factor,
            PARAMETERS["compliance"].low,
            PARAMETERS["compliance"].high,
        )
        by_hand = evaluate(policy.protocol.lung, values, ("flow_ratio",))
        np.testing.assert_allclose(
            seen[minute]["flow_ratio"], by_hand.outcomes["flow_ratio"], rtol=1e-12
        )


def test_stiffer_lungs_hold_more_co2_and_without_a_course_nothing_changes():
    _, worse, _ = followed(silent(TEXT + COURSE))
    _, same, _ = followed(silent(TEXT))
    _, level, _ = followed(silent(TEXT + COURSE.replace("0.5, 0.8", "1.0, 1.0")))
    assert (worse[-1]["paco2"] > same[-1]["paco2"]).all()
    for name in ("paco2", "flow_ratio"):
        np.testing.assert_array_equal(level[-1][name], same[-1][name])


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('"compliance"', '"t_low"', "t_low is a setting. Name a property of patients"),
        ('"compliance"', '"collapsible_share"', "bears on nothing that is measured or judged"),
        ("[0.0, 2.0, 4.0]", "[0.0, 2.0]", "must have one number for each hour"),
        ("[0.0, 2.0, 4.0]", "[0.0, 4.0, 2.0]", "must rise from 0"),
        ("[1.0, 0.5", "[0.9, 0.5", "must begin with 1"),
    ],
)
def test_a_course_that_cannot_be_followed_is_refused(old, new, words):
    with pytest.raises(StudyError, match=words):
        parse_policy(TEXT + COURSE.replace(old, new))
