"""Oxygen: the inversion of the content curve, the shunt equation, and where they end."""

import dataclasses

import numpy as np
import pytest
from scipy.optimize import brentq

from ebbmap.exchange import oxygen
from ebbmap.lungs.base import SOLVED
from ebbmap.lungs.linear import LINEAR
from ebbmap.registries.outcomes import plan

HEMOGLOBIN = np.array([2.0, 3.0, 5.0, 7.0, 9.0, 12.0, 15.0, 18.0, 22.0, 25.0])[:, None]


def test_round_trip_from_tension_over_the_whole_range():
    # beyond 700 mmHg up to what the highest barometric pressure can give
    tension = np.concatenate([np.geomspace(0.1, 700.0, 20_001), np.linspace(700.0, 1450.0, 500)])
    content = oxygen.content_of_po2(tension, HEMOGLOBIN)
    found = oxygen.po2_of_content(content, HEMOGLOBIN)
    # asked: 1e-9; reached: 1e-13, the digits that the plateau costs
    np.testing.assert_allclose(found, np.broadcast_to(tension, found.shape), rtol=1e-12)


def test_round_trip_from_content():
    content = np.geomspace(1e-12, 1.0, 5001) * (oxygen.BOUND * HEMOGLOBIN + 3.0)
    back = oxygen.content_of_po2(oxygen.po2_of_content(content, HEMOGLOBIN), HEMOGLOBIN)
    np.testing.assert_allclose(back, content, rtol=1e-12)  # two evaluations, each to rounding


def test_inversion_agrees_with_bracketing():
    rng = np.random.default_rng(3)
    for hemoglobin, content in zip(
        rng.uniform(2, 25, 50), rng.uniform(0.05, 1.05, 50), strict=True
    ):
        held = content * oxygen.BOUND * hemoglobin
        root = brentq(
            lambda po2, held=held, hb=hemoglobin: oxygen.content_of_po2(po2, hb) - held,
            0.0,
            2000.0,
            xtol=1e-12,
            rtol=1e-14,
        )
        # brentq stops at its tolerance or at rounding of the content on the plateau
        assert oxygen.po2_of_content(held, hemoglobin) == pytest.approx(root, rel=1e-10)


def test_inversion_rises_with_content():
    content = np.linspace(0.0, 1.1, 20_001) * oxygen.BOUND * HEMOGLOBIN
    assert (np.diff(oxygen.po2_of_content(content, HEMOGLOBIN), axis=1) > 0.0).all()


def test_inversion_of_nothing_and_of_nan():
    found = oxygen.po2_of_content(np.array([0.0, 1e-300, np.nan]), 15.0)
    assert found[0] == pytest.approx(0.0, abs=1e-12)
    assert 0.0 <= found[1] < 1e-12
    assert np.isnan(found[2])


def test_scalar_and_array_answers_agree():
    content = np.linspace(0.5, 20.0, 40)
    whole = oxygen.po2_of_content(content, 15.0)
    single = [float(oxygen.po2_of_content(value, 15.0)) for value in content]
    np.testing.assert_allclose(whole, single, rtol=1e-14)  # vector and scalar code round apart


def test_first_guess_is_as_good_as_it_claims():
    tension = np.geomspace(0.1, 1450.0, 5001)
    held = oxygen.content_of_po2(tension, HEMOGLOBIN) / oxygen.DISSOLVED
    capacity = oxygen.BOUND * HEMOGLOBIN / oxygen.DISSOLVED
    guess = oxygen._guess(held, capacity - held, capacity)
    once = oxygen._improve(guess, held, capacity - held)
    assert np.abs(once / tension - 1.0).max() < 1e-3
    assert np.abs(once / tension - 1.0)[2:].max() < 3e-4  # haemoglobin of 5 and more


def test_half_saturation_of_the_curve():
    root = brentq(lambda po2: oxygen.saturation(po2) - 0.5, 20.0, 30.0)
    assert root == pytest.approx(26.857, abs=5e-4)  # computed from equation 1, three decimals


