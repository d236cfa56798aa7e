"""The tube and paired lungs against scipy.integrate.solve_ivp on the bare circuit equations.

The right-hand sides below share nothing with the closed forms: they state Kirchhoff's laws. Each
cycle is integrated from the end-release state that the solver claims; every outcome of the cycle
is compared, and gas in with gas out. The latter proves the claimed state periodic however slowly
the cycle forgets. A few cases run to settling from far away.
"""

from math import exp, log

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from ebbmap.lungs import paired, tube
from ebbmap.lungs.paired import PAIRED
from ebbmap.lungs.tube import TUBE
from ebbmap.registries.parameters import PARAMETERS

CASES = 300

#: Demanded of every outcome. The integrator controls each step to 1e-12; over thousands of steps
#: that adds up to some 1e-9 of what little is trapped after a long release.
REQUIRED = 1e-8
INTEGRATOR = dict(method="LSODA", rtol=1e-12)


def draw(lung, rng, reference):
    """One case: usual in one third, else anywhere in the hard bounds on a logarithmic scale.

    Times run to 60 time constants there: beyond, what is trapped is below exp(-60) and the
    integrator, not the closed form, runs out of digits.
    """
    usual = rng.random() < 1 / 3
    case = {}
    for name in lung.parameters:
        entry = PARAMETERS[name]
        if usual:
            case[name] = rng.uniform(entry.usual_low, entry.usual_high)
        else:
            low = max(entry.low, 1e-6)
            case[name] = exp(rng.uniform(log(low), log(entry.high)))
    if not usual:
        case["p_low"] = min(40.0, case["p_high"] * rng.uniform(0.0, 0.99))
        for name, longest in zip(("t_high", "t_low"), reference(case), strict=True):
            entry = PARAMETERS[name]
            scaled = longest * exp(rng.uniform(log(1e-4), log(60.0)))
            case[name] = min(max(scaled, entry.low), entry.high, max(60.0 * longest, 1e-9))
    return case


# ---------------------------------------------------------------- one compartment, R Q + K Q^2


def tube_constants(case):
    c = case["compliance"] / 1000.0
    return c * case["resistance_insp"], c * case["resistance_exp"]


def integrate_tube(height, duration, c, r, k):
    """Flows at both ends, volume moved [L] and integral of the pressure across the airway.

    The state is ln(Q0 / Q), so that a flow that has all but stopped keeps its digits:
    d(R Q + K Q^2) / dt = -Q / C.
    """
    if k > 0.0:
        first = brentq(lambda q: r * q + k * q * q - height, 0.0, height / r, xtol=1e-300)
    else:
        first = height / r

    def rates(_, state):
        flow = first * exp(-state[0])
        return [
            1.0 / (c * (r + 2.0 * k * flow)),
            flow,
            r * flow + k * flow * flow,
        ]

    # no floor to the tolerance that matters: all three start at nought and only grow
    done = solve_ivp(rates, (0.0, duration), [0.0, 0.0, 0.0], atol=1e-25, **INTEGRATOR)
    assert done.success
    exponent, volume, across = done.y[:, -1]
    return first, first * exp(-exponent), volume, across


def integrate_tube_cycle(pressure, case):
    c, k = case["compliance"] / 1000.0, case["resistance_quadratic"]
    _, last_in, taken, across_in = integrate_tube(
        case["p_high"] - pressure, case["t_high"], c, case["resistance_insp"], k
    )
    height = case["p_high"] - case["p_low"] - (case["resistance_insp"] * last_in + k * last_in**2)
    first, last, released, across_out = integrate_tube(
        height, case["t_low"], c, case["resistance_exp"], k
    )
    trapped = case["resistance_exp"] * last + k * last**2
    whole = case["t_high"] + case["t_low"]
    set_mean = case["p_high"] * case["t_high"] + case["p_low"] * case["t_low"]
    return {
        "release_volume": 1000.0 * released,
        "trapped_volume": case["compliance"] * trapped,
        "end_high_volume": case["compliance"] * (case["p_low"] + height),
        "end_high_pressure": case["p_low"] + height,
        "end_release_pressure": case["p_low"] + trapped,
        "peak_expiratory_flow": first,
        "end_release_flow": last,
        "mean_alveolar_pressure": (set_mean - across_in + across_out) / whole,
        "fill_fraction": taken / (c * (case["p_high"] - pressure)),
        "exhaled_fraction": released / (c * height),
        "time_constant_exp": case["resistance_exp"] * c,
        "taken": 1000.0 * taken,
    }


