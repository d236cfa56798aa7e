"""The tube lung against its own physics, its limits and the linear lung."""

import numpy as np
import pytest

from ebbmap.cases.evaluate import NOT_CONVERGED, OK, OUT_OF_DOMAIN, evaluate, start_up
from ebbmap.lungs import linear, tube
from ebbmap.lungs.tube import TUBE, settling
from ebbmap.registries.parameters import PARAMETERS


def draw(n, *, hard=False, seed=0):
    """Cases over the usual ranges, or over the hard bounds with every scale equally likely."""
    rng = np.random.default_rng(seed)
    cases = {}
    for name in TUBE.parameters:
        entry = PARAMETERS[name]
        low, high = (entry.low, entry.high) if hard else (entry.usual_low, entry.usual_high)
        if hard and name not in ("p_high", "p_low"):
            cases[name] = np.exp(rng.uniform(np.log(max(low, 1e-9)), np.log(high), n))
        else:
            cases[name] = rng.uniform(low, high, n)
    if hard:
        cases["p_low"] = np.minimum(40.0, cases["p_high"] * rng.uniform(0.0, 0.999, n))
    return cases


def linear_part(cases):
    return {name: value for name, value in cases.items() if name != "resistance_quadratic"}


def test_without_the_quadratic_part_it_is_the_linear_lung():
    cases = {**draw(2000), "resistance_quadratic": np.zeros(2000)}
    expected = linear.solve(**linear_part(cases))
    for name, value in tube.solve(**cases).items():
        # rounding of a few operations; tiny trapped volumes carry that of exp(-T)
        np.testing.assert_allclose(value, expected[name], rtol=1e-13, err_msg=name)


def test_a_vanishing_quadratic_part_goes_over_into_the_linear_lung():
    cases = draw(2000)
    expected = linear.solve(**linear_part(cases))
    for k in (1e-12, 1e-15, 5e-324):
        solved = tube.solve(**{**cases, "resistance_quadratic": np.full(2000, k)})
        for name, value in solved.items():
            # the true difference is of the order of K Q / R, here below 1e-11
            np.testing.assert_allclose(value, expected[name], rtol=1e-9, err_msg=name)


def test_accuracy_does_not_jump_as_the_quadratic_part_grows():
    cases = draw(500)
    slopes = []
    for k in (1e-5, 1e-6, 1e-7):
        with_k = tube.solve(**{**cases, "resistance_quadratic": np.full(500, k)})
        without = tube.solve(**{**cases, "resistance_quadratic": np.zeros(500)})
        slopes.append((with_k["release_volume"] - without["release_volume"]) / k)
    # the derivative with K; second order leaves 1e-5, rounding 1e-16 / (1e-7 K effect) = 1e-8
    scale = np.abs(slopes[2]).max()
    np.testing.assert_allclose(slopes[0], slopes[2], atol=1e-5 * scale)
    np.testing.assert_allclose(slopes[1], slopes[2], atol=1e-5 * scale)


@pytest.mark.parametrize("hard", [False, True])
def test_flows_obey_the_pressure_drop_and_the_time_law(hard):
    cases = draw(5000, hard=hard)
    solved = tube.solve(**cases)
    r, k = cases["resistance_exp"], cases["resistance_quadratic"]
    first, last = solved["peak_expiratory_flow"], solved["end_release_flow"]
    height = solved["end_high_pressure"] - cases["p_low"]
    # 1e-9: the height above P low is a difference of pressures of which 1e-6 may be left
    np.testing.assert_allclose(r * first + k * first**2, height, rtol=1e-9, atol=1e-13)
    compliance = cases["compliance"] / 1000.0
    # rounding, down to the smallest normal number
    np.testing.assert_allclose(
        (r * last + k * last**2) * compliance * 1000.0,
        solved["trapped_volume"],
        rtol=1e-12,
        atol=1e-300,
    )
    # t = C [R ln(Q0 / Q) + 2 K (Q0 - Q)], while the last flow is a normal number
    seen = last > 1e-300
    assert seen.mean() > 0.8
    r, k, first, last, compliance = (part[seen] for part in (r, k, first, last, compliance))
    time = compliance * (r * np.log(first / last) + 2.0 * k * (first - last))
    # both terms are small differences in short releases, of 1e-5 time constants and more
    np.testing.assert_allclose(time, cases["t_low"][seen], rtol=1e-9)


def test_gas_in_is_gas_out_and_the_cycle_closes():
    cases = draw(5000, hard=True, seed=3)
    solved = tube.solve(**cases)
    again, state = tube.cycle(tube.settle(**cases), **cases)
    taken = (
        cases["compliance"]
        * (cases["p_high"] - solved["end_release_pressure"])
        * solved["fill_fraction"]
    )
    # 1e-9: what T high fills is a difference of pressures and may be 1e-6 of them
    np.testing.assert_allclose(taken, solved["release_volume"], rtol=1e-9)
    np.testing.assert_allclose(state, solved["end_release_pressure"], rtol=1e-9)
    for name in ("release_volume", "peak_expiratory_flow", "mean_alveolar_pressure"):
        np.testing.assert_allclose(again[name], solved[name], rtol=1e-9, err_msg=name)


