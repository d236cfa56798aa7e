from decimal import Decimal, localcontext

import numpy as np
import pytest

from ebbmap.cases.evaluate import evaluate
from ebbmap.lungs.base import SOLVED
from ebbmap.lungs.linear import LINEAR, cycle, rest, solve

SETTINGS = dict(p_high=25.0, p_low=0.0, t_high=5.0)
LUNG = dict(compliance=60.0, resistance_insp=15.0, resistance_exp=25.0)

#: Closed form by hand, P high 25, P low 0, T high 5 s:
#: C, R_I, R_E, T low, release mL, auto-PEEP, flow ratio, rate, minute volume, mean pressure.
REFERENCE = [
    (55, 10, 12, 0.3, 502.2, 15.868, 0.635, 11.32, 5.685, 23.585),
    (55, 10, 12, 0.5, 730.4, 11.719, 0.469, 10.91, 7.967, 22.727),
    (55, 10, 12, 0.8, 965.8, 7.439, 0.298, 10.34, 9.991, 21.552),
    (35, 10, 12, 0.3, 446.7, 12.239, 0.490, 11.32, 5.056, 23.585),
    (35, 10, 12, 0.5, 608.9, 7.602, 0.304, 10.91, 6.643, 22.727),
    (35, 10, 12, 0.8, 744.7, 3.721, 0.149, 10.34, 7.704, 21.552),
    (60, 15, 25, 0.3, 271.7, 20.454, 0.819, 11.32, 3.076, 23.585),
    (60, 15, 25, 0.5, 424.7, 17.894, 0.717, 10.91, 4.633, 22.727),
    (60, 15, 25, 1.5, 945.9, 9.174, 0.368, 9.23, 8.731, 19.231),
]
COLUMNS = {
    "release_volume": 0.05,
    "auto_peep": 5e-4,
    "flow_ratio": 5e-4,
    "release_rate": 5e-3,
    "release_minute_volume": 5e-4,
    "mean_airway_pressure": 5e-4,
}


@pytest.fixture
def cases():
    """Draw a thousand lungs and settings over the usual ranges."""
    rng = np.random.default_rng(0)
    ranges = dict(
        p_high=(15, 35),
        p_low=(0, 10),
        t_high=(1, 8),
        t_low=(0.2, 2),
        compliance=(15, 110),
        resistance_insp=(5, 40),
        resistance_exp=(5, 60),
    )
    return {name: rng.uniform(*bounds, 1000) for name, bounds in ranges.items()}


@pytest.mark.parametrize("row", REFERENCE, ids=str)
def test_reference_points(row):
    compliance, insp, exp, t_low, *expected = row
    lung = dict(compliance=compliance, resistance_insp=insp, resistance_exp=exp, t_low=t_low)
    found = evaluate(LINEAR, {**SETTINGS, **lung}, tuple(COLUMNS)).outcomes
    for (name, half_digit), value in zip(COLUMNS.items(), expected, strict=True):
        # half of the last printed digit, and rounding of that half itself
        assert found[name] == pytest.approx(value, rel=1e-12, abs=half_digit), name


def test_a_full_lung_releases_the_textbook_volume():
    setting = dict(p_high=25.0, p_low=0.0, t_high=1e3, t_low=0.5)
    settled = solve(**setting, compliance=50.0, resistance_insp=10.0, resistance_exp=10.0)
    assert settled["release_volume"] == pytest.approx(50 * 25 * (1 - np.exp(-1)), rel=1e-14)


def test_an_endless_release_empties_the_lung():
    settled = solve(**SETTINGS, t_low=1e5, **LUNG)
    assert settled["end_release_pressure"] == settled["end_release_flow"] == 0
    assert settled["exhaled_fraction"] == 1
    full = 60 * 25 * -np.expm1(-5 / 0.9)
    assert settled["release_volume"] == pytest.approx(full, rel=1e-14)


def test_a_vanishing_release_leaves_the_lung_at_p_high():
    settled = solve(**SETTINGS, t_low=1e-9, **LUNG)
    assert settled["end_release_pressure"] == pytest.approx(25, rel=1e-8)
    assert settled["mean_alveolar_pressure"] == pytest.approx(25, rel=1e-8)
    # flow at the start of the release, 25 / 25 L/s, for a nanosecond
    assert settled["release_volume"] == pytest.approx(1000 * 1e-9, rel=1e-8)


