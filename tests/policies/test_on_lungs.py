"""What the checker finds on lungs, against closed forms of the linear lung and the sources."""

from dataclasses import replace

import numpy as np
import pytest

from ebbmap.exchange.co2_stores import co2_stores_after
from ebbmap.files.bundled import bundled_studies
from ebbmap.files.policy import load_policy
from ebbmap.lungs import lung_model
from ebbmap.policies.body import Bodies, steady_own_breathing
from ebbmap.policies.check import check_rules
from ebbmap.policies.conditions import Box, Condition, Interval
from ebbmap.policies.findings import KINDS
from ebbmap.policies.language import Rule
from ebbmap.policies.on_lungs import (
    caps_before_goals,
    coarse_steps,
    groups_at_start,
    settle,
    unseen_answers,
    weaning_calls,
    window_widths,
)

POLICIES = bundled_studies() / "policies"


def linear(name, **changes):
    policy = load_policy(POLICIES / f"{name}.toml")
    protocol = replace(policy.protocol, lung=lung_model("linear"))
    return replace(policy, protocol=protocol, **changes)


@pytest.fixture(scope="module")
def teaching():
    policy = linear("teaching_series")
    bodies = Bodies(policy)
    return policy, bodies, groups_at_start(policy, bodies, 64)


@pytest.fixture(scope="module")
def textbook():
    policy = linear("textbook")
    bodies = Bodies(policy)
    return policy, bodies, groups_at_start(policy, bodies, 64)


def test_the_window_of_flow_is_that_of_the_closed_form(teaching):
    policy, bodies, starts = teaching
    for start in starts:
        tau = start.cohort.values["compliance"] * start.cohort.values["resistance_exp"] / 1000.0
        # from 0.05 to 3.6 s is tried
        inside = (-tau * np.log(0.5) < 3.4) & (-tau * np.log(0.75) > 0.06)
        cohort = start.cohort.part(inside)
        kept = settle(bodies, cohort, cohort.settings)
        width = window_widths(policy, bodies, kept, "t_low")["flow ratio 50 to 75 %"]
        # 48 places up to 3.6 s, edges taken as straight between two: a few per cent
        np.testing.assert_allclose(width, tau[inside] * np.log(1.5), rtol=0.05)


def test_a_step_of_a_tenth_of_a_second_is_too_coarse_for_the_teaching_series(teaching):
    (found,) = (
        one for one in coarse_steps(*teaching) if "Co2" in one.rules and "T low" in one.sentence
    )
    assert "T low 0.1 s at a time; the window of flow ratio 50 to 75 %" in found.sentence
    assert "restrictive" in found.sentence


def test_a_step_that_many_fit_into_is_not_too_coarse(teaching):
    policy, bodies, starts = teaching
    fine = Rule("fine", Condition((Box(),)), {"t_low": 0.001})
    assert not list(coarse_steps(replace(policy, rules=(fine,), wean=None), bodies, starts))


#: Frawley PM, Habashi NM, AACN Clin Issues 2001;12:234-246, as the textbook prints it: mean airway
#: pressure [cmH2O] of the nine rows, with P low 0 and T low 0.8 s.
PRINTED = (29.2, 28.0, 25.9, 24.4, 22.9, 20.6, 18.2, 16.7, 14.1)


def test_the_textbooks_table_has_the_mean_pressure_that_it_prints(textbook):
    policy, bodies, starts = textbook
    cohort = starts[1].cohort.part(slice(2))
    table = policy.wean.rows
    first = {name: np.full(2, column[0]) for name, column in table.items()}
    settings = {**cohort.settings, **first, "t_low": np.full(2, 0.8)}
    bodies = Bodies(policy, ("mean_airway_pressure",))
    for row, printed in enumerate(PRINTED):
        assert settings["p_high"][0] == table["p_high"][row]
        now = settle(bodies, cohort, settings).now["mean_airway_pressure"]
        # printed to a tenth
        np.testing.assert_allclose(now, printed, atol=0.05)
        settings = {**settings, **policy.wean.moved(settings)}
    assert settings["p_high"][0] == table["p_high"][-1]


def test_the_textbooks_weaning_calls_its_own_rule_for_co2(textbook):
    found = {one.rules[1]: one.sentence for one in weaning_calls(*textbook)}
    assert "PaCO₂ > 60 mmHg" in found["C3"]
    assert "moves T high back" in found["C3"]
    assert "PaCO₂ > 60 mmHg" in found["C2"]


