"""The closed form of the linear lung against integration of its equation of motion.

dV/dt = (airway pressure - V/C) / R, by scipy.integrate.solve_ivp (DOP853, relative error 1e-12).
"""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from ebbmap.lungs.linear import cycle, solve

CASES = 300

#: The integrator is asked for 1e-12; 1e-8 leaves room for what it sums up over its steps.
RELATIVE = 1e-8

#: Of the largest value: below it the integrator's own absolute error [mL] shows.
ABSOLUTE = 1e-10


def draw_cases(n=CASES):
    """Draw lungs and settings; phases last 1/100 of a time constant to 100 of them."""
    rng = np.random.default_rng(0)
    compliance, insp, exp = (rng.uniform(*r, n) for r in ((5, 200), (2, 60), (2, 60)))
    ratio = 10.0 ** rng.uniform(-2, 2, (2, n))
    return dict(
        p_high=rng.uniform(12, 45, n),
        p_low=rng.uniform(0, 11, n),
        t_high=ratio[0] * compliance * insp / 1000,
        t_low=ratio[1] * compliance * exp / 1000,
        compliance=compliance,
        resistance_insp=insp,
        resistance_exp=exp,
    )


def integrate(volume, pressure, duration, compliance, resistance):
    """Volume [mL], volume that passed the airway [mL] and mean alveolar pressure of one phase."""

    def slope(_, state):
        recoil = state.reshape(3, -1)[0] / compliance
        flow = (pressure - recoil) / resistance * 1000
        # time runs from 0 to 1, so that all cases share their steps
        return np.concatenate([flow * duration, flow * duration, recoil])

    start = np.concatenate([volume, np.zeros(2 * len(volume))])
    found = solve_ivp(slope, (0, 1), start, method="DOP853", rtol=1e-12, atol=1e-12)
    return found.y[:, -1].reshape(3, -1)


def one_cycle(start_pressure, case):
    """All outcomes of one cycle from a pressure, by integration."""
    compliance, insp, exp = (case[n] for n in ("compliance", "resistance_insp", "resistance_exp"))
    start = start_pressure * compliance
    full, inhaled, mean_high = integrate(start, case["p_high"], case["t_high"], compliance, insp)
    end, exhaled, mean_low = integrate(full, case["p_low"], case["t_low"], compliance, exp)
    whole = case["t_high"] + case["t_low"]
    return {
        "release_volume": -exhaled,
        "trapped_volume": end - case["p_low"] * compliance,
        "end_high_volume": full,
        "end_high_pressure": full / compliance,
        "end_release_pressure": end / compliance,
        "peak_expiratory_flow": (full / compliance - case["p_low"]) / exp,
        "end_release_flow": (end / compliance - case["p_low"]) / exp,
        "mean_alveolar_pressure": (mean_high * case["t_high"] + mean_low * case["t_low"]) / whole,
        "fill_fraction": inhaled / (case["p_high"] * compliance - start),
        "exhaled_fraction": -exhaled / (full - case["p_low"] * compliance),
        "time_constant_exp": compliance * exp / 1000,
    }


def assert_agree(found, integrated):
    assert set(found) == set(integrated)
    for name, expected in integrated.items():
        atol = ABSOLUTE * np.abs(expected).max()
        np.testing.assert_allclose(found[name], expected, RELATIVE, atol, err_msg=name)


def test_every_outcome_of_the_settled_cycle():
    case = draw_cases()
    settled = solve(**case)
    integrated = one_cycle(settled["end_release_pressure"], case)
    assert_agree(settled, integrated)


def test_every_outcome_of_a_first_cycle():
    case = draw_cases()
    start = np.linspace(0, 20, CASES)
    found, state = cycle(start, **case)
    assert_agree(found, one_cycle(start, case))
    np.testing.assert_array_equal(state, found["end_release_pressure"])


@pytest.mark.parametrize("start", [0.0, 60.0])
def test_integration_settles_at_the_closed_form_from_far_away(start):
    n = 5
    case = dict(
        p_high=np.full(n, 25.0),
        p_low=np.full(n, 3.0),
        t_high=np.linspace(0.5, 5, n),
        t_low=np.linspace(0.3, 1.5, n),
        compliance=np.linspace(30, 90, n),
        resistance_insp=np.linspace(8, 20, n),
        resistance_exp=np.linspace(10, 30, n),
    )
    pressure = np.full(n, start)
    for _ in range(30):  # each cycle forgets at least half of what the one before remembered
        integrated = one_cycle(pressure, case)
        pressure = integrated["end_release_pressure"]
    assert_agree(solve(**case), integrated)
