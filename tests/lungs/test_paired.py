"""The paired lung against its limits, the linear lung and the matrix exponential."""

import numpy as np
import pytest
from scipy.linalg import expm

from ebbmap.cases.evaluate import OK, evaluate, start_up
from ebbmap.errors import EbbmapError
from ebbmap.lungs import linear, paired
from ebbmap.lungs.base import SOLVED
from ebbmap.lungs.paired import PAIRED
from ebbmap.lungs.paired.modes import modes_of, passage
from ebbmap.registries.parameters import PARAMETERS


def draw(n, *, hard=False, seed=0):
    """Cases over the usual ranges, or over the hard bounds with every scale equally likely."""
    rng = np.random.default_rng(seed)
    cases = {}
    for name in PAIRED.parameters:
        entry = PARAMETERS[name]
        low, high = (entry.low, entry.high) if hard else (entry.usual_low, entry.usual_high)
        if hard and name not in ("p_high", "p_low"):
            cases[name] = np.exp(rng.uniform(np.log(low), np.log(high), n))
        else:
            cases[name] = rng.uniform(low, high, n)
    if hard:
        cases["p_low"] = np.minimum(40.0, cases["p_high"] * rng.uniform(0.0, 0.999, n))
    return cases


def settings(cases):
    return {name: cases[name] for name in ("p_high", "p_low", "t_high", "t_low")}


@pytest.mark.parametrize("shared", [0.001, 6.0, 1000.0])
def test_equal_compartments_are_the_linear_lung(shared):
    cases = draw(1000)
    cases["compliance_slow"] = cases["compliance_fast"]
    cases["resistance_slow"] = cases["resistance_fast"]
    cases["resistance_shared_insp"] = np.full(1000, shared)
    cases["resistance_shared_exp"] = np.full(1000, 2.0 * shared)
    half = 0.5 * cases["resistance_fast"]
    expected = linear.solve(
        **settings(cases),
        compliance=2.0 * cases["compliance_fast"],
        resistance_insp=shared + half,
        resistance_exp=2.0 * shared + half,
    )
    solved = paired.solve(**cases)
    for name in SOLVED:
        # required 1e-9; rounding leaves far less
        np.testing.assert_allclose(solved[name], expected[name], rtol=1e-9, err_msg=name)
    for name in ("auto_peep_fast", "auto_peep_slow"):
        expected_peep = expected["end_release_pressure"] - cases["p_low"]
        np.testing.assert_allclose(solved[name], expected_peep, rtol=1e-9, atol=1e-13)
    np.testing.assert_allclose(
        solved["slow_exhaled_fraction"], expected["exhaled_fraction"], rtol=1e-9
    )
    # no gas moves between equals: rounding of the pressures, relative to the release
    assert np.all(solved["pendelluft_volume"] <= 1e-12 * solved["release_volume"])


def test_without_a_shared_airway_each_compartment_is_a_linear_lung():
    cases = draw(500)
    cases["resistance_fast"] = np.full(500, 500.0)
    for name in ("resistance_shared_insp", "resistance_shared_exp"):
        cases[name] = np.full(500, 0.001)
    solved = paired.solve(**cases)
    for which in ("fast", "slow"):
        alone = linear.solve(
            **settings(cases),
            compliance=cases[f"compliance_{which}"],
            resistance_insp=cases[f"resistance_{which}"],
            resistance_exp=cases[f"resistance_{which}"],
        )
        # what is left of the shared airway: 0.001 / 50 of the resistance, times a few
        np.testing.assert_allclose(
            solved[f"trapped_volume_{which}"], alone["trapped_volume"], rtol=1e-3
        )
    assert np.all(solved["pendelluft_volume"] == 0.0)


def test_behind_a_narrow_shared_airway_both_compartments_move_as_one():
    cases = draw(500)
    for name in ("resistance_fast", "resistance_slow"):
        cases[name] = np.full(500, 0.01)
    for name in ("resistance_shared_insp", "resistance_shared_exp"):
        cases[name] = np.full(500, 500.0)
    cases["compliance_slow"] = cases["compliance_fast"] * 0.1
    one = linear.solve(
        **settings(cases),
        compliance=1.1 * cases["compliance_fast"],
        resistance_insp=500.0,
        resistance_exp=500.0,
    )
    solved = paired.solve(**cases)
    for name in SOLVED:
        # what is left of the own airways: 0.01 / 500
        np.testing.assert_allclose(solved[name], one[name], rtol=5e-5, err_msg=name)


