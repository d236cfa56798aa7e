"""The linear lung against published tables; each source stands beside its check."""

import numpy as np
import pytest

from ebbmap.analyses.common.windows import search_windows
from ebbmap.cases.evaluate import evaluate
from ebbmap.lungs.linear import LINEAR, cycle
from ebbmap.registries.derivations import predicted_body_weight
from ebbmap.registries.limits import limit_set
from ebbmap.registries.outcomes.mechanics import mean_airway_pressure


def solve(**values):
    return {name: float(array) for name, array in evaluate(LINEAR, values).outcomes.items()}


@pytest.mark.parametrize(
    ("multiple", "percent"), [(1, 63.2), (2, 86.5), (3, 95.0), (4, 98.2), (5, 99.3), (0.693, 50.0)]
)
def test_share_emptied_after_time_constants(multiple, percent):
    """63, 86, 95, 98, 99 %: usual textbooks (Nunn, West, Pilbeam; from memory).

    Tolerance: half of the printed digit.
    """
    found = solve(t_low_in_time_constants=multiple)["exhaled_fraction"]
    assert 100 * found == pytest.approx(percent, abs=0.05)


@pytest.mark.parametrize(
    ("ratio", "multiple"),
    [(0.75, 0.2877), (0.50, 0.6931), (0.25, 1.3863), (0.10, 2.3026)],
)
@pytest.mark.parametrize("compliance", [20.0, 90.0])
def test_t_low_at_which_flow_has_fallen_to_a_share_of_its_peak(ratio, multiple, compliance):
    """-ln(ratio) time constants, whatever the lung; derived from the exponential.

    50 % is the rule of Zhou et al., Intensive Care Med 2017;43:1648; 25 % the floor of Habashi,
    Crit Care Med 2005;33(3 Suppl):S228. Tolerance: half of the last digit of the multiple.
    """
    found = solve(t_low_in_time_constants=multiple, compliance=compliance)["flow_ratio"]
    assert found == pytest.approx(ratio, abs=ratio * 5e-5)


@pytest.mark.parametrize(("multiple", "ratio"), [(0.5, 0.61), (1.0, 0.37), (1.5, 0.22)])
def test_share_of_the_peak_that_flows_after_a_multiple(multiple, ratio):
    """1.0 to 1.5 time constants leave 37 to 22 % of peak flow: Zhou 2017 protocol (from memory).

    Tolerance: half of the printed digit.
    """
    assert solve(t_low_in_time_constants=multiple)["flow_ratio"] == pytest.approx(ratio, abs=0.005)


@pytest.mark.parametrize(
    ("height", "sex", "by_cm", "by_inch"),
    [
        (152.4, 0, 45.50, 45.50),
        (162, 0, 54.24, 54.19),
        (170, 0, 61.52, 61.44),
        (165, 1, 61.47, 61.41),
        (175, 1, 70.57, 70.46),
        (185, 1, 79.67, 79.52),
    ],
)
def test_predicted_body_weight(height, sex, by_cm, by_inch):
    """50 or 45.5 + 0.91 (cm - 152.4): NIH ARDS Network; form analysed in BMC Pulm Med 2017.

    The older form, 2.3 kg per inch over 60, is 2.3/2.54 = 0.9055 per cm: it is lighter by up to
    0.15 kg at 185 cm. Ours is the centimetre form. Tolerance: half of the printed digit.
    """
    found = predicted_body_weight(height, sex)
    assert found == pytest.approx(by_cm, abs=0.0051)
    inch_form = 45.5 + 4.5 * sex + 2.3 * (height / 2.54 - 60)
    assert inch_form == pytest.approx(by_inch, abs=0.0051)
    assert found - inch_form == pytest.approx((0.91 - 2.3 / 2.54) * (height - 152.4), abs=1e-9)


def test_a_worked_tidal_volume():
    """A woman of 152 cm: 275 mL is "about 6 mL/kg" (teaching page); 275/45.1 = 6.1."""
    assert 275 / predicted_body_weight(152, 0) == pytest.approx(6, abs=0.15)


def test_mean_airway_pressure_is_weighted_by_time():
    """(P high T high + P low T low) / (T high + T low), as APRV teaching pages state it.

    The form (peak + PEEP)/2 of one page holds for equal times only: 12.5 instead of 22.7.
    """
    assert mean_airway_pressure(25.0, 0.0, 5.0, 0.5) == pytest.approx(22.7, abs=0.05)
    assert mean_airway_pressure(25.0, 0.0, 2.0, 2.0) == 12.5


