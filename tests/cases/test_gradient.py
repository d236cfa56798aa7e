"""Derivatives against finite differences in higher precision, and on the kinks."""

import numpy as np
import pytest

from ebbmap.cases.evaluate import compute, evaluate
from ebbmap.cases.gradient import gradient
from ebbmap.errors import EbbmapError
from ebbmap.kernels.judging import judge
from ebbmap.lungs import lung_model
from ebbmap.registries.limits import LIMIT_SETS
from ebbmap.registries.outcomes import plan
from ebbmap.registries.parameters import PARAMETERS

jax = pytest.importorskip("jax")

SETTINGS = ("p_high", "p_low", "t_high", "t_low")
NAMES = ("auto_peep", "flow_ratio", "release_volume", "paco2", "ph", "spo2", "mechanical_power")


def usual(lung, names, count=40, seed=5):
    rng = np.random.default_rng(seed)
    return {
        name: rng.uniform(PARAMETERS[name].usual_low, PARAMETERS[name].usual_high, count)
        for name in plan(lung_model(lung), names).parameters
    }


@pytest.mark.parametrize("lung", ["linear", "paired"])
def test_slopes_are_those_of_differences_in_eighty_bits(lung):
    if np.finfo(np.longdouble).eps > 1e-18:
        pytest.skip("needs a long double of eighty bits")
    values = usual(lung, NAMES)
    found = gradient(NAMES, SETTINGS, lung, **values)
    todo = plan(lung_model(lung), NAMES)
    long = {name: value.astype(np.longdouble) for name, value in values.items()}
    for by in SETTINGS:
        step = long[by] * np.longdouble(1e-6)
        after, before = (
            compute(lung_model(lung), todo, {**long, by: long[by] + s})[0] for s in (step, -step)
        )
        for name in NAMES:
            # the error of a central difference goes with the square of the step
            slope = ((after[name] - before[name]) / (2 * step)).astype(float)
            np.testing.assert_allclose(found[name][by], slope, rtol=1e-8, atol=1e-11, err_msg=name)


@pytest.fixture
def compiled_quickly():
    """Let JAX compile without most of its optimisations: twice as fast, the same formulas."""
    jax.config.update("jax_disable_most_optimizations", True)
    yield
    jax.config.update("jax_disable_most_optimizations", False)


@pytest.mark.parametrize("lung", ["tube", pytest.param("whole", marks=pytest.mark.slow)])
def test_slopes_are_those_of_differences(lung, compiled_quickly):
    names = ("auto_peep", "release_volume")
    values = usual(lung, names)
    if "upstream_resistance" in values:
        values["upstream_resistance"][:] = 0.0
    found = gradient(names, SETTINGS, lung, **values)
    for by in SETTINGS:
        step = 1e-4 * values[by]
        at = [
            evaluate(lung_model(lung), {**values, by: values[by] + k * step}, names).outcomes
            for k in (-2, -1, 1, 2)
        ]
        for name in names:
            far, near = at[3][name] - at[0][name], at[2][name] - at[1][name]
            slope = (8 * near - far) / (12 * step)
            scale = np.nanmax(np.abs(slope))
            np.testing.assert_allclose(
                found[name][by], slope, rtol=1e-6, atol=1e-7 * scale, err_msg=f"{name} by {by}"
            )


def test_the_margin_has_the_slope_of_its_bound():
    limits = LIMIT_SETS["flow_ratio"]
    values = usual("linear", limits.outcomes)
    found = gradient(limits.outcomes, ("t_low",), "linear", limits=limits, **values)
    solved = evaluate(lung_model("linear"), values, limits.outcomes)
    binding = judge(limits, solved.outcomes).binding
    sign = np.where([limits.hard[k].side == "low" for k in binding], 1.0, -1.0)
    expected = sign * found["flow_ratio"]["t_low"] / limits.hard[0].width
    np.testing.assert_allclose(found["margin"]["t_low"], expected, rtol=1e-12)


def test_what_is_derived_moves_along():
    by = "t_low_in_time_constants"
    found = gradient(["exhaled_fraction"], [by], "linear", **{by: 0.7})
    assert float(found["exhaled_fraction"][by]) == pytest.approx(np.exp(-0.7), rel=1e-12)


def test_without_a_steady_state_there_is_no_slope():
    found = gradient(["paco2"], ["t_low"], "linear", t_low=0.05, spontaneous_alveolar_ventilation=0)
    assert np.isnan(found["paco2"]["t_low"])


def test_what_has_no_slope_is_refused():
    with pytest.raises(EbbmapError, match="NumPy alone"):
        gradient(["auto_peep"], ["t_low"], "stepped")
    with pytest.raises(EbbmapError, match="hemoglobin: nothing here depends on it"):
        gradient(["auto_peep"], ["hemoglobin"], "linear")
