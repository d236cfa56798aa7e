"""Lungs that are followed step by step: their slopes against their own solvers."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from ebbmap.lungs import LUNGS
from ebbmap.registries.parameters import PARAMETERS

FOLLOWED = [name for name in LUNGS if LUNGS[name].followed is not None]

#: Everything that bends a curve, in lungs that have it.
FEATURES = {
    "whole": {"valve_time": 0.08, "resistance_quadratic": 6.0, "upstream_resistance": 12.0},
    "breathing": {"valve_time": 0.08, "resistance_quadratic": 6.0, "effort_pressure": 7.0},
    "stepped": {
        "valve_time": 0.05,
        "resistance_quadratic": 6.0,
        "recoil_curvature": 0.08,
        "flow_limitation": 0.4,
        "recruitable_share": 0.3,
        "effort_pressure": 4.0,
    },
}

#: What a part of the state is called in the lung's own state.
OWN_NAMES = {"airway": {"stepped": "airway_pressure"}}


def case_of(name):
    usual = {one: PARAMETERS[one].default for one in LUNGS[name].parameters}
    return {**usual, "p_low": 3.0, "t_low": 0.9, **FEATURES[name]}


def begun(name, case):
    """Where a settled cycle begins, as the follower has it."""
    settled = LUNGS[name].settle(**case)
    way = LUNGS[name].followed
    called = [OWN_NAMES.get(part, {}).get(name, part) for part in way.state._fields]
    return settled, way.state(*(float(np.ravel(getattr(settled, part))[0]) for part in called))


def followed(name, case, state, times):
    """Signals at times of a cycle, by an integrator of high order over each phase."""
    way = LUNGS[name].followed
    solved = LUNGS[name].solve(**case)
    more = {one: float(solved[one]) for one in way.solved}
    found = []
    for target, length, start in (
        (case["p_high"], case["t_high"], 0.0),
        (case["p_low"], case["t_low"], case["t_high"]),
    ):
        within = np.array([t - start for t in times if start <= t < start + length])

        def move(since, parts, target=target, fixed=state):
            own = way.state(*parts)._replace(airway=fixed.airway)
            return [float(rate) for rate in way.slopes(own, since, target, **case, **more)[0]]

        # 1e-9 of a volume in mL is far within what is asked below
        done = solve_ivp(
            move, (0.0, length), list(state), t_eval=[*within, length], rtol=1e-9, atol=1e-9,
            max_step=0.02,
        )  # fmt: skip
        own = [way.state(*parts)._replace(airway=state.airway) for parts in done.y.T]
        seen = [
            way.slopes(one, since, target, **case, **more)[1]
            for one, since in zip(own, done.t, strict=True)
        ]
        found += seen[:-1]
        state = own[-1]._replace(airway=float(seen[-1]["airway_pressure"]))
    return found, state


@pytest.mark.parametrize("name", FOLLOWED)
def test_the_signals_are_those_of_the_lungs_own_waveform(name):
    case = case_of(name)
    settled, state = begun(name, case)
    times = np.array([0.01, 0.1, 0.7, 2.3, 4.9, 5.02, 5.1, 5.4, 5.85])
    exact = LUNGS[name].waveform(settled, times, **case)
    found, _ = followed(name, case, state, times)
    assert set(found[0]) <= set(LUNGS[name].signals)
    # the breathing lung's waveform takes steps of its own: a hundredth of a unit, half a millilitre
    near = {"volume": 0.5, "flow": 5e-3}
    for signal in found[0]:
        told = [float(one[signal]) for one in found]
        close = near.get(signal, 0.01)
        np.testing.assert_allclose(told, np.ravel(exact[signal]), atol=close, err_msg=signal)


@pytest.mark.parametrize("name", ["whole", "stepped"])
def test_a_settled_cycle_ends_as_it_began(name):
    case = {**case_of(name), "effort_pressure": 0.0} if name == "stepped" else case_of(name)
    _, state = begun(name, case)
    _, end = followed(name, case, state, np.array([1.0]))
    still = [part for part in state._fields if part != "clock"]
    start, last = ([getattr(one, part) for part in still] for one in (state, end))
    np.testing.assert_allclose(last, start, rtol=1e-5, atol=1e-5)


@pytest.mark.parametrize("name", FOLLOWED)
def test_a_lung_at_rest_stays_at_rest(name):
    case = {**case_of(name), "p_high": 8.0, "p_low": 8.0}
    way = LUNGS[name].followed
    state = way.rest(8.0, **case)
    more = dict.fromkeys(way.solved, 0.0)
    rates, signals = way.slopes(state._replace(clock=2.0) if "clock" in state._fields else state,
                                0.0, 8.0, **case, **more)  # fmt: skip
    moving = [part for part in state._fields if part != "clock"]
    assert all(abs(float(getattr(rates, part))) < 1e-8 for part in moving)
    assert float(signals["alveolar_pressure"]) == pytest.approx(8.0, abs=1e-9)
    if name == "stepped":
        own = LUNGS[name].rest(8.0, **case)
        assert float(state.volume) == pytest.approx(float(own.volume), rel=1e-9)
        assert float(state.openness) == pytest.approx(float(own.openness), rel=1e-12)


def test_what_a_hold_at_p_high_has_not_opened_is_where_the_search_begins():
    case = {**case_of("stepped"), "effort_pressure": 0.0}
    first = LUNGS["stepped"].followed.begin(**case)
    settled = LUNGS["stepped"].settle(**case)
    assert float(settled.openness) <= float(first.openness) + 1e-12
    assert 0.0 < float(first.openness) < 1.0
