"""The stepped lung: what it equals when switched off, what it conserves, what each switch does."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ebbmap.cases.evaluate import NOT_CONVERGED, OK, evaluate, start_up
from ebbmap.lungs import lung_model, stepped
from ebbmap.lungs.linear import LINEAR
from ebbmap.lungs.stepped import cycles, relaxation
from ebbmap.lungs.stepped.airway import FASTEST_VALVE
from ebbmap.lungs.stepped.balance import balance
from ebbmap.lungs.stepped.cases import NAMES, gather
from ebbmap.lungs.stepped.course import Course, State
from ebbmap.lungs.stepped.radau import ORDER, STAGES, WEIGHTS
from ebbmap.lungs.stepped.recruitment import held_open
from ebbmap.registries.parameters import PARAMETERS

STEPPED = lung_model("stepped")
AIRWAY = ("resistance_quadratic", "flow_limitation")
RECOIL = ("recoil_curvature", "recoil_inflection")
CLOSING = tuple(name for name in NAMES if name.startswith(("recruit", "opening", "closing")))
USUAL = {name: PARAMETERS[name].default for name in NAMES}


def draw(count, seed, *features, wide=False):
    """Random legal cases: settings and plain mechanics, and the named features, all others off."""
    rng = np.random.default_rng(seed)
    values = {}
    for name in NAMES:
        entry = PARAMETERS[name]
        if name in features or name in LINEAR.parameters or name == "chest_wall_share":
            low, high = (entry.low, entry.high) if wide else (entry.usual_low, entry.usual_high)
            values[name] = rng.uniform(low, high, count)
        else:
            values[name] = np.full(count, entry.default)
    values["p_low"] = np.minimum(values["p_low"], values["p_high"] - 1.0).clip(0.0)
    return values


def by_collocation(values):
    """Settle by collocation even where quadrature would do."""
    cases, _ = gather(values)
    state = stepped.settle(**values)
    return cycles.settle_passive(cases, State(*(np.array(field) for field in state)))[1]


@pytest.mark.parametrize("wide", [False, True])
def test_with_all_off_it_is_the_linear_lung(wide):
    values = draw(500, 1, wide=wide)
    ours = STEPPED.solve(**values)
    exact = LINEAR.solve(**{name: values[name] for name in LINEAR.parameters})
    for name, expected in exact.items():
        # rounding: the shortest wide phases are 1e-5 time constants, which costs five digits
        np.testing.assert_allclose(ours[name], expected, rtol=1e-9, err_msg=name)


def test_with_all_off_collocation_is_the_linear_lung_too():
    values = draw(60, 2)
    exact = LINEAR.solve(**{name: values[name] for name in LINEAR.parameters})
    ours = by_collocation(values)
    for name, expected in exact.items():
        # the stated error of the model
        np.testing.assert_allclose(ours[name], expected, rtol=1e-6, err_msg=name)


def test_a_quadratic_resistance_alone_is_the_tube():
    values = draw(300, 3, "resistance_quadratic")
    solved = STEPPED.solve(**values)
    scale = values["compliance"] / 1000.0
    quadratic = values["resistance_quadratic"]

    def time(resistance, first, last):
        return scale * (resistance * np.log(first / last) + 2.0 * quadratic * (first - last))

    def flow(drop, resistance):
        return 2.0 * drop / (resistance + np.sqrt(resistance**2 + 4.0 * quadratic * drop))

    # t = C [R ln(Q0 / Q) + 2 K (Q0 - Q)]; rounding of Q where the end flow is small
    emptied = time(
        values["resistance_exp"], solved["peak_expiratory_flow"], solved["end_release_flow"]
    )
    np.testing.assert_allclose(emptied, values["t_low"], rtol=1e-10)
    first = flow(values["p_high"] - solved["end_release_pressure"], values["resistance_insp"])
    last = flow(values["p_high"] - solved["end_high_pressure"], values["resistance_insp"])
    # P high less the pressure reached is a small difference: it loses the digits it lacks
    seen = last > 1e-6 * first
    filled = time(values["resistance_insp"][seen], first[seen], last[seen]) if seen.all() else None
    if filled is None:
        quadratic, scale = quadratic[seen], scale[seen]
        filled = time(values["resistance_insp"][seen], first[seen], last[seen])
    assert seen.sum() > 50
    np.testing.assert_allclose(filled, values["t_high"][seen], rtol=1e-8)


def test_quadrature_and_collocation_agree():
    values = draw(120, 4, *AIRWAY, *RECOIL)
    ours, other = STEPPED.solve(**values), by_collocation(values)
    for name, expected in ours.items():
        # the stated error of the model; two methods that share only the equations
        np.testing.assert_allclose(other[name], expected, rtol=1e-6, atol=1e-9, err_msg=name)


def gas_through_the_mouth(course):
    """Gas in, gas out, and what the lung has gained, by the flow at every stage."""
    flow = course.look().filling[1:] * course.lengths
    gas = [
        (WEIGHTS[:, None, None] * part).sum(axis=(0, 1))
        for part in (np.maximum(flow, 0.0), np.maximum(-flow, 0.0))
    ]
    return np.stack((*gas, course.stages[0, -1, -1] - course.start[0]))


@pytest.mark.parametrize("features", [("valve_time",), CLOSING, ("valve_time", *AIRWAY, *RECOIL)])
def test_gas_in_is_gas_out(features):
    values = draw(200, 5, *features)
    cases, _ = gather(values)
    start = stepped.settle(**values)
    inspired, expired, _ = relaxation.solve(cases, start, gas_through_the_mouth, 3, closed=True)
    assert np.all(np.abs(inspired - expired) <= 1e-9 * expired)
    # run on from the settled state, by steps laid anew: the stated error of the model
    solved, end = stepped.cycle(start, **values)
    assert np.all(np.abs(end.volume - start.volume) <= 1e-6 * solved["release_volume"])


def test_gas_in_is_gas_out_over_a_window_with_effort():
    values = draw(40, 5, *CLOSING, "valve_time", "effort_pressure", "effort_rate")
    cases, _ = gather(values)
    begun = state = stepped.settle(**values | {"effort_pressure": np.zeros(40)})
    gas = np.zeros((3, 40))
    for _ in range(4):
        gas += relaxation.solve(cases, state, gas_through_the_mouth, 3, closed=False)
        _, state = cycles.run_cycle(cases, state)
    inspired, expired, gained = gas
    assert np.all(np.abs(inspired - expired - gained) <= 1e-9 * expired)
    # and what it has gained cycle by cycle is what it holds more in the end, to rounding
    np.testing.assert_allclose(gained, state.volume - begun.volume, atol=1e-9 * expired.max())


@pytest.mark.slow
def test_acceleration_finds_what_repetition_finds():
    values = draw(100, 6, *CLOSING, "valve_time")
    cases, _ = gather(values)
    settled = stepped.settle(**values)
    hold = held_open(cases.p_high, cases.opening_pressure, cases.opening_spread)
    state = settled._replace(openness=hold)
    for _ in range(40):
        before = state
        _, state = cycles.run_cycle(cases, state)
    # forty cycles leave what fades slowly: judge those that repetition itself has settled
    still = np.abs(state.openness - before.openness) < 1e-9
    still &= np.abs(state.volume - before.volume) < 1e-8 * state.volume
    assert still.sum() > 80
    gap = np.abs(state.openness - settled.openness)[still]
    # in a lung that neither opens nor closes a little lower either, the search may end there:
    # measured in 2 of 100, by 0.001 at most
    assert np.mean(gap > 1e-6) < 0.05
    assert gap.max() < 2e-3
    assert np.all(settled.openness <= hold + 1e-12)


def test_a_very_fast_valve_is_an_immediate_one():
    values = draw(40, 7, *RECOIL)
    fast = STEPPED.solve(**values | {"valve_time": np.full(40, 1e-6)})
    immediate = STEPPED.solve(**values)
    assert FASTEST_VALVE < 1e-6
    for name in ("release_volume", "end_release_pressure", "mean_alveolar_pressure"):
        # the valve delays both switches by a microsecond of half a second
        np.testing.assert_allclose(fast[name], immediate[name], rtol=1e-5, err_msg=name)


def test_a_slow_valve_blunts_the_peak_flow():
    peaks = STEPPED.solve(**USUAL | {"valve_time": np.array([0.0, 0.05, 0.2])})
    assert np.all(np.diff(peaks["peak_expiratory_flow"]) < 0.0)


def test_units_that_close_slowly_do_not_close():
    slow = USUAL | {"recruitable_share": 0.5, "t_low": 1.5}
    closed = STEPPED.solve(**slow | {"closing_time_constant": np.array([0.3, 1.0, 1000.0])})
    assert np.all(np.diff(closed["closed_per_release"]) < 0.0)
    # half the lung closes at most by t / T of itself
    assert closed["closed_per_release"][2] < 0.5 * 1.5 / 1000.0


def test_a_longer_release_closes_more_of_the_lung():
    t_low = np.array([0.3, 0.6, 1.2, 2.4])
    solved = STEPPED.solve(**USUAL | {"recruitable_share": 0.4, "t_low": t_low})
    # the shortest release ends before the pressure has reached any unit's closing pressure
    assert np.all(np.diff(solved["closed_per_release"]) >= 0.0)
    assert solved["closed_per_release"][-1] > 0.1


def test_units_that_close_hand_their_gas_to_the_others():
    usual = USUAL | {"recruitable_share": 0.5, "resistance_exp": 1000.0, "resistance_insp": 1000.0}
    cases, _ = gather(usual)
    seen = balance(cases, 500.0, np.array([[1.0], [0.0]]), 10.0, 0.0)
    # 500 mL at C 50: 6 of lung and 4 of wall; in half the units the lung's part doubles
    np.testing.assert_allclose(seen.alveolar[:, 0], [10.0, 16.0], rtol=1e-6)


def test_flow_limitation_caps_flow_whatever_p_low():
    p_low = np.array([0.0, 2.0, 5.0, 8.0])
    lung = USUAL | {"t_low": 1.0, "p_low": p_low}
    limited = STEPPED.solve(**lung | {"flow_limitation": 5.0})
    narrow = STEPPED.solve(**lung | {"resistance_exp": 6.0 * USUAL["resistance_exp"]})
    recoil = limited["end_high_transpulmonary_pressure"]
    cap = recoil / (5.0 * USUAL["resistance_exp"])
    assert np.all(limited["peak_expiratory_flow"] < cap)
    # lowering P low from 8 to 0 raises flow by a third behind a large resistance alone, and by a
    # few percent where flow is limited: our law saturates, it has no sharp plateau
    gain = limited["peak_expiratory_flow"][0] / limited["peak_expiratory_flow"][3]
    gain_narrow = narrow["peak_expiratory_flow"][0] / narrow["peak_expiratory_flow"][3]
    assert gain_narrow > 1.25
    assert gain < 1.0 + 0.2 * (gain_narrow - 1.0)


@pytest.mark.slow
def test_effort_adds_ventilation_and_stress():
    effort = np.array([0.0, 5.0, 10.0])
    solved = STEPPED.solve(**USUAL | {"effort_pressure": effort})
    assert solved["effort_share"][0] == 0.0
    assert np.all(np.diff(solved["effort_share"]) > 0.0)
    assert np.all(np.diff(solved["transpulmonary_pressure_swing"]) > 0.0)


def test_effort_in_a_lung_too_slow_for_the_window_is_not_settled():
    slow = {name: np.asarray(USUAL[name]) for name in NAMES} | {
        "effort_pressure": np.asarray(5.0),
        "compliance": np.asarray(100.0),
        "resistance_insp": np.asarray(1000.0),
        "resistance_exp": np.asarray(1000.0),
    }
    solved = evaluate(STEPPED, slow)
    assert solved.status == NOT_CONVERGED
    assert all(np.isnan(solved.outcomes[name]) for name in STEPPED.solves)


def test_one_effort_is_the_half_sine_it_says():
    quiet = USUAL | {"effort_pressure": 8.0, "effort_rate": 10.0, "effort_duration": 1.0}
    # a closed airway shows the muscle's pressure: nothing flows through so large a resistance
    shut = quiet | {"resistance_insp": 1000.0, "resistance_exp": 1000.0, "compliance": 1000.0}
    state = stepped.rest(10.0, **shut | {"p_high": 10.0})
    times = np.array([0.0, 0.25, 0.5, 1.0, 3.0])
    seen = stepped.waveform(state, times, **shut | {"p_high": 10.0})
    expected = 10.0 - 8.0 * np.array([0.0, np.sqrt(0.5), 1.0, 0.0, 0.0])
    # a thousandth of a time constant passes
    np.testing.assert_allclose(seen["alveolar_pressure"], expected, atol=0.02)


def test_waveform_of_the_linear_lung_is_exponential():
    state = stepped.settle(**USUAL)
    settled = STEPPED.solve(**USUAL)
    times = np.array([0.0, 1.0, 4.999, 5.0, 5.2, 5.5])
    seen = stepped.waveform(state, times, **USUAL)
    assert seen["volume"].shape == (6,)
    tau_in, tau_out = 50.0 * 12.0 / 1000.0, 50.0 * 14.0 / 1000.0
    filling = 25.0 - (25.0 - settled["end_release_pressure"]) * np.exp(-times[:3] / tau_in)
    emptying = settled["end_high_pressure"] * np.exp(-(times[3:5] - 5.0) / tau_out)
    # the stated error of the model
    np.testing.assert_allclose(seen["alveolar_pressure"][:3], filling, rtol=1e-6)
    np.testing.assert_allclose(seen["alveolar_pressure"][3:5], emptying, rtol=1e-6)
    np.testing.assert_allclose(seen["alveolar_pressure"][5], settled["end_release_pressure"], 1e-6)
    assert seen["airway_pressure"].tolist() == [25.0, 25.0, 25.0, 0.0, 0.0, 0.0]
    assert np.all(np.sign(seen["flow"]) == [1, 1, 1, -1, -1, -1])
    assert np.all(seen["open_fraction"] == 1.0)


def test_a_release_may_go_on_beyond_the_cycle():
    state = stepped.settle(**USUAL)
    times = np.array([5.2, 5.5, 6.0, 8.0])
    seen = stepped.waveform(state, times, **USUAL)
    height = STEPPED.solve(**USUAL)["end_high_pressure"]
    # the stated error of the model, relative to P high
    np.testing.assert_allclose(
        seen["alveolar_pressure"], height * np.exp(-(times - 5.0) / 0.7), atol=25.0 * 1e-6
    )
    np.testing.assert_array_equal(seen["airway_pressure"], 0.0)


def test_units_that_no_pressure_holds_open_close_with_their_time_constant():
    falling = USUAL | {
        "recruitable_share": 0.4,
        "opening_pressure": 60.0,
        "opening_spread": 0.1,
        "closing_pressure": 60.0,
        "closing_spread": 0.1,
        "closing_time_constant": 0.8,
    }
    state = stepped.rest(10.0, **falling)._replace(openness=np.array(1.0))
    times = np.array([0.0, 0.3, 2.0, 5.0, 5.4])
    seen = stepped.waveform(state, times, **falling)
    # all pressures lie 30 standard deviations below 60, so that no unit opens or stays open
    np.testing.assert_allclose(
        seen["open_fraction"], 1.0 - 0.4 * -np.expm1(-times / 0.8), atol=1e-6
    )


def test_the_open_fraction_over_time_joins_the_ends_of_the_phases():
    closing = {name: np.array([value, value]) for name, value in USUAL.items()} | {
        "recruitable_share": np.array([0.3, 0.4]),
        "t_low": np.array([1.5, 2.0]),
        "closing_time_constant": np.array([0.5, 1.0]),
    }
    solved = STEPPED.solve(**closing)
    seen = stepped.waveform(stepped.settle(**closing), np.array([0.0, 4.999999, 6.4]), **closing)
    after, start = solved["open_fraction_end_high"], solved["open_fraction_end_release"]
    assert np.all(solved["closed_per_release"] > 0.005)
    # the stated error of the model, and a settled cycle known to 3e-10
    np.testing.assert_allclose(seen["open_fraction"][:, 0], start, atol=1e-6)
    np.testing.assert_allclose(seen["open_fraction"][:, 1], after, atol=1e-6)
    within = seen["open_fraction"][:, 2]
    assert np.all((within < after) & (within > start))


def test_the_first_cycles_lead_to_the_settled_one():
    values = {name: values[:3] for name, values in draw(3, 8, *RECOIL, *AIRWAY).items()}
    first = start_up(STEPPED, values, start_pressure=5.0, cycles=9)
    settled = STEPPED.solve(**values)
    # what has not faded after nine cycles, by the settled cycle's own account, and the stated error
    left = 0.01 ** (9.0 / settled["cycles_to_settle"])
    gap = np.abs(first["release_volume"] / settled["release_volume"][:, None] - 1.0)
    assert np.all(gap[:, -1] <= 2.0 * left * gap[:, 0] + 1e-6)


@pytest.mark.slow
def test_one_case_and_many_agree():
    values = draw(8, 9, *RECOIL, *AIRWAY, "valve_time")
    values["valve_time"][:4] = 0.0
    together = STEPPED.solve(**values)
    for number in range(8):
        alone = STEPPED.solve(**{name: array[number] for name, array in values.items()})
        for name, value in alone.items():
            assert value.shape == ()
            # steps are chosen case by case; what is left is rounding and the settling residual
            np.testing.assert_allclose(value, together[name][number], rtol=1e-8, err_msg=name)


def test_shapes_broadcast():
    grid = USUAL | {"t_low": np.array([0.3, 0.6]), "p_high": np.array([[20.0], [25.0], [30.0]])}
    assert STEPPED.solve(**grid)["release_volume"].shape == (3, 2)


def test_a_wrong_case_among_good_ones_is_blank_and_alone():
    values = {"p_high": np.array([5.0, 25.0]), "p_low": np.array([10.0, 0.0])}
    solved = evaluate(STEPPED, values | {"valve_time": np.array([0.1, 0.1])})
    assert np.isnan(solved.outcomes["release_volume"]).tolist() == [True, False]
    assert solved.status.tolist() == [2, OK]


def test_the_method_has_its_order():
    values = USUAL | {
        "recoil_curvature": 0.1,
        "recruitable_share": 0.4,
        "opening_pressure": 5.0,
        "closing_pressure": 0.0,
        "t_high": 0.8,
        "t_low": 0.4,
    }
    cases, _ = gather({name: np.array([value]) for name, value in values.items()})
    begun = State(*(np.array([value]) for value in (400.0, 0.5, 0.0, 0.0, 0.0)))

    def after(steps):
        ends = np.concatenate(
            (np.linspace(0.0, 0.8, 2 * steps + 1), np.linspace(0.8, 1.2, steps + 1)[1:])
        )[:, None]
        start = np.array([[400.0], [0.5]])
        stages = np.broadcast_to(start[:, None, None], (2, STAGES, 3 * steps, 1)).copy()
        course = Course(cases, begun, start, ends, stages)
        for _ in range(12):
            course.improve(np.array([1000.0]), 1.0, closed=False)
        return course.stages[:, -1, -1, 0]

    exact = after(64)
    coarse, fine = np.abs(after(2) - exact), np.abs(after(4) - exact)
    # nothing turns and nothing closes here, so there is no kink; halving the steps leaves 2^-7 of
    # the error, or little more while higher terms still count
    assert np.all(coarse / fine > 0.7 * 2.0**ORDER)


def extremes(seed, count):
    """Legal cases that mix both bounds of every parameter with usual and unusual values."""
    rng = np.random.default_rng(seed)
    values = {}
    for name in NAMES:
        entry = PARAMETERS[name]
        anywhere = rng.uniform(entry.low, entry.high, count)
        usual = rng.uniform(entry.usual_low, entry.usual_high, count)
        values[name] = np.choose(
            rng.integers(0, 4, count),
            [anywhere, np.full(count, entry.low), np.full(count, entry.high), usual],
        )
    return values | {"effort_pressure": np.zeros(count)}


def assert_numbers_or_blank(values):
    """Every outcome of a case is a number, or none is; no warning on the way (all are errors)."""
    solved = evaluate(STEPPED, values, STEPPED.solves)
    finite = np.stack([np.isfinite(solved.outcomes[name]) for name in STEPPED.solves])
    assert finite[:, solved.status == OK].all()
    assert not finite[:, solved.status != OK].any()
    # who breathes in hard enough may hold more gas after a release than before
    passive = np.equal(values["effort_pressure"], 0.0)
    good = (solved.status == OK) & passive
    assert np.all(solved.outcomes["release_volume"][good] >= 0.0)
    return solved.status


@pytest.mark.slow
@settings(max_examples=5, deadline=None, derandomize=True)
@given(st.integers(0, 2**32))
def test_any_legal_passive_case_is_a_number_or_blank_throughout(seed):
    off = {"valve_time": np.zeros(300), "recruitable_share": np.zeros(300)}
    status = assert_numbers_or_blank(extremes(seed, 300) | off)
    # measured over 1,000 such corner cases: 3 in 100 do not settle
    assert np.mean(status[status < 2] == NOT_CONVERGED) < 0.1


@pytest.mark.slow
def test_any_legal_case_with_memory_is_a_number_or_blank_throughout():
    status = assert_numbers_or_blank(extremes(16, 100))
    # measured over 700 such corner cases: 2 in 10 do not settle, most of them lungs with hardly any
    # resistance in one direction and much in the other; of usual lungs none in 2,000, of those with
    # each property at a bound in one lung of ten 4 in 100
    assert np.mean(status[status < 2] == NOT_CONVERGED) < 0.4


@pytest.mark.slow
def test_any_legal_case_with_effort_is_a_number_or_blank_throughout():
    corners = extremes(23, 40)
    corners["effort_pressure"] = np.random.default_rng(5).uniform(0.1, 15.0, 40)
    assert_numbers_or_blank(corners)
    usual = draw(
        40,
        31,
        *CLOSING,
        *AIRWAY,
        *RECOIL,
        "valve_time",
        "effort_pressure",
        "effort_rate",
        "effort_duration",
    )
    # measured: one lung in 160 is lost, in a cycle that the search does not find
    assert np.mean(assert_numbers_or_blank(usual) == NOT_CONVERGED) < 0.05
