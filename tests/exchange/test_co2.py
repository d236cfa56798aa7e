"""CO2: closed forms, limits, and the status of a lung that is not ventilated."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from ebbmap.cases.evaluate import NO_STEADY_STATE, OK, OUT_OF_DOMAIN, evaluate, resolve
from ebbmap.exchange import co2, co2_stores
from ebbmap.lungs import lung_model

STORES = dict(co2_store_fast=30.0, co2_store_slow=60.0, co2_store_exchange=7.0)
NEED_VENTILATION = (
    "paco2",
    "ventilatory_ratio",
    "arterial_bicarbonate",
    "ph",
    "alveolar_po2",
    "oxygen_balance",
    "arterial_oxygen_content",
    "pao2",
    "spo2",
)


def test_steady_tension_balances_production_and_output():
    production = np.array([130.0, 200.0, 350.0])[:, None]
    ventilation = np.array([0.5, 2.157, 4.315, 12.0])
    tension = co2.paco2(production, ventilation)
    # output = VA * PaCO2 / 0.863: to rounding
    np.testing.assert_allclose(tension * ventilation / 0.863, np.broadcast_to(production, (3, 4)))


def test_dead_space_takes_the_first_part_of_a_release():
    volume = np.array([0.0, 100.0, 180.0, 180.0001, 500.0])
    ventilation = co2.alveolar_ventilation(10.0, volume, 150.0, 30.0, 0.25, 0.0)
    expected = np.array([0.0, 0.0, 0.0, 0.0001, 320.0]) * 10.0 * 0.75e-3
    # the fourth is a difference of volumes: 1e-14 * 180 / 1e-4
    np.testing.assert_allclose(ventilation, expected, rtol=1e-9)
    fraction = co2.dead_space_fraction(volume, 150.0, 30.0, 0.25)
    assert fraction[:3].tolist() == [1.0, 1.0, 1.0]
    assert fraction[4] == pytest.approx(1.0 - 0.75 * 320.0 / 500.0)


def test_own_breathing_adds_to_the_releases():
    alone = co2.alveolar_ventilation(10.0, 100.0, 150.0, 0.0, 0.0, 1.5)
    assert alone == 1.5


def test_no_ventilation_is_not_a_number_and_never_infinite():
    tension = co2.paco2(200.0, np.array([0.0, 1e-9, np.nan]))
    assert np.isnan(tension[[0, 2]]).all()
    assert np.isfinite(tension[1])
    # a subnormal ventilation is rounding, so the tension cannot overflow
    assert co2.alveolar_ventilation(10.0, 0.0, 150.0, 0.0, 0.0, 5e-324) == 0.0


def test_no_ventilation_is_a_status_and_leaves_the_mechanics():
    values = {"compliance": np.array([5.0, 50.0]), "airway_dead_space_per_kg": np.array(3.0)}
    result = evaluate(lung_model("linear"), values)
    assert result.status.tolist() == [NO_STEADY_STATE, OK]
    for name, found in result.outcomes.items():
        assert np.isnan(found[0]) == (name in NEED_VENTILATION), name
        assert np.isfinite(found[1]), name
    assert result.outcomes["alveolar_ventilation"][0] == 0.0


def test_status_is_not_set_where_gas_exchange_is_not_asked_for():
    values = {"compliance": np.array([5.0])}
    assert evaluate(lung_model("linear"), values, ("release_volume",)).status.tolist() == [OK]


def test_impossible_pressures_stay_out_of_domain():
    values = {"p_high": np.array([10.0, 5.0]), "p_low": np.array(5.0), "compliance": np.array(2.0)}
    result = evaluate(lung_model("linear"), values, ("paco2", "alveolar_ventilation"))
    assert result.status.tolist() == [NO_STEADY_STATE, OUT_OF_DOMAIN]
    assert np.isnan(result.outcomes["alveolar_ventilation"][1])


def test_production_by_weight_follows_height():
    given = {
        "co2_production_per_kg": np.array(3.0),
        "height": np.array(175.0),
        "sex": np.array(1.0),
    }
    found = resolve(given, ("co2_production", "predicted_body_weight"))
    assert found["co2_production"] == pytest.approx(3.0 * 70.566)


@pytest.mark.parametrize("ventilation", [0.0, 1e-6, 2.0, 4.315, 25.0])
def test_course_agrees_with_integration(ventilation):
    times = np.array([0.0, 1.0, 30.0, 600.0, 7200.0])

    def stores(_, tension):
        moved = 7.0 * (tension[0] - tension[1])
        return [(200.0 - ventilation / 0.863 * tension[0] - moved) / 30.0, moved / 60.0]

    solved = solve_ivp(
        stores,
        (0.0, 120.0),
        [45.0, 45.0],
        method="DOP853",
        t_eval=times / 60.0,
        rtol=1e-11,
        atol=1e-11,
    )
    found = co2_stores.paco2_course(times, 45.0, ventilation, 200.0, **STORES)
    # the integrator's tolerance, times the number of its steps
    np.testing.assert_allclose(found, solved.y[0], rtol=1e-8)


def test_course_ends_at_the_steady_tension_and_has_time_last():
    ventilation = np.array([2.0, 4.0, 8.0])
    course = co2_stores.paco2_course([0.0, 1e7], [40.0, 50.0, 60.0], ventilation, 200.0, **STORES)
    assert course.shape == (3, 2)
    np.testing.assert_allclose(course[:, 0], [40.0, 50.0, 60.0])
    np.testing.assert_allclose(course[:, 1], co2.paco2(200.0, ventilation), rtol=1e-12)


def test_course_stays_where_it_is_steady():
    steady = co2.paco2(200.0, 4.315)
    course = co2_stores.paco2_course(np.linspace(0.0, 3600.0, 7), steady, 4.315, 200.0, **STORES)
    np.testing.assert_allclose(course, steady, rtol=1e-13)


def test_apnoea_ends_in_a_straight_rise_of_production_over_both_stores():
    course = co2_stores.paco2_course([36000.0, 36060.0], 40.0, 0.0, 180.0, **STORES)
    # a difference of numbers near 1,240 mmHg
    assert np.diff(course)[0] == pytest.approx(180.0 / 90.0, rel=1e-11)


@pytest.mark.parametrize("effort", [1e-6, 0.1, 5.0])
def test_breathing_that_is_solved_for_is_not_counted_twice_however_weak(effort):
    # 10 a minute times 400 mL, a quarter of it without blood: 3 L; 1.5 L more without efforts
    shares = (10.0, 400.0, 0.25, 1.5)
    # one product of four numbers
    assert float(co2.alveolar_ventilation_of_breaths(*shares, effort)) == pytest.approx(3.0)
    assert float(co2.alveolar_ventilation_of_breaths(*shares, 0.0)) == pytest.approx(4.5)