def off(found, expected, floor=0.0):
    return abs(found - expected) / max(abs(expected), floor, 1e-290)


@pytest.mark.slow
def test_tube_agrees_with_the_integrator():
    rng = np.random.default_rng(20)
    worst = {}
    for _ in range(CASES):
        case = draw(TUBE, rng, tube_constants)
        solved = {name: float(value) for name, value in tube.solve(**case).items()}
        known = integrate_tube_cycle(solved["end_release_pressure"], case)
        taken = known.pop("taken")
        assert off(taken, known["release_volume"]) < REQUIRED, case
        for name, value in known.items():
            worst[name] = max(worst.get(name, 0.0), off(solved[name], value))
    assert max(worst.values()) < REQUIRED, worst


@pytest.mark.slow
def test_tube_is_where_the_integrator_settles_from_far_away():
    rng = np.random.default_rng(21)
    for _ in range(8):
        entries = {name: PARAMETERS[name] for name in TUBE.parameters}
        case = {n: rng.uniform(e.usual_low, e.usual_high) for n, e in entries.items()}
        pressure, before = case["p_low"], np.inf
        while abs(pressure - before) > 1e-11 * pressure:
            before = pressure
            known = integrate_tube_cycle(pressure, case)
            pressure = known["end_release_pressure"]
        solved = tube.solve(**case)
        for name in TUBE.solves:
            assert off(float(solved[name]), known[name]) < REQUIRED, (name, case)


# ------------------------------------------------------- two compartments, a shared airway


def paired_constants(case):
    """Longest time constant of each phase, nearly: the slower own one and the shared one."""
    both = (case["compliance_fast"] + case["compliance_slow"]) / 1000.0
    own = max(
        case[f"compliance_{which}"] * case[f"resistance_{which}"] / 1000.0
        for which in ("fast", "slow")
    )
    return tuple(max(own, both * case[f"resistance_shared_{way}"]) for way in ("insp", "exp"))


def integrate_paired(heights, duration, case, shared):
    """Heights, volumes moved [L], integrals of the heights, and gas against the phase [L].

    The junction's pressure follows from the currents that meet there.
    """
    c_fast, c_slow = case["compliance_fast"] / 1000.0, case["compliance_slow"] / 1000.0
    g_fast, g_slow = 1.0 / case["resistance_fast"], 1.0 / case["resistance_slow"]
    g_shared = 1.0 / shared

    def flows(fast, slow):
        junction = (g_fast * fast + g_slow * slow) / (g_fast + g_slow + g_shared)
        return g_fast * (fast - junction), g_slow * (slow - junction), g_shared * junction

    def rates(_, state):
        fast, slow = state[0], state[1]
        fast_flow, slow_flow, opening = flows(fast, slow)
        return [
            -fast_flow / c_fast,
            -slow_flow / c_slow,
            opening,
            slow_flow,
            (c_fast * fast + c_slow * slow) / (c_fast + c_slow),
            max(-fast_flow, 0.0) + max(-slow_flow, 0.0),
        ]

    floor = [1e-290, 1e-290, 1e-25, 1e-25, 1e-25, 1e-25]
    done = solve_ivp(
        rates, (0.0, duration), [*heights, 0.0, 0.0, 0.0, 0.0], atol=floor, **INTEGRATOR
    )
    assert done.success
    *ends, opening, slow, across, backwards = done.y[:, -1]
    return ends, opening, slow, across, backwards, flows(*heights)[2], flows(*ends)[2]