def test_every_step_of_weaning_calls_the_rule_for_co2_in_more_patients_without_breathing():
    policy = linear("textbook")
    none = replace(policy.body, breathing=replace(policy.body.breathing, at_most=0.0))
    policy = replace(policy, body=none)
    bodies = Bodies(policy)
    starts = [one for one in groups_at_start(policy, bodies, 128) if one.name == "restrictive"]
    found = {one.rules[1]: one.sentence for one in weaning_calls(policy, bodies, starts)}
    # in the first rows nobody needs to be over 60 mmHg yet; from then on every step adds some
    assert int(found["C3"].rsplit("after ", 1)[1].split()[0]) >= 5


def test_a_cap_that_stops_short_is_found_and_one_that_does_not_is_not(textbook):
    policy, bodies, starts = textbook
    low = Condition((Box({"pao2": Interval(high=80.0)}),))
    tried = [one for one in starts if one.name == "obstructive"]
    shares = {}
    for most in (0.6, 1.0):
        rule = Rule("fio2", low, {"fio2": 0.1}, caps=Box({"fio2": Interval(high=most)}))
        changed = replace(policy, rules=(rule,), wean=None)
        found = list(caps_before_goals(changed, bodies, tried))
        shares[most] = found[0].shares["obstructive"] if found else 0.0
    # FiO2 starts at 0.6, so a cap there leaves everybody as they are
    assert shares[0.6] == 1.0
    assert shares[1.0] < 0.5


def test_a_gas_half_an_hour_after_the_guides_step_shows_too_little():
    policy = linear("hospital_guide")
    bodies = Bodies(policy)
    found = list(unseen_answers(policy, bodies, groups_at_start(policy, bodies, 32)))
    sentences = [one.sentence for one in found if one.rules == ("A2",)]
    assert any("A2 looks at PaCO₂ 30 min after a change" in one for one in sentences)


@pytest.mark.parametrize("name", ["textbook", "hospital_guide", "teaching_series"])
def test_every_finding_has_a_kind_and_its_groups(name):
    policy = linear(name)
    found = check_rules(policy, lungs=32)
    assert [KINDS.index(one.kind) for one in found] == sorted(
        KINDS.index(one.kind) for one in found
    )
    groups = {group.name for group in policy.protocol.groups}
    for one in found:
        assert set(one.shares) <= groups
        assert all(0.0 <= share <= 1.0 for share in one.shares.values())


def test_own_breathing_settles_where_both_curves_meet():
    rng = np.random.default_rng(5)
    released, made = rng.uniform(0.0, 6.0, 500), rng.uniform(120.0, 300.0, 500)
    numbers = {
        "slope": rng.uniform(0.0, 2.0, 500),
        "threshold": rng.uniform(38.0, 48.0, 500),
        "at_most": np.full(500, 3.0),
    }
    own = steady_own_breathing(released, made, **numbers)
    tension = 0.863 * made / np.maximum(released + own, 1e-12)
    wanted = np.clip(numbers["slope"] * (tension - numbers["threshold"]), 0.0, 3.0)
    # rounding of a root
    np.testing.assert_allclose(own, wanted, atol=1e-9)


def test_a_settled_body_stays_as_it_is(textbook):
    _, bodies, starts = textbook
    for start in starts:
        state = start.state
        for _ in range(30):
            state = bodies.after(1.0, start.solved, state, start.cohort.breathing)
        # nothing moves but by rounding
        for name in ("own", "paco2", "slow", "closed", "pao2"):
            np.testing.assert_allclose(
                getattr(state, name), getattr(start.state, name), rtol=1e-9, atol=1e-9
            )


def test_two_stores_follow_the_differential_equation():
    from scipy.integrate import solve_ivp

    stores = {"co2_store_fast": 65.0, "co2_store_slow": 130.0, "co2_store_exchange": 7.8}
    for ventilation in (0.0, 2.0, 6.0):

        def slope(_, p, ventilation=ventilation):
            moved = 7.8 * (p[1] - p[0])
            return [(200.0 - ventilation / 0.863 * p[0] + moved) / 65.0, -moved / 130.0]

        course = solve_ivp(slope, (0.0, 240.0), (70.0, 45.0), rtol=1e-10, atol=1e-10)
        fast, slow = np.array(70.0), np.array(45.0)
        for _ in range(24):
            fast, slow = co2_stores_after(10.0, fast, slow, np.array(ventilation), 200.0, **stores)
        # the solver's own tolerance
        np.testing.assert_allclose([fast, slow], course.y[:, -1], rtol=1e-7)


def test_a_rule_keeps_the_name_that_its_file_gives_it():
    # "co2" is a set of limits, which files may write in any case
    assert [rule.name for rule in load_policy(POLICIES / "teaching_series.toml").rules][2] == "Co2"
