"""Mechanical power against direct integration and against published formulas."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from ebbmap.cases.evaluate import evaluate
from ebbmap.exchange import load
from ebbmap.lungs import lung_model

# P high, P low, T high, T low, C, R_I, R_E: a settled normal, restrictive and obstructive lung,
# one with P low, and one that T high does not fill
CYCLES = [
    (25.0, 0.0, 5.0, 0.5, 55.0, 10.0, 12.0),
    (30.0, 0.0, 4.0, 0.3, 35.0, 10.0, 12.0),
    (25.0, 0.0, 5.0, 1.5, 60.0, 15.0, 25.0),
    (28.0, 5.0, 5.0, 0.5, 40.0, 12.0, 14.0),
    (20.0, 5.0, 0.5, 1.0, 60.0, 20.0, 20.0),
]
NAMES = ("p_high", "p_low", "t_high", "t_low", "compliance", "resistance_insp", "resistance_exp")


def integrate(airway_pressure, seconds, start, compliance, resistance, pieces=(0.0,)):
    """Drive one compartment; return volume [mL], work at the airway and in the recoil [J]."""
    state = [start, 0.0, 0.0]
    for begin, end in zip(pieces, (*pieces[1:], seconds), strict=True):

        def change(t, y):
            recoil = y[0] / compliance
            flow = 1000.0 * (airway_pressure(t) - recoil) / resistance
            # 98.0665 Pa per cmH2O, 1e-6 m3 per mL
            return [flow, airway_pressure(t) * flow * 98.0665e-6, recoil * flow * 98.0665e-6]

        state = solve_ivp(change, (begin, end), state, method="DOP853", rtol=1e-11, atol=1e-11).y[
            :, -1
        ]
    return state


@pytest.mark.parametrize("cycle", CYCLES)
def test_power_is_the_integral_of_pressure_over_volume(cycle):
    p_high, p_low, t_high, t_low, compliance, insp, exp = cycle
    found = evaluate(lung_model("linear"), dict(zip(NAMES, map(np.array, cycle), strict=True)))
    outcome = {name: float(value) for name, value in found.outcomes.items()}
    start = compliance * outcome["end_release_pressure"]
    volume, work, stored = integrate(lambda t: p_high, t_high, start, compliance, insp)
    back, returned, _ = integrate(lambda t: p_low, t_low, volume, compliance, exp)
    rate = 60.0 / (t_high + t_low)
    # settled: the cycle closes, to the integrator's tolerance
    assert back == pytest.approx(start, rel=1e-8)
    for name, expected in (
        ("mechanical_power", work * rate),
        ("mechanical_power_above_p_low", (work + returned) * rate),
        ("elastic_power", stored * rate),
        ("resistive_power", (work - stored) * rate),
    ):
        assert outcome[name] == pytest.approx(expected, rel=1e-7), name  # same tolerance


def test_integration_agrees_with_the_published_form_for_a_ramp():
    # The comprehensive form of Becher T et al., Intensive Care Med 2019;45:1321 (from memory), for
    # a pressure that rises in 0.2 s: so the integration above is checked against a paper too.
    compliance, resistance, step, peep, t_insp, t_slope, rate = 50.0, 10.0, 15.0, 5.0, 1.0, 0.2, 15
    start = compliance * peep
    volume, work, _ = integrate(
        lambda t: peep + step * min(t / t_slope, 1.0),
        t_insp,
        start,
        compliance,
        resistance,
        pieces=(0.0, t_slope),
    )
    x = compliance * resistance / 1000.0 / t_slope
    missing = step**2 * compliance * (0.5 - x + x**2 * (1.0 - np.exp(-1.0 / x)))
    formula = 0.098e-3 * rate * ((step + peep) * (volume - start) - missing)
    # 0.098 stands for 0.0980665
    assert work * rate * 0.098 / 0.0980665 == pytest.approx(formula, rel=1e-8)


def test_worked_example_of_pressure_control():
    # C 50, R 10, 15 above PEEP 5, 1 s, 15 /min from a lung at rest at PEEP: 648.5 mL; simplified
    # (Becher 2019, from memory) 19.07, van der Meijden 2019 (from memory) 17.13 J/min
    filled = -np.expm1(-1.0 / 0.5)
    volume = 50.0 * 15.0 * filled
    assert volume == pytest.approx(648.5, abs=0.05)
    assert load.mechanical_power_simplified(20.0, volume, 15.0) == pytest.approx(19.07, abs=0.01)
    assert load.mechanical_power_filling(20.0, 5.0, filled, volume, 15.0) == pytest.approx(
        17.13, abs=0.01
    )
    _, work, _ = integrate(lambda t: 20.0, 1.0, 250.0, 50.0, 10.0)
    # the simplified form is the integral, but for its constant (0.098 for 0.0980665)
    assert load.mechanical_power(20.0, volume, 15.0) == pytest.approx(work * 15.0, rel=1e-9)


def constant_flow_power(release_volume, release_rate, start, end, resistance, seconds):
    """Gattinoni L et al., Intensive Care Med 2016;42:1567: start + half the rise + R flow."""
    flow = release_volume / 1000.0 / seconds
    pressure = start + 0.5 * (end - start) + resistance * flow
    return 0.098e-3 * release_rate * release_volume * pressure


def test_worked_example_of_constant_flow():
    # VT 420 mL, elastance 28.57, R 12, I:E 1:3 at 15 /min (so 1 s), PEEP 10 -> 12.99 J/min, of
    # which our elastic part is all but the loss in the airways
    assert constant_flow_power(420.0, 15.0, 10.0, 22.0, 12.0, 1.0) == pytest.approx(
        12.99, abs=0.005
    )
    airways = 0.0980665e-3 * 15.0 * 420.0 * 12.0 * 0.42
    assert load.elastic_power(22.0, 10.0, 420.0, 15.0) + airways == pytest.approx(
        12.99 * 0.0980665 / 0.098, abs=0.005
    )


def test_surrogates_for_t_high_much_longer_than_t_low():
    cycle = (25.0, 0.0, 60.0, 0.5, 55.0, 10.0, 12.0)
    found = evaluate(lung_model("linear"), dict(zip(NAMES, map(np.array, cycle), strict=True)))
    outcome = {name: float(value) for name, value in found.outcomes.items()}
    exact = outcome["mechanical_power"]
    rounding = 0.098 / 0.0980665
    # the lung fills: both forms for pressure control are right, but for the constant
    assert outcome["mechanical_power_simplified"] == pytest.approx(exact * rounding)
    assert outcome["mechanical_power_filling"] == pytest.approx(exact * rounding)
    # constant flow would be 12 mL/s here: what it leaves of the airways' loss is under 1 %
    constant = constant_flow_power(
        outcome["release_volume"],
        outcome["release_rate"],
        outcome["end_release_pressure"],
        outcome["end_high_pressure"],
        10.0,
        60.0,
    )
    assert constant == pytest.approx(outcome["elastic_power"], rel=0.01)
    half_step = outcome["driving_pressure"] / (2.0 * 25.0)
    assert constant / exact == pytest.approx(1.0 - half_step, abs=0.01)