def test_a_purely_quadratic_airway_empties_along_a_straight_line_of_flow():
    case = dict(p_high=30.0, p_low=0.0, t_high=100.0, t_low=2.0, compliance=100.0)
    solved = tube.solve(
        **case, resistance_insp=0.01, resistance_exp=0.01, resistance_quadratic=100.0
    )
    first = np.sqrt(30.0 / 100.0)
    last = first - 2.0 / (2.0 * 100.0 * 0.1)
    # what is left of R: R / (2 K Q) = 1e-4
    assert float(solved["peak_expiratory_flow"]) == pytest.approx(first, rel=2e-4)
    assert float(solved["end_release_flow"]) == pytest.approx(last, rel=3e-4)
    assert float(solved["release_volume"]) == pytest.approx(500.0 * 2.0 * (first + last), rel=3e-4)


def test_a_very_short_release_keeps_the_digits_of_its_volume():
    for k in (0.0, 1e-12, 1e-6, 1.0, 100.0):
        case = dict(p_high=25.0, p_low=5.0, t_high=5.0, t_low=1e-7, compliance=50.0)
        solved = tube.solve(
            **case, resistance_insp=10.0, resistance_exp=15.0, resistance_quadratic=k
        )
        mean = 0.5 * (solved["peak_expiratory_flow"] + solved["end_release_flow"])
        # the trapezium is exact to (t / tau)^2 / 12, below 1e-14 here
        assert float(solved["release_volume"]) == pytest.approx(
            float(mean * 1e-7 * 1000.0), rel=1e-13, abs=0.0
        )


def test_with_a_quadratic_part_the_two_release_rules_part_company():
    cases = {**draw(500), "resistance_quadratic": np.linspace(0.1, 25.0, 500)}
    solved = tube.solve(**cases)
    flow_ratio = solved["end_release_flow"] / solved["peak_expiratory_flow"]
    partial = (flow_ratio > 1e-6) & (flow_ratio < 1.0 - 1e-6)
    assert partial.sum() > 400
    assert np.all((flow_ratio + solved["exhaled_fraction"])[partial] > 1.0)


def test_every_legal_case_settles():
    cases = draw(20_000, hard=True, seed=5)
    assert np.all(evaluate(TUBE, cases, TUBE.solves).status == OK)


def test_one_case_and_many_agree():
    cases = draw(300, hard=True, seed=7)
    many = tube.solve(**cases)
    for i in range(0, 300, 10):
        one = tube.solve(**{name: float(value[i]) for name, value in cases.items()})
        for name, value in one.items():
            # the number of passes depends on the company; what that changes is below 1e-12
            assert float(value) == pytest.approx(float(many[name][i]), rel=1e-11, abs=1e-290), name


def test_a_case_that_does_not_settle_is_nan_throughout(monkeypatch):
    monkeypatch.setattr(settling, "PASSES", 1)
    monkeypatch.setattr(settling, "BRACKETED_STEPS", 1)
    result = evaluate(TUBE, draw(2000, hard=True, seed=1), TUBE.solves)
    lost = result.status == NOT_CONVERGED
    assert 0 < lost.sum() < 2000
    for name in TUBE.solves:
        assert np.array_equal(np.isnan(result.outcomes[name]), lost), name
    assert np.array_equal(np.isnan(tube.settle(**draw(2000, hard=True, seed=1))), lost)


def test_reversed_pressures_are_out_of_domain():
    result = evaluate(TUBE, {"p_high": np.array([5.0, 25.0]), "p_low": np.array(5.0)})
    assert result.status.tolist() == [OUT_OF_DOMAIN, OK]
    assert np.isnan(result.outcomes["release_volume"][0])


def test_the_start_up_runs_into_the_settled_cycle():
    first = start_up(TUBE, draw(50, seed=2), start_pressure=5.0, cycles=400)
    settled = evaluate(TUBE, draw(50, seed=2)).outcomes
    for name, value in settled.items():
        # rounding of the last cycle; the memory of a cycle is below 0.9 here
        np.testing.assert_allclose(first[name][..., -1], value, rtol=1e-11, err_msg=name)


def test_a_start_above_p_high_empties_into_the_airway():
    case = {name: PARAMETERS[name].default for name in TUBE.parameters}
    outcomes, state = tube.cycle(40.0, **case)
    assert case["p_low"] < float(state) < float(outcomes["end_high_pressure"]) < 40.0
