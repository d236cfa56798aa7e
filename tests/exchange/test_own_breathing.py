"""The law by which CO2 and stretch drive the effort, and what own breathing counts as."""

import numpy as np
import pytest

from ebbmap.exchange.co2 import alveolar_ventilation
from ebbmap.exchange.own_breathing import (
    alveolar_ventilation_of_efforts,
    driving_tension,
    peak_muscle_pressure,
)

LAW = {
    "effort_pressure": 2.0,
    "effort_gain": 0.8,
    "effort_set_point": 42.0,
    "effort_inhibition": 0.02,
}


def test_effort_is_silent_below_the_set_point_and_bounded_above():
    tension = np.array([20.0, 42.0, 47.0, 500.0])
    peak = peak_muscle_pressure(tension, 10.0, effort_limit=15.0, **LAW)
    # 5 mmHg x 0.8 x (1 - 0.02 x 10) above the 2 cmH2O that are there anyway
    np.testing.assert_allclose(peak, [2.0, 2.0, 5.2, 15.0], rtol=1e-12)


def test_an_effort_above_the_limit_stays_as_it_is():
    assert peak_muscle_pressure(90.0, 10.0, effort_limit=1.0, **LAW) == 2.0


def test_stretch_takes_drive_away_but_never_turns_it_round():
    stretched = peak_muscle_pressure(80.0, np.array([0.0, 25.0, 70.0]), effort_limit=60.0, **LAW)
    np.testing.assert_allclose(stretched, [32.4, 17.2, 2.0], rtol=1e-6)


def test_the_driving_tension_is_the_inverse():
    tension = np.array([44.0, 50.0, 57.5])
    peak = peak_muscle_pressure(tension, 12.0, effort_limit=60.0, **LAW)
    np.testing.assert_allclose(driving_tension(peak, 12.0, **LAW), tension, rtol=1e-12)


@pytest.mark.parametrize(("pressure", "gain"), [(5.0, 0.0), (0.0, 0.5)])
def test_breathing_given_as_a_number_counts_only_where_no_effort_is_solved(pressure, gain):
    gas = 10.0, 400.0, 0.25
    silent = alveolar_ventilation_of_efforts(*gas, 1.5, 0.0, 0.0)
    assert silent == alveolar_ventilation(10.0, 400.0, 0.0, 0.0, 0.25, 1.5)
    solved = alveolar_ventilation_of_efforts(*gas, 1.5, pressure, gain)
    assert solved == alveolar_ventilation(10.0, 400.0, 0.0, 0.0, 0.25, 0.0)
