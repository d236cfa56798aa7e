"""The index of venous return: zero, linear, floored."""

import numpy as np
import pytest

from ebbmap.exchange.circulation import venous_return_change


def test_no_pressure_no_change():
    assert venous_return_change(0.0, 7.0) == 0.0


def test_change_is_the_rise_over_the_gradient():
    # 1 mmHg is 1.35951 cmH2O: a rise of 2 mmHg takes a quarter of 8
    assert venous_return_change(2.0 * 1.35951, 8.0) == pytest.approx(-0.25)


def test_no_more_than_the_whole_gradient_is_lost():
    assert venous_return_change(np.array([9.51657, 60.0]), 7.0) == pytest.approx([-1.0, -1.0])


def test_falling_pleural_pressure_helps():
    assert venous_return_change(-2.0, 7.0) > 0.0
