"""An outcome means the same in every lung: where lungs coincide, so do all that they share."""

import numpy as np
import pytest

from ebbmap.cases.evaluate import OK, evaluate, resolve, start_up
from ebbmap.lungs import LUNGS
from ebbmap.registries.outcomes import outcomes_of
from ebbmap.registries.parameters import PARAMETERS

CASES = 60

#: What rests on the gas from beyond the dead space.
WASHED = (
    "gas_beyond_dead_space",
    "alveolar_ventilation",
    "co2_balance",
    "paco2",
    "arterial_bicarbonate",
    "ventilatory_ratio",
    "ph",
    "alveolar_po2",
    "oxygen_balance",
    "arterial_oxygen_content",
    "pao2",
    "spo2",
)


def shared_airway(values):
    """Two equal compartments whose airways, side by side, have half of one's resistance."""
    own = 0.5 * np.minimum(values["resistance_insp"], values["resistance_exp"])
    half = 0.5 * values["compliance"]
    return {
        "compliance_fast": half,
        "compliance_slow": half,
        "resistance_fast": 2.0 * own,
        "resistance_slow": 2.0 * own,
        "resistance_shared_insp": values["resistance_insp"] - own,
        "resistance_shared_exp": values["resistance_exp"] - own,
    }


#: The whole lung takes power from the gas that goes in, which in a first cycle is not that of
#: the release, as the other lungs' closed form has it.
BREATHED_IN = dict.fromkeys(
    ("whole", "breathing"),
    ("mechanical_power", "mechanical_power_above_p_low", "resistive_power"),
)


def without_the_rest(values):
    """The whole lung without tube, slow part and valve."""
    return {
        name: np.zeros(CASES)
        for name in ("resistance_quadratic", "slow_volume_share", "valve_time")
    }


#: What turns each lung into the linear one.
AS_LINEAR = {
    "tube": lambda values: {"resistance_quadratic": np.zeros(CASES)},
    "paired": shared_airway,
    "stepped": lambda values: {},
    "whole": without_the_rest,
    "breathing": without_the_rest,
}


