"""Strain and power: definitions, parts that add up, units."""

import numpy as np
import pytest

from ebbmap.cases.evaluate import evaluate
from ebbmap.exchange import load
from ebbmap.lungs import lung_model

LUNG = lung_model("linear")


def test_a_joule_is_a_pascal_times_a_cubic_metre():
    # 1 kPa is 10.19716 cmH2O: one litre moved at 1 kPa is 1 J
    assert load.mechanical_power(10.19716, 1000.0, 1.0) == pytest.approx(1.0, rel=1e-6)


def test_parts_add_up_and_neither_is_negative():
    rng = np.random.default_rng(5)
    values = {
        "p_high": rng.uniform(15, 35, 500),
        "p_low": rng.uniform(0, 10, 500),
        "t_high": rng.uniform(0.2, 8, 500),
        "t_low": rng.uniform(0.2, 1.8, 500),
        "compliance": rng.uniform(15, 110, 500),
    }
    found = evaluate(LUNG, values).outcomes
    whole, loop = found["mechanical_power"], found["mechanical_power_above_p_low"]
    np.testing.assert_allclose(found["elastic_power"] + found["resistive_power"], whole)
    assert (found["elastic_power"] > 0.0).all()
    assert (found["resistive_power"] > 0.0).all()
    below = values["p_low"] * found["release_minute_volume"] * 0.0980665
    np.testing.assert_allclose(whole - loop, below, atol=1e-12)


def test_strain_counts_trapped_gas_once():
    found = evaluate(LUNG, {}).outcomes
    # P low is 0 by default: the gas above relaxation is compliance (50) x alveolar pressure
    assert found["total_strain"] == pytest.approx(50.0 * found["end_high_pressure"] / 1500.0)
    assert found["dynamic_strain"] == pytest.approx(found["release_volume"] / 1500.0)


def test_resting_volume_by_weight():
    values = {
        "functional_residual_capacity_per_kg": np.array(20.0),
        "predicted_body_weight": np.array(70.0),
    }
    found = evaluate(LUNG, values, ("dynamic_strain", "release_volume")).outcomes
    assert found["dynamic_strain"] == pytest.approx(found["release_volume"] / 1400.0)
