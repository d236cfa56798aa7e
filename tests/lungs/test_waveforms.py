"""The waveforms of every lung against its own outcomes and against the laws of the circuit."""

import numpy as np
import pytest

from ebbmap.lungs import LUNGS
from ebbmap.lungs.base import WAVES
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.signals import SIGNALS, signal
from ebbmap.units import UNITS

CLOSED = [LUNGS[name] for name in ("linear", "tube", "paired")]
LUNG = pytest.mark.parametrize("lung", CLOSED, ids=[lung.name for lung in CLOSED])


def draw(lung, n, seed=0):
    rng = np.random.default_rng(seed)
    return {
        name: rng.uniform(PARAMETERS[name].usual_low, PARAMETERS[name].usual_high, n)
        for name in lung.parameters
    }


def one_of(cases, i):
    return {name: float(value[i]) for name, value in cases.items()}


def state_of(state, i):
    return tuple(part[i] for part in state) if isinstance(state, tuple) else state[i]


def mean_of(state, cases):
    if not isinstance(state, tuple):
        return state
    weights = cases["compliance_fast"], cases["compliance_slow"]
    return (weights[0] * state[0] + weights[1] * state[1]) / (weights[0] + weights[1])


def settled_with_ends(lung, n):
    """Cases, their outcomes, state, and waveforms just before both ends of each phase."""
    cases = draw(lung, n)
    state = lung.settle(**cases)
    drawn = []
    for i in range(n):
        case = one_of(cases, i)
        long, whole = case["t_high"], case["t_high"] + case["t_low"]
        times = np.array([0.0, np.nextafter(long, 0.0), long, whole])
        drawn.append(lung.waveform(state_of(state, i), times, **case))
    stacked = {name: np.stack([one[name] for one in drawn]) for name in drawn[0]}
    return cases, lung.solve(**cases), state, stacked


@LUNG
def test_the_ends_of_the_phases_are_the_outcomes(lung):
    cases, solved, state, drawn = settled_with_ends(lung, 30)
    same = dict(rtol=1e-11, atol=1e-11)  # rounding of the times, which are sums
    pressure = drawn["alveolar_pressure"]
    np.testing.assert_allclose(pressure[:, 0], mean_of(state, cases), **same)
    np.testing.assert_allclose(pressure[:, 1], solved["end_high_pressure"], **same)
    np.testing.assert_allclose(pressure[:, 2], solved["end_high_pressure"], **same)
    np.testing.assert_allclose(pressure[:, 3], solved["end_release_pressure"], **same)
    np.testing.assert_allclose(drawn["flow"][:, 2], -solved["peak_expiratory_flow"], **same)
    np.testing.assert_allclose(drawn["flow"][:, 3], -solved["end_release_flow"], **same)
    np.testing.assert_array_equal(drawn["airway_pressure"][:, 1], cases["p_high"])
    np.testing.assert_array_equal(drawn["airway_pressure"][:, 2], cases["p_low"])
    volume = drawn["volume"]
    # gas in equals gas out equals the release volume
    np.testing.assert_allclose(volume[:, 1] - volume[:, 0], solved["release_volume"], rtol=1e-9)
    np.testing.assert_allclose(volume[:, 2] - volume[:, 3], solved["release_volume"], rtol=1e-9)


@LUNG
def test_flow_is_the_slope_of_volume_and_the_mean_is_the_outcome(lung):
    cases = draw(lung, 10, seed=1)
    solved, state = lung.solve(**cases), lung.settle(**cases)
    for i in range(10):
        case = one_of(cases, i)
        means = 0.0
        for start, length in ((0.0, case["t_high"]), (case["t_high"], case["t_low"])):
            middle = start + length * (np.arange(20_000) + 0.5) / 20_000
            drawn = lung.waveform(state_of(state, i), middle, **case)
            slope = np.gradient(drawn["volume"], middle) / 1000.0
            # central differences: (step / time constant)^2 / 6, steps below 4e-4 s
            np.testing.assert_allclose(
                drawn["flow"][1:-1], slope[1:-1], rtol=0.0, atol=1e-4 * np.abs(slope).max()
            )
            means += drawn["alveolar_pressure"].mean() * length
        mean = means / (case["t_high"] + case["t_low"])
        # midpoint rule: (step / time constant)^2 / 24
        assert mean == pytest.approx(float(solved["mean_alveolar_pressure"][i]), rel=1e-5)


@LUNG
def test_from_any_start_the_last_point_is_the_next_state(lung):
    cases = draw(lung, 20, seed=2)
    state = lung.rest(np.full(20, 3.0), **cases)
    _, after = lung.cycle(state, **cases)
    for i in range(20):
        case = one_of(cases, i)
        end = lung.waveform(state_of(state, i), [case["t_high"] + case["t_low"]], **case)
        expected = mean_of(after, cases)[i]
        assert float(end["alveolar_pressure"][0]) == pytest.approx(expected, rel=1e-11)


@LUNG
def test_the_settled_state_comes_back(lung):
    cases = draw(lung, 500, seed=3)
    state = lung.settle(**cases)
    _, after = lung.cycle(state, **cases)
    np.testing.assert_allclose(np.asarray(after), np.asarray(state), rtol=1e-11)


@LUNG
def test_shapes_and_names(lung):
    cases = draw(lung, 4)
    drawn = lung.waveform(lung.settle(**cases), np.linspace(0.0, 1.0, 7), **cases)
    assert tuple(drawn) == lung.signals
    assert set(WAVES) <= set(drawn) <= set(SIGNALS)
    for name, value in drawn.items():
        assert value.shape == (4, 7), name
    single = lung.waveform(lung.settle(**one_of(cases, 0)), [0.0, 0.5], **one_of(cases, 0))
    assert all(value.shape == (2,) for value in single.values())


def test_two_compartments_share_the_volume():
    lung = LUNGS["paired"]
    cases = draw(lung, 6)
    drawn = lung.waveform(lung.settle(**cases), np.linspace(0.0, 3.0, 50), **cases)
    volume = sum(
        cases[f"compliance_{which}"][:, None] * drawn[f"alveolar_pressure_{which}"]
        for which in ("fast", "slow")
    )
    np.testing.assert_allclose(drawn["volume"], volume, rtol=1e-14)


def test_the_registry_of_signals_is_sound():
    for name, entry in SIGNALS.items():
        assert entry.name == name and entry.units in UNITS and entry.long_name
        assert entry.label.endswith("]")
    with pytest.raises(ValueError, match="did you mean 'flow'"):
        signal("flw")