def draw(seed=0):
    """Lungs and patients anywhere in the usual ranges, nothing at its default; P high from 12."""
    rng = np.random.default_rng(seed)
    names = (
        "t_high",
        "t_low",
        "compliance",
        "resistance_insp",
        "resistance_exp",
        "chest_wall_share",
        "predicted_body_weight",
        "functional_residual_capacity",
        "co2_production",
        "fio2",
        "spontaneous_alveolar_ventilation",
        "apparatus_dead_space",
        "airway_dead_space_per_kg",
        "alveolar_dead_space_share",
        "half_closed_pressure",
        "closing_width",
        "collapsible_share",
        "closed_perfusion_ratio",
        "shunt_baseline",
        "bicarbonate",
        "hemoglobin",
        "cardiac_output",
        "venous_return_gradient",
        "gradient_loss_share",
    )
    values = {
        name: rng.uniform(PARAMETERS[name].usual_low, PARAMETERS[name].usual_high, CASES)
        for name in names
    }
    # a third of the lungs is not filled
    values["t_high"][::3] = rng.uniform(0.2, 0.8, CASES // 3)
    values["p_high"] = rng.uniform(12.0, 35.0, CASES)
    values["p_low"] = rng.uniform(0.0, 8.0, CASES)
    return values


@pytest.mark.parametrize("name", AS_LINEAR)
def test_every_shared_outcome_is_that_of_the_linear_lung(name):
    values = draw()
    lung, linear = LUNGS[name], LUNGS["linear"]
    shared = tuple(o for o in outcomes_of(linear) if o in outcomes_of(lung))
    assert {"closed_fraction", "mean_pleural_pressure", "total_strain", "pao2"} <= set(shared)
    ours = evaluate(lung, values | AS_LINEAR[name](values), shared)
    exact = evaluate(linear, values, shared)
    assert (ours.status == exact.status).all()
    # where there is no steady state, both say so
    assert (ours.status == OK).sum() > 40
    for outcome in shared:
        # what is solved agrees to 1e-9; gas exchange near its floor makes a hundred times that
        np.testing.assert_allclose(
            ours.outcomes[outcome], exact.outcomes[outcome], rtol=1e-7, atol=1e-12, err_msg=outcome
        )


@pytest.mark.parametrize("name", AS_LINEAR)
def test_every_shared_outcome_of_the_first_cycles_too(name):
    values = draw(2)
    linear = LUNGS["linear"]
    # a first breath may be smaller than the dead space; the stepped lung knows what is in there
    shared = tuple(
        o
        for o in outcomes_of(linear)
        if o in outcomes_of(LUNGS[name]) and o not in (*WASHED, *BREATHED_IN.get(name, ()))
    )
    first = {"start_pressure": values["p_low"] + 3.0, "cycles": 3, "names": shared}
    ours = start_up(LUNGS[name], values | AS_LINEAR[name](values), **first)
    exact = start_up(linear, values, **first)
    for outcome in shared:
        # the stepped lung's stated error of a cycle, ten times for what is nearly nothing
        scale = np.maximum(np.abs(exact[outcome]), 1e-2 * np.nanmax(np.abs(exact[outcome])))
        known = np.isfinite(exact[outcome])
        np.testing.assert_array_equal(np.isfinite(ours[outcome]), known, err_msg=outcome)
        off = np.abs(ours[outcome] - exact[outcome])[known] / scale[known]
        assert off.max() < 1e-5, outcome


@pytest.mark.parametrize("name", AS_LINEAR)
def test_what_is_drawn_over_time_is_the_same(name):
    values = draw(3) | {"t_high": np.full(CASES, 2.0), "t_low": np.full(CASES, 0.7)}
    times = np.array([0.0, 0.1, 0.9, 1.999, 2.001, 2.2, 2.69])
    linear, lung = LUNGS["linear"], LUNGS[name]
    given = resolve(values | AS_LINEAR[name](values), lung.parameters)
    plain = resolve(values, linear.parameters)
    own = {key: np.broadcast_to(value, (CASES,)) for key, value in given.items()}
    ours = lung.waveform(lung.settle(**own), times, **own)
    exact = linear.waveform(linear.settle(**plain), times, **plain)
    for signal, drawn in exact.items():
        # the stated error of the stepped lung, of the largest value
        np.testing.assert_allclose(
            ours[signal], drawn, atol=2e-6 * np.abs(drawn).max(), rtol=0, err_msg=signal
        )


@pytest.mark.parametrize("name", LUNGS)
def test_driving_pressure_is_volume_over_compliance(name):
    values = draw(1)
    compliance = values["compliance"]
    if name in AS_LINEAR:
        values |= AS_LINEAR[name](values)
    found = evaluate(LUNGS[name], values, ("driving_pressure", "release_volume")).outcomes
    np.testing.assert_allclose(
        found["driving_pressure"], found["release_volume"] / compliance, rtol=1e-9, atol=1e-12
    )


def test_driving_pressure_of_a_lung_that_t_high_does_not_fill():
    # T high 0.3 s, tau 1.5 s: P high less the end-release pressure would be five times as much
    lung = {
        "t_high": np.array(0.3),
        "t_low": np.array(0.3),
        "compliance": np.array(100.0),
        "resistance_insp": np.array(15.0),
        "resistance_exp": np.array(15.0),
    }
    a = np.exp(-0.2)
    # settled between two equal phases: the swing is (1 - a) / (1 + a) of the step
    found = evaluate(LUNGS["linear"], lung, ("driving_pressure",)).outcomes["driving_pressure"]
    assert found == pytest.approx(25.0 * (1.0 - a) / (1.0 + a), rel=1e-12)


#: A change that makes each lung its own.
OWN = {
    "linear": {},
    "tube": {"resistance_quadratic": 8.0},
    "paired": {},
    "stepped": {"recoil_curvature": 0.1},
    "whole": {},
    "breathing": {},
}


@pytest.mark.parametrize("name", OWN)
def test_the_same_gas_gives_the_same_strain_however_it_is_held(name):
    own = {key: np.array(value) for key, value in OWN[name].items()}
    # filled to P high both times; at the end of the release 5 cmH2O by setting or by trapping
    long = {"t_high": np.array(200.0), "p_high": np.array(24.0)}
    names = ("total_strain", "end_high_volume", "end_release_pressure", "dynamic_strain")
    held = evaluate(
        LUNGS[name], own | long | {"p_low": np.array(10.0), "t_low": np.array(60.0)}, names
    ).outcomes
    trapped = evaluate(
        LUNGS[name], own | long | {"p_low": np.array(0.0), "t_low": np.array(0.5)}, names
    ).outcomes
    assert trapped["end_release_pressure"] > 4.0
    # rounding; the whole lung states 1e-6 for usual times, and this T high is forty times longer
    near = {"rel": 5e-6 if name in ("whole", "breathing") else 1e-9}
    assert held["total_strain"] == pytest.approx(float(trapped["total_strain"]), **near)
    assert held["total_strain"] == pytest.approx(float(held["end_high_volume"]) / 1500.0)
    assert held["dynamic_strain"] < held["total_strain"]


def test_units_that_open_and_close_replace_the_pressure_relation():
    few = {"p_high": np.array(12.0), "recruitable_share": np.array([0.0, 0.3])}
    names = ("closed_fraction", "open_fraction_end_high", "open_fraction_end_release", "pao2")
    found = evaluate(LUNGS["stepped"], few, names).outcomes
    linear = evaluate(LUNGS["linear"], {"p_high": np.array(12.0)}, ("closed_fraction", "pao2"))
    assert found["closed_fraction"][0] == pytest.approx(float(linear.outcomes["closed_fraction"]))
    assert found["pao2"][0] == pytest.approx(float(linear.outcomes["pao2"]))
    high, low = found["open_fraction_end_high"][1], found["open_fraction_end_release"][1]
    # default times 5 and 0.5 s
    assert found["closed_fraction"][1] == pytest.approx(1.0 - (5.0 * high + 0.5 * low) / 5.5)