@pytest.mark.parametrize(
    ("resistance", "compliance", "plateau", "last_digit", "peep"),
    [(5.0, 50.0, 13.0, 1.0, 0.0009), (21.0, 95.0, 9.78, 0.01, 2.936)],
    ids=["patient A", "patient B"],
)
def test_trapped_gas_of_a_published_simulation(resistance, compliance, plateau, last_digit, peep):
    """Plateau pressures 13 and 9.78 cmH2O: letter, Crit Care 2013 (cc12561), Table 1.

    Passive compartment, 0.65 L in volume control, 2.4 s of expiration to zero. Ours sets
    pressures, so P high is set to what lets out 0.65 L in 2.4 s from a lung filled to the full:
    the plateau of the letter is then our alveolar pressure at the end of T high, and its trapped
    pressure our auto-PEEP. Filling differs (its inflation has constant flow), emptying is the
    same. The trapped pressures are derived: (VT/C) e^(-TE/tau) / (1 - e^(-TE/tau)).
    """
    long_enough = 60.0  # 30 time constants of the slower lung: full to 1e-13
    lung = dict(compliance=compliance, resistance_insp=resistance, resistance_exp=resistance)
    settings = dict(p_low=0.0, t_high=long_enough, t_low=2.4)
    volume_per_pressure = solve(p_high=1.0, **settings, **lung)["release_volume"]
    found = solve(p_high=650.0 / volume_per_pressure, **settings, **lung)
    assert found["release_volume"] == pytest.approx(650, rel=1e-12)
    assert found["end_high_pressure"] == pytest.approx(plateau, abs=last_digit / 2)
    assert found["auto_peep"] == pytest.approx(peep, abs=6e-4 if peep > 1 else 6e-5)


def test_pressure_control_test_1_of_the_ventilator_standard():
    """ISO 80601-2-12:2020 pressure control, test 1: intended volume 500 mL (+/- 15 %).

    C 50 mL/hPa, R 5 hPa s/L, 20 /min, 1 s at 10 hPa above 5 hPa. The scale cancels in the
    volume, so hPa are put in as cmH2O. 490.7 mL is the derived value of a square wave; the
    15 % are from memory.
    """
    found = solve(
        p_high=15.0,
        p_low=5.0,
        t_high=1.0,
        t_low=2.0,
        compliance=50.0,
        resistance_insp=5.0,
        resistance_exp=5.0,
    )
    assert found["release_rate"] == pytest.approx(20)
    assert found["release_volume"] == pytest.approx(490.7, abs=0.05)  # printed digit
    assert found["release_volume"] == pytest.approx(500, rel=0.15)
    assert found["auto_peep"] == pytest.approx(0.003, abs=5e-4)


def test_the_standards_first_breath_is_a_first_cycle():
    """First breath of the same test from its baseline: 490.8 mL go in (derived)."""
    first, _ = cycle(
        5.0,
        p_high=15.0,
        p_low=5.0,
        t_high=1.0,
        t_low=2.0,
        compliance=50.0,
        resistance_insp=5.0,
        resistance_exp=5.0,
    )
    assert 50 * (first["end_high_pressure"] - 5) == pytest.approx(490.8, abs=0.05)


CLOCK = np.array([0.5, 1.0])

#: Time constants for which the whole clock range keeps the rule, and for which some of it does.
BY_RULE = {
    "flow_ratio": ((1.443, 1.738), (0.722, 3.476)),
    "exhaled_fraction": ((0.7213, 0.7213), (0.361, 1.443)),
}


def windows_by_time_constant(rule, tau):
    """Edges of the window of lungs with these time constants [s]."""
    compliance = 50.0
    lungs = {"compliance": compliance, "resistance_exp": 1000 * tau / compliance}
    found = search_windows("linear", lungs, limit_set(rule))
    # margins that rise or fall throughout leave one piece
    assert found.sizes["piece"] == 1
    return found["lower"].values[:, 0], found["upper"].values[:, 0]


@pytest.mark.parametrize("rule", BY_RULE)
def test_time_constants_for_which_rule_and_clock_hold_together(rule):
    """Common practice: "T low 0.5 to 1.0 s" and "50 to 75 %"; no source.

    Closed form: by flow ratio T low lies between 0.288 and 0.693 time constants, by exhaled
    fraction between 0.693 and 1.386. The whole clock range keeps the first rule for time
    constants of 1.44 to 1.74 s only, obstructive lungs; the second for 0.72 s alone.
    """
    (whole_low, whole_high), (some_low, some_high) = BY_RULE[rule]
    step = 1e-3
    near = np.concatenate(
        [t + step * np.array([-1.0, 1.0]) for t in (whole_low, whole_high, some_low, some_high)]
    )
    lower, upper = windows_by_time_constant(rule, near)
    whole = (lower <= CLOCK[0]) & (CLOCK[1] <= upper)
    some = (lower <= CLOCK[1]) & (CLOCK[0] <= upper)
    inside = [False, True, True, False] if whole_high > whole_low else [False] * 4
    assert whole[:4].tolist() == inside
    assert some[4:].tolist() == [False, True, True, False]


@pytest.mark.parametrize("rule", BY_RULE)
def test_the_bands_follow_the_closed_form(rule):
    tau = np.geomspace(0.1, 4, 60)
    low, high = limit_set(rule).hard
    left = [high.value, low.value] if rule == "flow_ratio" else [1 - low.value, 1 - high.value]
    for found, share in zip(windows_by_time_constant(rule, tau), left, strict=True):
        np.testing.assert_allclose(found, -tau * np.log(share), rtol=1e-9)  # as the search states


def test_the_exhaled_fraction_keeps_the_whole_clock_range_at_one_time_constant_only():
    tau = 0.5 / np.log(2)
    lower, upper = windows_by_time_constant("exhaled_fraction", np.array([tau]))
    # both ends meet the clock range at once: to rounding of the root-finder
    np.testing.assert_allclose([lower[0], upper[0]], CLOCK, rtol=1e-9)
    assert tau == pytest.approx(0.7213, abs=5e-5)