def integrate_paired_cycle(state, case):
    c = np.array([case["compliance_fast"], case["compliance_slow"]])
    drop = case["p_high"] - case["p_low"]
    opening = np.array([case["p_high"] - state[0], case["p_high"] - state[1]])
    unfilled, taken, _, across_in, back_in, _, _ = integrate_paired(
        opening, case["t_high"], case, case["resistance_shared_insp"]
    )
    heights = drop - np.array(unfilled)
    left, released, slow, across_out, back_out, first, last = integrate_paired(
        heights, case["t_low"], case, case["resistance_shared_exp"]
    )
    left = np.array(left)
    set_mean = case["p_high"] * case["t_high"] + case["p_low"] * case["t_low"]
    return {
        "release_volume": 1000.0 * released,
        "trapped_volume": c @ left,
        "end_high_volume": c.sum() * case["p_low"] + c @ heights,
        "end_high_pressure": case["p_low"] + c @ heights / c.sum(),
        "end_release_pressure": case["p_low"] + c @ left / c.sum(),
        "peak_expiratory_flow": first,
        "end_release_flow": last,
        "mean_alveolar_pressure": (set_mean - across_in + across_out)
        / (case["t_high"] + case["t_low"]),
        "fill_fraction": 1000.0 * taken / (c @ opening),
        "exhaled_fraction": 1000.0 * released / (c @ heights),
        "trapped_volume_fast": c[0] * left[0],
        "trapped_volume_slow": c[1] * left[1],
        "auto_peep_fast": left[0],
        "auto_peep_slow": left[1],
        "slow_exhaled_fraction": 1000.0 * slow / (c[1] * heights[1]),
        "pendelluft_volume": 1000.0 * (back_in + back_out),
        "taken": 1000.0 * taken,
    }


def compare_paired(solved, known, worst):
    for name, value in known.items():
        floor = 0.0
        if name == "pendelluft_volume":
            # a difference of pressures: relative to the gas that moves
            floor = known["release_volume"]
        if name == "slow_exhaled_fraction":
            # may pass through zero, where the slow compartment takes in as much as it lets out
            floor = 1e-3 * known["exhaled_fraction"]
        worst[name] = max(worst.get(name, 0.0), off(solved[name], value, floor))


@pytest.mark.slow
def test_paired_agrees_with_the_integrator():
    rng = np.random.default_rng(30)
    worst = {}
    moved = 0
    for _ in range(CASES):
        case = draw(PAIRED, rng, paired_constants)
        solved = {name: float(value) for name, value in paired.solve(**case).items()}
        known = integrate_paired_cycle(paired.settle(**case), case)
        taken = known.pop("taken")
        assert off(taken, known["release_volume"]) < REQUIRED, case
        compare_paired(solved, known, worst)
        moved += known["pendelluft_volume"] > 1e-6 * known["release_volume"]
    assert moved > 20
    assert max(worst.values()) < REQUIRED, worst


@pytest.mark.slow
def test_paired_is_where_the_integrator_settles_from_far_away():
    rng = np.random.default_rng(31)
    for _ in range(4):
        entries = {name: PARAMETERS[name] for name in PAIRED.parameters}
        case = {n: rng.uniform(e.usual_low, e.usual_high) for n, e in entries.items()}
        case["resistance_slow"] = rng.uniform(50.0, 300.0)  # so that it settles in tens of cycles
        state, before = (case["p_low"], case["p_low"]), (np.inf, np.inf)
        while max(abs(np.subtract(state, before))) > 1e-10 * min(case["p_high"], max(state)):
            before = state
            known = integrate_paired_cycle(state, case)
            state = (
                case["p_low"] + known["auto_peep_fast"],
                case["p_low"] + known["auto_peep_slow"],
            )
        known.pop("taken")
        worst = {}
        compare_paired({n: float(v) for n, v in paired.solve(**case).items()}, known, worst)
        assert max(worst.values()) < REQUIRED, (worst, case)


def test_the_mean_emptying_time_is_the_area_under_the_volume():
    case = {name: PARAMETERS[name].default for name in PAIRED.parameters}
    _, _, _, across, _, _, _ = integrate_paired(
        [1.0, 1.0], 400.0, case, case["resistance_shared_exp"]
    )
    # both compartments start at 1 cmH2O: the integral of the weighted pressure is the time
    assert float(paired.solve(**case)["time_constant_exp"]) == pytest.approx(across, rel=1e-9)
