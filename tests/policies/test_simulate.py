"""A policy minute by minute, against a loop written by hand, closed forms and algebra."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from ebbmap.errors import EbbmapError
from ebbmap.files.policy import parse_policy
from ebbmap.lungs import lung_model
from ebbmap.policies import body
from ebbmap.policies.cohort import Cohort, draw_cohort
from ebbmap.policies.language import MOVABLE, Reading
from ebbmap.policies.path import find_path, find_paths
from ebbmap.policies.physiology import Body, Breathing
from ebbmap.policies.readings import Chances, after_change, take, unmeasured
from ebbmap.policies.simulate import Simulation, courses
from ebbmap.policies.yields import find_yields, policy_holds
from ebbmap.registries.limits import Limit, LimitSet

SMALL = (Path(__file__).parents[1] / "files" / "policy" / "small_policy.toml").read_text(
    encoding="utf-8"
)
#: No wean, no criteria: rules alone.
RULES_ONLY = SMALL.replace("[wean]", "[wean]\ncap = ['p_high >= 24 cmH2O']").replace(
    "ph < 7.1", "ph < 1"
)

#: One lung by hand: mL/cmH2O, cmH2O s/L, mL, mL, share, mL/min.
C, R, AIRWAY, APPARATUS, DEAD, MADE = 40.0, 15.0, 140.0, 30.0, 0.3, 220.0
LUNG = {
    "compliance": C,
    "resistance_insp": R,
    "resistance_exp": R,
    "predicted_body_weight": 70.0,
    "airway_dead_space_per_kg": AIRWAY / 70.0,
    "apparatus_dead_space": APPARATUS,
    "alveolar_dead_space_share": DEAD,
    "co2_production": MADE,
    "shunt_baseline": 0.05,
}
SILENT = Body(Breathing(at_most=0.0), paco2_start=70.0)


def few(policy, lungs, hours):
    protocol = replace(policy.protocol, lungs=lungs)
    return replace(policy, protocol=protocol, hours=hours)


def linear(text=SMALL, **changes):
    policy = parse_policy(text)
    protocol = replace(policy.protocol, lung=lung_model("linear"))
    return replace(policy, protocol=protocol, **changes)


def one_lung(policy, **settings):
    start = {"p_high": 24.0, "p_low": 0.0, "t_high": 5.0, "t_low": 0.5, "fio2": 0.5, **settings}
    breathing = {"slope": 0.0, "threshold": 40.0, "at_most": 0.0}
    parts = ({n: np.array([v]) for n, v in part.items()} for part in (LUNG, start, breathing))
    return Cohort(policy.protocol.groups[0], *parts)


def ventilation_by_hand(p_high, t_high, t_low):
    """Alveolar ventilation of the linear lung at P low 0 [L/min], by its closed form."""
    tau = C * R / 1000.0
    empty, fill = math.exp(-t_low / tau), math.exp(-t_high / tau)
    volume = C * p_high * (1.0 - empty) * (1.0 - fill) / (1.0 - empty * fill)
    rate = 60.0 / (t_high + t_low)
    return rate * max(volume - AIRWAY - APPARATUS, 0.0) * (1.0 - DEAD) / 1000.0


def course_by_hand(minutes):
    """T low and CO2 in each minute: written out, solved by an integrator of its own.

    The rule: PaCO2 above 60 mmHg and pH below 7.3, measured at 30 min and every 4 h, and half an
    hour after a change; T low longer by 0.05 s, at most 1 s, again after 2 h.
    """
    tension, t_low = [70.0, 70.0], 0.5
    gas_due, ph_due, again, locked = 30.0, 240.0, 0.0, 0.0
    known_gas = known_ph = None
    unread, tensions, times = False, [], []
    for minute in range(minutes):
        tensions.append(tension[0])
        times.append(t_low)
        if gas_due <= minute:
            known_gas, gas_due, unread = tension[0], minute + 240.0, True
        if ph_due <= minute:
            bicarbonate = 24.0 + 0.1 * (tension[0] - 40.0)
            known_ph = 6.1 + math.log10(bicarbonate / (0.03 * tension[0]))
            ph_due, unread = minute + 240.0, True
        if minute and minute % 60 == 0:
            unread = True  # the flow, which no longer calls anything here
        if unread and locked <= minute:
            unread = False
            called = known_gas is not None and known_ph is not None
            if called and known_gas > 60.0 and known_ph < 7.3 and again <= minute and t_low < 1.0:
                t_low = round(t_low + 0.05, 9)
                locked, again, gas_due = minute + 45.0, minute + 120.0, minute + 30.0
        ventilation = ventilation_by_hand(24.0, 5.0, t_low)

        def slope(_, p, ventilation=ventilation):
            moved = 7.8 * (p[1] - p[0])
            return [(MADE - ventilation / 0.863 * p[0] + moved) / 65.0, -moved / 130.0]

        tension = list(solve_ivp(slope, (0.0, 1.0), tension, rtol=1e-9, atol=1e-9).y[:, -1])
    return np.array(tensions), np.array(times)


def test_one_lung_without_error_is_as_a_loop_written_by_hand():
    text = RULES_ONLY.replace('error = "0.05"\nround_to = "5 %"\n', "")
    policy = linear(text, body=SILENT)
    seen = []
    simulation = Simulation(policy, one_lung(policy))
    simulation.run(
        720,
        lambda _, now, bedside: seen.append((now["paco2"][0], bedside.hand.settings["t_low"][0])),
    )
    tensions, times = course_by_hand(720)
    found = np.array(seen)
    np.testing.assert_array_equal(found[:, 1], times)
    assert times[-1] > 0.6  # several changes were made
    # the integrator's own tolerance
    np.testing.assert_allclose(found[:, 0], tensions, rtol=1e-6)


def test_left_alone_co2_comes_to_the_closed_form():
    policy = replace(linear(body=SILENT), rules=(), wean=None, criteria=())
    simulation = Simulation(policy, one_lung(policy))
    simulation.run(60 * 40)
    expected = 0.863 * MADE / ventilation_by_hand(24.0, 5.0, 0.5)
    # after 40 h the slow store is settled to its own rounding
    np.testing.assert_allclose(simulation.ward.state.paco2, expected, rtol=1e-6)


ABSURD = SMALL.replace("paco2 > 60 mmHg and ph < 7.3", "always").replace(
    'cap = ["t_low <= 1 s"]\n', ""
)


def test_always_longer_fails_as_algebra_says():
    policy = linear(ABSURD.replace('again = "2 h"\n', ""), body=SILENT, wean=None, criteria=())
    limits = LimitSet("floor", "floor", (Limit("end_release_pressure", "invented", low=5.0),))
    rules = policy.rules[:1]
    policy = replace(policy, protocol=replace(policy.protocol, limits=limits), rules=rules)
    simulation, times = Simulation(policy, one_lung(policy)), []
    course = simulation.run(
        60 * 24, lambda _, __, bedside: times.append(bedside.hand.settings["t_low"][0])
    )
    tau, fill = C * R / 1000.0, math.exp(-5.0 / (C * R / 1000.0))
    # P high (1 - fill) e / (1 - e fill) = 5 for e = exp(-T low / tau)
    edge = -tau * math.log(5.0 / (24.0 * (1.0 - fill) + 5.0 * fill))
    before = np.array(times) <= edge
    assert before[0]
    assert not before[-1]
    np.testing.assert_array_equal(course.safe[:-1], before.astype(int))
    assert not policy_holds(find_yields(policy, [course]))
    # at each reading that a wait of 45 min does not shut out, one more step
    assert times[-1] > 1.5


def test_lungs_are_solved_only_where_settings_change(monkeypatch):
    policy = linear(body=SILENT)
    solved = []
    real = body.Bodies.solve

    def counted(self, patients, settings):
        solved.append(np.size(settings["p_high"]))
        return real(self, patients, settings)

    monkeypatch.setattr(body.Bodies, "solve", counted)
    cohort = draw_cohort(policy, policy.protocol.groups[0], 40)
    course = Simulation(policy, cohort).run(240)
    assert solved[0] == cohort.size
    assert sum(solved[1:]) == course.changes.sum()


def identical(one, other):
    assert one.changes.tobytes() == other.changes.tobytes()
    assert one.outside.tobytes() == other.outside.tobytes()
    assert one.beyond.tobytes() == other.beyond.tobytes()
    assert one.safe.tobytes() == other.safe.tobytes()


def test_the_same_seed_gives_the_same_bytes_and_another_does_not():
    policy = few(linear(), 64, 5)
    first, again = (list(courses(policy)) for _ in range(2))
    for one, other in zip(first, again, strict=True):
        identical(one, other)
    protocol = replace(policy.protocol, seed=1)
    (changed,) = courses(replace(policy, protocol=protocol))
    assert changed.outside.tobytes() != first[0].outside.tobytes()


def test_a_patient_does_not_depend_on_those_beside():
    policy = linear()
    cohort = draw_cohort(policy, policy.protocol.groups[0], 60)
    whole = Simulation(policy, cohort).run(300)
    part = Simulation(policy, cohort.part(slice(25))).run(300)
    np.testing.assert_array_equal(whole.changes[:25], part.changes)
    np.testing.assert_array_equal(whole.outside[:, :25], part.outside)


def taken(reading, n, key=(1, 2), numbers=None):
    """Return a function that takes one reading of n patients in a minute: who has a new value."""
    kept = [unmeasured((reading,), n)]
    numbers = np.arange(n) if numbers is None else numbers
    chances = Chances(np.array(key, np.uint32), numbers.astype(np.uint32))

    def take_at(minute, true):
        kept[0], fresh = take(
            (reading,), chances, minute, {reading.name: true}, np.ones(n, bool), kept[0]
        )
        return fresh

    return take_at, kept


def test_patients_have_errors_of_their_own_wherever_they_stand():
    reading, true = Reading("paco2", 10.0, error=1.0), np.full(5, 50.0)
    known = []
    for numbers in (np.arange(5), np.arange(5, 10), np.arange(5)[::-1]):
        take_at, kept = taken(reading, 5, numbers=numbers)
        take_at(10, true)
        known.append(kept[0].known["paco2"])
    assert not np.intersect1d(known[0], known[1]).size
    np.testing.assert_array_equal(known[0], known[2][::-1])


def test_readings_have_the_error_the_delay_and_the_rounding_that_they_say():
    n = 4000
    reading = Reading("pao2", 60.0, delay=10.0, error_share=0.05, round_to=1.0)
    take_at, kept = taken(reading, n, (3, 4))
    true = np.full(n, 70.0)
    assert not take_at(59, true).any()
    assert not take_at(60, true).any()
    assert np.isnan(kept[0].known["pao2"]).all()
    assert not take_at(69, true).any()
    assert take_at(70, true).all()
    known = kept[0].known["pao2"]
    assert np.array_equal(known, np.round(known))
    # four standard errors of a mean and of a standard deviation of 4000
    assert abs(known.mean() - 70.0) < 4.0 * reading.spread(70.0) / math.sqrt(n)
    assert abs(known.std() / reading.spread(70.0) - 1.0) < 4.0 / math.sqrt(2.0 * n)


def test_a_change_brings_the_next_gas_forward():
    reading = Reading("paco2", 240.0, after_change=30.0)
    take_at, kept = taken(reading, 2)
    true = np.array([50.0, 60.0])
    take_at(30, true)
    kept[0] = after_change((reading,), 100, np.array([False, True]), kept[0])
    assert take_at(130, true).tolist() == [False, True]
    assert take_at(270, true).tolist() == [True, False]


def test_patients_leave_when_a_criterion_has_held_for_its_time():
    text = SMALL.replace("ph < 7.1", "paco2 > 40 mmHg").replace(
        'lasting = "1 h"', 'lasting = "2 h"'
    )
    policy = replace(linear(text, body=SILENT), rules=(), wean=None)
    course = Simulation(policy, one_lung(policy)).run(400)
    # the first gas comes at 30 min
    assert course.in_mode[150] == 1
    assert course.in_mode[151] == 0
    assert course.left.tolist() == [0]
    found = find_yields(policy, [course])
    assert found["left_mode_share"].sel(group="all") == 1.0
    assert found["safe_share"].isel(hour=-1).max() == 0.0


def test_a_setting_moved_up_and_down_again_is_counted():
    text = SMALL.replace("paco2 > 60 mmHg and ph < 7.3", "t_low <= 0.5 s").replace(
        'when = "flow_ratio < 25 %"\nuntil = "flow_ratio >= 75 %"\nmove = ["t_low -0.1 s"]',
        'when = "t_low > 0.5 s"\nmove = ["t_low -0.05 s"]',
    )
    policy = replace(linear(text, body=SILENT), wean=None, criteria=())
    policy = replace(policy, rules=tuple(replace(r, again=0.0) for r in policy.rules[:2]))
    course = Simulation(policy, one_lung(policy)).run(60 * 10)
    assert course.changes[0] > 4
    # every change but the first turns T low back
    assert course.reversals[0] == course.changes[0] - 1
    slow = replace(policy, reversal=10.0)
    assert Simulation(slow, one_lung(slow)).run(60 * 10).reversals[0] == 0


def test_a_rule_at_its_cap_gives_way_to_the_next():
    text = SMALL.replace("paco2 > 60 mmHg and ph < 7.3", "always").replace(
        't_low <= 1 s"]', 't_low <= 0.6 s"]'
    )
    text = text.replace(
        'when = "flow_ratio < 25 %"\nuntil = "flow_ratio >= 75 %"', 'when = "always"'
    )
    text = text.replace('move = ["t_low -0.1 s"]', 'move = ["t_high -0.5 s"]')
    policy = replace(linear(text, body=SILENT), wean=None, criteria=())
    policy = replace(policy, rules=tuple(replace(r, again=0.0) for r in policy.rules[:2]))
    simulation = Simulation(policy, one_lung(policy))
    course = simulation.run(60 * 5)
    (longer, shorter), settings = course.fired, simulation.ward.bedside.hand.settings
    assert longer == 2
    assert settings["t_low"][0] == 0.6
    assert shorter >= 1
    assert settings["t_high"][0] == 5.0 - 0.5 * shorter


def test_everybody_is_the_groups_by_their_weights():
    policy = linear(
        SMALL.replace(
            'population = "restrictive"',
            'population = "restrictive"\n'
            'weight = 3.0\n\n[[groups]]\npopulation = "normal"\nweight = 1.0',
        )
    )
    found = find_yields(policy, courses(policy))
    assert found["group"].values.tolist() == ["restrictive", "normal", "all"]
    share = found["safe_share"].sel(hour=1)
    expected = 0.75 * share.sel(group="restrictive") + 0.25 * share.sel(group="normal")
    np.testing.assert_allclose(share.sel(group="all"), expected, rtol=1e-12)
    low, high = found["safe_share_interval"].sel(hour=1, group="all").values
    assert low <= share.sel(group="all") <= high
    assert found["hour"].values.tolist() == [1, 4]
    np.testing.assert_allclose(found["left_share"].sum("criterion"), found["left_mode_share"])
    # means of everybody, and their normal intervals, by hand
    by_group = [c.changes / (policy.hours / 24.0) for c in courses(policy)]
    mean = 0.75 * by_group[0].mean() + 0.25 * by_group[1].mean()
    error = math.hypot(0.75 * by_group[0].std(ddof=1) / 8.0, 0.25 * by_group[1].std(ddof=1) / 8.0)
    np.testing.assert_allclose(found["changes"].sel(group="all"), mean, rtol=1e-12)
    ends = found["changes_interval"].sel(group="all").values
    np.testing.assert_allclose(ends, [mean - 1.959964 * error, mean + 1.959964 * error], rtol=1e-6)


def test_the_path_of_a_patient_is_that_of_the_cohort():
    policy = linear()
    path = find_path(policy, "restrictive", 5)
    (course,) = courses(policy)
    moves = sum((np.diff(path[name].values) != 0.0).astype(int) for name in MOVABLE) > 0
    assert moves.sum() == course.changes[5]
    assert path["paco2"].attrs["units"] == path["paco2_read"].attrs["units"] == "mmHg"
    both = find_paths(policy, "restrictive", [9, 5])
    np.testing.assert_array_equal(both["paco2_read"].isel(patient=1), path["paco2_read"])
    np.testing.assert_array_equal(both["flow_ratio_read"].isel(patient=1), path["flow_ratio_read"])
    assert path["safe"].values[::60].tolist() == course.safe_at[:-1, 5].tolist()
    # the first gas comes at 30 min, without error or delay in this file
    assert np.isnan(path["paco2_read"][30])
    assert path["paco2_read"][31] == path["paco2"][30]
    with pytest.raises(EbbmapError, match="patient must be 0 to 63; got 64"):
        find_path(policy, "restrictive", 64)
    with pytest.raises(EbbmapError, match="did you mean 'restrictive'"):
        find_path(policy, "restrictiv", 0)