def test_the_names_fast_and_slow_may_be_swapped():
    cases = draw(2000, hard=True, seed=4)
    swapped = {
        **cases,
        "compliance_fast": cases["compliance_slow"],
        "compliance_slow": cases["compliance_fast"],
        "resistance_fast": cases["resistance_slow"],
        "resistance_slow": cases["resistance_fast"],
    }
    here, there = paired.solve(**cases), paired.solve(**swapped)
    for name in (*SOLVED, "pendelluft_volume"):
        # pendelluft is a difference of pressures, so rounding counts relative to the release
        slack = 1e-9 * here["release_volume"] if name == "pendelluft_volume" else 0.0
        limit = 1e-9 * np.abs(here[name]) + slack
        assert np.all(np.abs(here[name] - there[name]) <= limit), name
    np.testing.assert_allclose(here["trapped_volume_fast"], there["trapped_volume_slow"], rtol=1e-9)


def test_a_phase_is_the_matrix_exponential():
    cases = draw(300, hard=True, seed=6)
    own = [
        cases[f"{what}_{which}"]
        for what in ("compliance", "resistance")
        for which in ("fast", "slow")
    ]
    airway = modes_of(*own, cases["resistance_shared_exp"])
    # a few time constants of the quick mode: beyond that expm itself loses the small entries
    duration = 3.0 / airway.quick_rate
    left = passage(airway, duration).left
    spent = passage(airway, duration).spent
    for i in range(300):
        c_fast, c_slow, r_fast, r_slow = (value[i] for value in own)
        shared = cases["resistance_shared_exp"][i]
        resistances = np.array([[r_fast + shared, shared], [shared, r_slow + shared]])
        rates = np.linalg.inv(resistances) / (np.array([[c_fast], [c_slow]]) / 1000.0)
        expected = expm(-rates * duration[i])
        # the inverse loses its condition (up to 1e6) in rounding; expm some 1e-13 by itself
        tolerance = 1e-14 * np.linalg.cond(resistances) + 1e-13
        scale = np.abs(expected).max()
        found = np.array([[left[0][i], left[1][i]], [left[2][i], left[3][i]]])
        np.testing.assert_allclose(found, expected, rtol=0.0, atol=tolerance * scale)
        lost = np.array([[spent[0][i], spent[1][i]], [spent[2][i], spent[3][i]]])
        np.testing.assert_allclose(lost, np.eye(2) - expected, rtol=0.0, atol=tolerance * scale)


def test_the_cycle_closes_and_gas_in_is_gas_out():
    cases = draw(5000, hard=True, seed=8)
    solved = paired.solve(**cases)
    state = paired.settle(**cases)
    again, end = paired.cycle(state, **cases)
    np.testing.assert_allclose(end[0], state[0], rtol=1e-9)
    np.testing.assert_allclose(end[1], state[1], rtol=1e-9)
    compliance = cases["compliance_fast"] + cases["compliance_slow"]
    taken = (
        solved["fill_fraction"] * compliance * (cases["p_high"] - solved["end_release_pressure"])
    )
    # 1e-9: what T high fills is a difference of pressures and may be 1e-6 of them
    np.testing.assert_allclose(taken, solved["release_volume"], rtol=1e-9)
    for name in ("release_volume", "peak_expiratory_flow", "mean_alveolar_pressure"):
        np.testing.assert_allclose(again[name], solved[name], rtol=1e-9, err_msg=name)


def test_pendelluft_is_the_gas_that_runs_against_the_phase():
    cases = draw(40, seed=9)
    cases["resistance_fast"] *= 0.3
    solved = paired.solve(**cases)
    state = paired.settle(**cases)
    share = np.linspace(0.0, 1.0, 40_001)
    expected = np.zeros(40)
    for i in range(40):
        case = {name: float(value[i]) for name, value in cases.items()}
        for start, length in ((0.0, case["t_high"]), (case["t_high"], case["t_low"])):
            times = start + length * share[:-1]
            drawn = paired.waveform((state[0][i], state[1][i]), times, **case)
            sign = 1.0 if start == 0.0 else -1.0
            for which in ("fast", "slow"):
                volume = case[f"compliance_{which}"] * drawn[f"alveolar_pressure_{which}"]
                expected[i] -= np.minimum(sign * np.diff(volume), 0.0).sum()
    assert (expected > 1e-3).sum() > 10
    # the grid misses the turn by one part in 40,000, where the volume is flat
    np.testing.assert_allclose(solved["pendelluft_volume"], expected, rtol=1e-6, atol=1e-9)


