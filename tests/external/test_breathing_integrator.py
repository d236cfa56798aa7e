"""The breathing lung against scipy.integrate.solve_ivp on the bare circuit equations, with efforts.

The right-hand side shares nothing with the steps: Kirchhoff's laws at a junction (the circuit of
the whole lung's test), with the muscle pressure added to that of the airway. A long train of
cycles is run from rest at a rate that keeps no step with the ventilator; the gas that clears CO2
is followed through the dead space from the flow itself.
"""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from ebbmap.cases.evaluate import resolve
from ebbmap.lungs import lung_model
from ebbmap.lungs.breathing import BREATHING
from ebbmap.registries.parameters import PARAMETERS
from external.test_whole_integrator import Circuit, airway_pressure

#: Cycles that are left out until the lung has settled, and cycles whose mean is taken.
RUN_IN, COUNTED = 8, 34

#: Looks in a step of the reference.
LOOKS = 400

CASES = {
    "usual": {"effort_pressure": 8.0},
    "slow part and a bent tube": {
        "effort_pressure": 12.0,
        "slow_volume_share": 0.25,
        "resistance_quadratic": 8.0,
        "valve_time": 0.12,
        "t_low": 0.9,
    },
    "short T high": {"effort_pressure": 6.0, "t_high": 1.8, "t_low": 0.5, "effort_duration": 0.8},
    "limited flow": {
        "effort_pressure": 10.0,
        "resistance_exp": 18.0,
        "upstream_resistance": 35.0,
        "t_low": 1.2,
        "p_low": 3.0,
    },
}


def muscle(case, t):
    within = np.mod(t, 60.0 / case["effort_rate"])
    part = np.minimum(within / case["effort_duration"], 1.0)
    return case["effort_pressure"] * np.sin(np.pi * part)


def train(case):
    """Mean outcomes of many cycles, one after the other."""
    circuit = Circuit(case)
    wall, size = case["chest_wall_share"], case["airway_dead_space_per_kg"]
    size = size * case["predicted_body_weight"] + case["apparatus_dead_space"]
    pressures, airway, clock, fresh = np.full(2, case["p_low"]), case["p_low"], 0.0, 0.0
    rows = []
    for _ in range(RUN_IN + COUNTED):
        row = {"expired": 0.0, "washed": 0.0, "alveolar": 0.0, "lowest": np.inf, "highest": -np.inf}
        for target, duration in ((case["p_high"], case["t_high"]), (case["p_low"], case["t_low"])):

            def rate(t, y, start=airway, aim=target, begun=clock):
                outside = airway_pressure(case, start, aim, t) + muscle(case, begun + t)
                return circuit.flows(outside, y)[1] / circuit.c

            times = np.linspace(0.0, duration, LOOKS)
            done = solve_ivp(
                rate, (0.0, duration), pressures, t_eval=times, rtol=1e-8, atol=1e-9, max_step=0.02
            )
            volume = 1000.0 * circuit.c @ done.y
            effort = muscle(case, clock + times)
            recoil = np.array([circuit.alveoli(p)[1] for p in done.y.T])
            for moved in np.diff(volume):
                fresh += moved
                row["expired"] -= min(moved, 0.0)
                row["washed"] -= min(fresh, 0.0)
                fresh = min(max(fresh, 0.0), size)
            row["alveolar"] += np.trapezoid(recoil - effort, times)
            row["lowest"] = min(row["lowest"], (wall * recoil - effort).min())
            row["highest"] = max(row["highest"], (1.0 - wall) * recoil.max())
            if target == case["p_low"]:
                row["released"] = volume[0] - volume[-1]
            pressures, clock = done.y[:, -1], clock + duration
            airway = airway_pressure(case, airway, target, duration)
        rows.append(row)
    return {name: np.array([row[name] for row in rows[RUN_IN:]]) for name in rows[0]}