def test_alveolar_tension_of_pure_oxygen_is_inspired_less_co2():
    assert oxygen.alveolar_po2(1.0, 40.0, 760.0, 0.7) == pytest.approx(760.0 - 47.0 - 40.0)


def test_alveolar_tension_ends_at_nothing():
    assert oxygen.alveolar_po2(0.21, np.array([150.0, 1e9]), 760.0, 0.8).tolist() == [0.0, 0.0]


def test_closed_share_falls_with_pressure_between_its_bounds():
    pressure = np.linspace(-5.0, 80.0, 500)
    share = oxygen.closed_fraction(pressure, 0.4, 12.5, 3.0)
    assert (np.diff(share) < 0.0).all()
    assert 0.0 < share.min() < share.max() < 0.4


def test_admixture_from_no_closed_lung_to_all_of_it():
    closed = np.linspace(0.0, 1.0, 101)
    admixture = oxygen.venous_admixture(0.05, closed, 0.5)
    assert admixture[0] == pytest.approx(0.05)
    assert admixture[-1] == pytest.approx(1.0)
    assert (np.diff(admixture) > 0.0).all()
    # equal blood flow everywhere: the share of blood is the share of lung
    np.testing.assert_allclose(oxygen.venous_admixture(0.0, closed, 1.0), closed)


def test_no_admixture_leaves_the_alveolar_tension():
    tension = np.array([20.0, 100.0, 400.0])
    content = oxygen.arterial_oxygen_content(tension, 0.0, 5.0, 12.0)
    np.testing.assert_allclose(oxygen.pao2(content, 12.0), tension, rtol=1e-12)


def test_blood_without_a_way_through_open_lung_gets_no_oxygen():
    assert oxygen.mixed_content(20.0, np.array([0.9, 1.0]), 5.0).tolist() == [0.0, 0.0]


def test_shunt_equation_returns_the_admixture():
    end_capillary, admixture, difference = 19.0, np.linspace(0.0, 0.7, 8), 4.5
    arterial = oxygen.mixed_content(end_capillary, admixture, difference)
    venous = arterial - difference
    np.testing.assert_allclose(
        (end_capillary - arterial) / (end_capillary - venous), admixture, atol=1e-14
    )


def test_a_lung_that_solves_the_closed_share_replaces_the_assumed_relation():
    def solve(**parameters):
        solved = dict(LINEAR.solve(**parameters))
        solved["closed_fraction"] = np.full(np.shape(solved["release_volume"]), 0.25)
        return solved

    lung = dataclasses.replace(LINEAR, solves=(*SOLVED, "closed_fraction"), solve=solve)
    own, assumed = plan(lung, ("venous_admixture",)), plan(LINEAR, ("venous_admixture",))
    assert "collapsible_share" in assumed.parameters
    assert "collapsible_share" not in own.parameters
    assert [name for name, *_ in own.steps] == ["venous_admixture"]


@pytest.mark.parametrize("widths", [-3.0, -1.0, 0.0, 0.5, 1.0, 2.0])
def test_closed_share_is_a_logistic_in_widths_from_its_middle(widths):
    told = oxygen.closed_fraction(12.5 + widths * 3.0, 0.4, 12.5, 3.0)
    # rounding of the widths
    assert float(told) == pytest.approx(0.4 / (1.0 + np.exp(widths)), rel=1e-12)


def test_open_units_are_weighed_by_the_time_of_their_phase():
    # 6 s with all open and 2 s with 0.6 open are 0.9 on average
    found = oxygen.closed_fraction_of_units(0.4, 1.0, 0.6, 6.0, 2.0, 12.5, 0.4, 12.5, 3.0)
    assert float(found) == pytest.approx(0.1, rel=1e-12)
    # the phases exchanged: 2 s and 6 s
    found = oxygen.closed_fraction_of_units(0.4, 1.0, 0.6, 2.0, 6.0, 12.5, 0.4, 12.5, 3.0)
    assert float(found) == pytest.approx(0.3, rel=1e-12)
