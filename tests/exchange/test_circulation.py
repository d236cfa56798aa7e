"""The index of venous return: zero, linear, floored."""

import numpy as np
import pytest

from ebbmap.exchange.circulation import venous_return_change


def test_no_pressure_no_change():
    assert venous_return_change(0.0, 1.0, 7.0) == 0.0


def test_change_is_the_rise_over_the_gradient():
    # 1 mmHg is 1.35951 cmH2O: a rise of 2 mmHg takes a quarter of 8
    assert venous_return_change(2.0 * 1.35951, 1.0, 8.0) == pytest.approx(-0.25)


def test_no_more_than_the_whole_gradient_is_lost():
    assert venous_return_change(np.array([9.51657, 60.0]), 1.0, 7.0) == pytest.approx([-1.0, -1.0])


def test_falling_pleural_pressure_helps():
    assert venous_return_change(-2.0, 1.0, 7.0) > 0.0


def test_a_filling_pressure_that_rises_along_halves_the_loss():
    whole, half = venous_return_change(4.0, 1.0, 7.0), venous_return_change(4.0, 0.5, 7.0)
    assert half == pytest.approx(0.5 * whole)


@pytest.mark.parametrize(("share", "printed"), [(0.20, 3.4), (0.47, 7.8)])
def test_pleural_rise_in_injured_lungs(share, printed):
    # shares from Gattinoni et al., Am J Respir Crit Care Med 1998;158:3, at a mean airway pressure
    # of 22.7 cmH2O: 3.4 and 7.8 mmHg (derived; printed to one decimal, shares to two: 0.1)
    assert -venous_return_change(22.7 * share, 1.0, 20.0) * 20.0 == pytest.approx(printed, abs=0.1)