@pytest.mark.slow
@pytest.mark.parametrize("name", CASES)
def test_a_long_train_of_cycles_has_the_means(name):
    # a golden share of an effort from cycle to cycle: no two cycles keep step
    golden = 0.5 * (np.sqrt(5.0) - 1.0)
    given = {key: np.array(value) for key, value in CASES[name].items()}
    case = {key: float(value) for key, value in resolve(given, BREATHING.parameters).items()}
    period = case["t_high"] + case["t_low"]
    case["effort_rate"] = 60.0 * (max(round(period / 3.0), 1) + golden) / period
    ours = {key: float(value) for key, value in BREATHING.solve(**case).items()}
    found = train(case)
    # the mean of 34 golden steps is off by about 1/34 of what differs between cycles
    phase = {key: np.ptp(row) / COUNTED for key, row in found.items()}
    mean = {key: row.mean() for key, row in found.items()}
    # stated errors of steps and phases: volumes 0.5 %, own breaths and what they clear 2 %
    assert ours["release_volume"] == pytest.approx(
        mean["released"], rel=5e-3, abs=phase["released"]
    )
    assert ours["gas_beyond_dead_space"] == pytest.approx(
        mean["washed"], rel=2e-2, abs=phase["washed"]
    )
    own = mean["expired"] - mean["released"]
    share = ours["effort_share"]
    assert ours["release_volume"] * share / (1.0 - share) == pytest.approx(
        own, rel=2e-2, abs=phase["expired"]
    )
    # pressures: 0.05 cmH2O; extremes lie between the phases that are looked at
    alveolar = mean["alveolar"] / period
    assert ours["mean_alveolar_pressure"] == pytest.approx(
        alveolar, abs=0.05 + phase["alveolar"] / period
    )
    assert ours["peak_transpulmonary_pressure"] == pytest.approx(found["highest"].max(), abs=0.1)
    assert ours["lowest_pleural_pressure"] == pytest.approx(found["lowest"].min(), abs=0.5)


def test_the_stepped_lung_breathes_alike_where_both_hold():
    shared = {
        name: np.array(PARAMETERS[name].default)
        for name in set(BREATHING.parameters) & set(lung_model("stepped").parameters)
    }
    shared |= {
        "effort_pressure": np.array([4.0, 10.0]),
        "t_high": np.array(4.3),
        "t_low": np.array(0.7),
        "resistance_quadratic": np.array(5.0),
    }
    ours = BREATHING.solve(
        **resolve(shared | {"slow_volume_share": np.array(0.0)}, BREATHING.parameters)
    )
    stepped = lung_model("stepped")
    theirs = stepped.solve(**resolve(shared, stepped.parameters))
    for name, near in (
        ("release_volume", 3e-3),
        ("gas_beyond_dead_space", 1e-2),
        ("effort_share", 1e-2),
        ("mean_alveolar_pressure", 1e-3),
        ("mean_pleural_pressure", 5e-3),
        ("end_high_transpulmonary_pressure", 1e-3),
        ("end_high_pressure", 5e-3),
        ("end_release_pressure", 5e-3),
        ("transpulmonary_pressure_swing", 5e-3),
        ("peak_expiratory_flow", 5e-3),
    ):
        # stated errors of both, by quantity
        np.testing.assert_allclose(ours[name], theirs[name], rtol=near, err_msg=name)


def test_a_linear_lung_answers_a_sine_as_a_first_order_filter_does():
    # efforts that fill half of their period and none of the rest: the mean volume that muscles
    # hold is exactly compliance times their mean pressure, at any resistance
    given = {name: np.array(PARAMETERS[name].default) for name in BREATHING.parameters}
    given |= {
        "slow_volume_share": np.array(0.0),
        "resistance_quadratic": np.array(0.0),
        "valve_time": np.array(0.0),
        "resistance_insp": np.array([6.0, 20.0]),
        "resistance_exp": np.array([6.0, 20.0]),
        "t_low": np.array(1.0),
    }
    passive, active = (
        BREATHING.solve(**given | {"effort_pressure": np.array(p)}) for p in (0.0, 9.0)
    )
    muscle_mean = 9.0 * 2.0 / np.pi * 1.0 / 3.0
    np.testing.assert_allclose(active["mean_muscle_pressure"], muscle_mean, rtol=1e-6)
    # means of a linear equation: the gas is at the pressure that it is at without efforts
    np.testing.assert_allclose(
        active["mean_alveolar_pressure"], passive["mean_alveolar_pressure"], atol=0.02
    )
    held = 0.6 * (passive["mean_alveolar_pressure"] + muscle_mean)
    np.testing.assert_allclose(active["mean_transpulmonary_pressure"], held, atol=0.02)
    np.testing.assert_allclose(active["release_volume"], passive["release_volume"], rtol=2e-3)