def released(cases, solved, which):
    """Pressure that a compartment loses in a release: the slow one's fraction tells both."""
    fraction = solved["slow_exhaled_fraction"]
    slow = solved["auto_peep_slow"] * fraction / (1.0 - fraction)
    if which == "slow":
        return slow
    slow_volume = cases["compliance_slow"] * slow
    return (solved["release_volume"] - slow_volume) / cases["compliance_fast"]


def test_pendelluft_needs_a_pressure_below_the_junction():
    cases = draw(5000, seed=10)
    solved = paired.solve(**cases)
    fast, slow = paired.settle(**cases)
    moves = np.zeros(5000, dtype=bool)
    for which in ("insp", "exp"):
        shared = cases[f"resistance_shared_{which}"]
        if which == "insp":
            fast, slow = cases["p_high"] - fast, cases["p_high"] - slow
        else:
            # what is above P low when the release starts
            fast = solved["auto_peep_fast"] + released(cases, solved, "fast")
            slow = solved["auto_peep_slow"] + released(cases, solved, "slow")
        # the flow of a compartment turns where its pressure is below that of the junction, which
        # without its flow is R_shared / (R_other + R_shared) of the other one's
        moves |= slow < fast * shared / (cases["resistance_fast"] + shared)
        moves |= fast < slow * shared / (cases["resistance_slow"] + shared)
    assert 100 < moves.sum() < 4900
    assert np.array_equal(solved["pendelluft_volume"] > 0.0, moves)


def test_a_shared_resistance_given_once_sets_both_ways():
    once = evaluate(PAIRED, {"resistance_shared": np.array([4.0, 9.0])}).outcomes
    both = evaluate(
        PAIRED,
        {
            "resistance_shared_insp": np.array([4.0, 9.0]),
            "resistance_shared_exp": np.array([4.0, 9.0]),
        },
    ).outcomes
    for name, value in once.items():
        assert np.array_equal(value, both[name]), name
    with pytest.raises(EbbmapError, match="resistance_shared_exp is given twice"):
        evaluate(
            PAIRED,
            {"resistance_shared": np.array(4.0), "resistance_shared_exp": np.array(5.0)},
            ("release_volume",),
        )


def test_every_legal_case_has_an_answer_and_one_agrees_with_many():
    cases = draw(20_000, hard=True, seed=11)
    result = evaluate(PAIRED, cases, PAIRED.solves)
    assert np.all(result.status == OK)
    assert all(np.all(np.isfinite(value)) for value in result.outcomes.values())
    for i in range(0, 20_000, 1000):
        one = paired.solve(**{name: float(value[i]) for name, value in cases.items()})
        for name, value in one.items():
            many = float(result.outcomes[name][i])
            # the array and the scalar exponential differ by rounding
            assert float(value) == pytest.approx(many, rel=1e-9, abs=1e-12), name


def test_the_start_up_runs_into_the_settled_cycle():
    first = start_up(PAIRED, draw(50, seed=2), start_pressure=5.0, cycles=400)
    settled = evaluate(PAIRED, draw(50, seed=2)).outcomes
    for name, value in settled.items():
        # rounding of the last cycle; pendelluft is a small difference of pressures
        slack = 1e-11 * settled["release_volume"].max() if name == "pendelluft_volume" else 0.0
        np.testing.assert_allclose(first[name][..., -1], value, rtol=1e-9, atol=slack, err_msg=name)


def test_a_start_at_p_high_moves_nothing_in():
    case = {name: PARAMETERS[name].default for name in PAIRED.parameters}
    outcomes, _ = paired.cycle(paired.rest(case["p_high"]), **case)
    assert float(outcomes["fill_fraction"]) == 0.0
    assert float(outcomes["end_high_pressure"]) == case["p_high"]