@pytest.mark.parametrize("high", [1e-6, 1.0, 1e4])
@pytest.mark.parametrize("low", [1e-6, 1.0, 1e4])
def test_no_digit_is_lost_in_very_short_and_very_long_phases(high, low):
    """The textbook form in 60 decimal digits, on the same binary inputs."""
    case = dict(p_high=25.0, p_low=0.0, t_high=high * 0.9, t_low=low * 1.5, **LUNG)
    settled = solve(**case)
    with localcontext() as context:
        context.prec = 60
        d = {name: Decimal(value) for name, value in case.items()}
        tau_exp, tau_insp = (
            d["compliance"] * d[r] / 1000 for r in ("resistance_exp", "resistance_insp")
        )
        a, b = (-d["t_high"] / tau_insp).exp(), (-d["t_low"] / tau_exp).exp()
        top = d["p_high"] * (1 - a) / (1 - a * b)
        expected = {
            "end_high_pressure": top,
            "end_release_pressure": top * b,
            "release_volume": d["compliance"] * top * (1 - b),
            "trapped_volume": d["compliance"] * top * b,
            "peak_expiratory_flow": top / d["resistance_exp"],
            "end_release_flow": top * b / d["resistance_exp"],
            "exhaled_fraction": 1 - b,
            "fill_fraction": 1 - a,
        }
        expected = {name: float(value) for name, value in expected.items()}
    for name, value in expected.items():
        # a handful of roundings; what lies below the least double is zero in both
        assert settled[name] == pytest.approx(value, rel=2e-15, abs=0), name


@pytest.mark.parametrize("factor", [0.5, 2.0])
def test_volumes_and_flows_scale_with_both_pressures(cases, factor):
    scaled = {**cases, "p_high": cases["p_high"] * factor, "p_low": cases["p_low"] * factor}
    base, found = solve(**cases), solve(**scaled)
    pure = {"fill_fraction", "exhaled_fraction", "time_constant_exp"}
    for name in SOLVED:
        # powers of two: the scaling is exact
        np.testing.assert_array_equal(found[name], base[name] * (1 if name in pure else factor))


def test_a_common_rise_of_both_pressures_moves_no_more_gas(cases):
    raised = {**cases, "p_high": cases["p_high"] + 8, "p_low": cases["p_low"] + 8}
    base, found = solve(**cases), solve(**raised)
    # rounding of the difference of the raised pressures
    np.testing.assert_allclose(found["release_volume"], base["release_volume"], rtol=1e-13)
    np.testing.assert_allclose(
        found["end_release_pressure"], base["end_release_pressure"] + 8, rtol=1e-13
    )


def test_volume_in_equals_volume_out(cases):
    settled = solve(**cases)
    room = cases["compliance"] * (cases["p_high"] - settled["end_release_pressure"])
    # rounding, magnified where the lung is nearly at P high all the time
    np.testing.assert_allclose(
        settled["fill_fraction"] * room, settled["release_volume"], rtol=1e-11
    )


def test_flow_ratio_and_exhaled_fraction_add_up_to_one(cases):
    names = ("flow_ratio", "exhaled_fraction")
    found = evaluate(LINEAR, cases, names).outcomes
    # two roundings of numbers below one
    np.testing.assert_allclose(found["flow_ratio"] + found["exhaled_fraction"], 1, atol=5e-16)


@pytest.mark.parametrize("start", [0.0, 5.0, 40.0])
def test_first_cycles_approach_the_settled_state_from_one_side(start):
    case = dict(**SETTINGS, t_low=0.5, compliance=90.0, resistance_insp=40.0, resistance_exp=50.0)
    settled = solve(**case)["end_release_pressure"]
    state, away = rest(start, **case), []
    for _ in range(12):
        away.append(state - settled)
        _, state = cycle(state, **case)
    assert (np.sign(away) == np.sign(away[0])).all()
    # each cycle keeps exp(-T_high/tau_I) exp(-T_low/tau_E) of the distance
    kept = np.exp(-5 / 3.6) * np.exp(-0.5 / 4.5)
    np.testing.assert_allclose(np.divide(away[1:], away[:-1]), kept, rtol=1e-7)


def test_a_cycle_from_the_settled_state_returns_it(cases):
    settled = solve(**cases)
    found, state = cycle(settled["end_release_pressure"], **cases)
    for name in SOLVED:
        np.testing.assert_allclose(found[name], settled[name], rtol=1e-12, err_msg=name)
    np.testing.assert_array_equal(state, found["end_release_pressure"])


def test_one_case_and_many_agree(cases):
    many = solve(**cases)
    for i in range(0, 1000, 97):
        one = solve(**{name: float(values[i]) for name, values in cases.items()})
        for name in SOLVED:
            # vectorised exponentials may round the last digit another way
            assert one[name] == pytest.approx(many[name][i], rel=1e-14), name
