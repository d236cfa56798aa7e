"""Virtual measurement against closed forms on simple lungs and the lungs' own properties."""

import numpy as np
import pytest

from ebbmap.cases.measurement import SETTLED, Breath, measure
from ebbmap.errors import EbbmapError

LINEAR = {"compliance": 50.0, "resistance_insp": 10.0, "resistance_exp": 12.0}

#: The solver's own error, of volumes and flows, with some to spare.
CLOSE = 1e-7


def linear_cases(n=200, seed=0):
    rng = np.random.default_rng(seed)
    return {
        "compliance": rng.uniform(20.0, 100.0, n),
        "resistance_insp": rng.uniform(5.0, 40.0, n),
        "resistance_exp": rng.uniform(5.0, 60.0, n),
    }


def test_the_linear_lung_is_read_as_its_closed_form_says():
    cases = linear_cases()
    breath = Breath(tidal_volume=400.0, flow=0.7, rate=18.0, pause=0.2)
    read = measure("linear", cases, breath)
    tau = cases["compliance"] * cases["resistance_exp"] / 1000.0
    left = np.exp(-breath.expiration / tau)
    trapped = 400.0 * left / (1.0 - left)
    # what is left of the expired volume, and what stays behind, drive the flow
    remaining = 0.75 * 400.0
    expected = {
        "static_compliance": cases["compliance"],
        "resistance_insp": cases["resistance_insp"],
        "resistance_interrupter": cases["resistance_insp"],
        "time_constant_exp": tau * remaining / (remaining + trapped),
        "peak_expiratory_flow": (400.0 + trapped) / 1000.0 / tau,
    }
    for name, value in expected.items():
        np.testing.assert_allclose(read[name], value, rtol=CLOSE, err_msg=name)
    # relative to the tidal pressure: little may be left
    off = np.abs(read["auto_peep"] - trapped / cases["compliance"]) * cases["compliance"] / 400.0
    assert np.max(off) < CLOSE
    # a straight volume-flow line has one slope
    np.testing.assert_allclose(read["time_constant_slices"], np.tile(tau[:, None], 5), rtol=1e-5)


def test_the_tube_is_read_at_the_flow_of_the_inflation():
    cases = linear_cases(50, 1)
    for flow in (0.5, 1.0):
        read = measure("tube", cases | {"resistance_quadratic": 8.0}, Breath(flow=flow, rate=8.0))
        np.testing.assert_allclose(
            read["resistance_insp"], cases["resistance_insp"] + 8.0 * flow, rtol=1e-9
        )


def test_a_tube_shortens_the_late_slices_and_a_slow_part_makes_up_for_it():
    tube = measure("tube", LINEAR | {"resistance_quadratic": 8.0}, Breath(rate=8.0))
    whole = measure(
        "whole",
        LINEAR | {"resistance_quadratic": 8.0, "slow_volume_share": 0.19},
        Breath(rate=8.0),
    )
    tube_slices, whole_slices = tube["time_constant_slices"], whole["time_constant_slices"]
    assert np.all(np.diff(tube_slices) < 0.0)
    assert np.ptp(whole_slices) < np.ptp(tube_slices)


def test_a_longer_hold_reads_more_of_the_slow_part():
    case = LINEAR | {"slow_volume_share": 0.2, "time_constant_slow": 3.0}
    read = [measure("whole", case, Breath(rate=6.0, hold=hold)) for hold in (0.0, 0.3, 3.0, 30.0)]
    resistance = [float(one["resistance_insp"]) for one in read]
    assert resistance[0] == pytest.approx(float(read[0]["resistance_interrupter"]), rel=1e-12)
    assert np.all(np.diff(resistance) > 0.0)
    # after ten time constants the stores have evened out: e^-10 of some cmH2O is left
    assert float(read[-1]["static_compliance"]) == pytest.approx(50.0, rel=1e-4)


def test_the_paired_lung_and_the_whole_lung_that_it_is_are_read_alike():
    paired = {
        "compliance_fast": 40.0,
        "compliance_slow": 10.0,
        "resistance_fast": 3.0,
        "resistance_slow": 450.0,
        "resistance_shared_insp": 6.0,
        "resistance_shared_exp": 9.0,
    }
    whole = {
        "compliance": 50.0,
        "slow_volume_share": 0.2,
        "time_constant_slow": 4.5,
        "resistance_insp": 9.0,
        "resistance_exp": 12.0,
        "own_resistance_share": 1.0 / 3.0,
        "resistance_quadratic": 0.0,
    }
    one, other = (
        measure(name, case, Breath()) for name, case in (("paired", paired), ("whole", whole))
    )
    for name, value in one.items():
        np.testing.assert_allclose(value, other[name], rtol=1e-9, err_msg=name)


def test_one_agrees_with_many():
    cases = linear_cases(1100, 2)
    read = measure("linear", cases, Breath(valve_time=0.05))
    assert read["static_compliance"].shape == (1100,)
    assert read["time_constant_slices"].shape == (1100, 5)
    for index in (0, 700, 1099):
        one = measure(
            "linear", {name: value[index] for name, value in cases.items()}, Breath(valve_time=0.05)
        )
        for name, value in one.items():
            # one alone stops as soon as it has settled; among others it goes on until all have
            unsettled = SETTLED if name == "auto_peep" else 0.0
            expected = read[name][index]
            np.testing.assert_allclose(value, expected, rtol=CLOSE, atol=unsettled, err_msg=name)


@pytest.mark.parametrize(
    ("breath", "text"),
    [
        (Breath(flow=0.0), "flow must be > 0; got 0"),
        (Breath(tidal_volume=[400.0, -1.0]), "tidal_volume must be > 0; got -1"),
        (Breath(pause=-0.1), "pause must be >= 0"),
        (Breath(rate=np.nan), "rate must be > 0; got nan"),
        (Breath(tidal_volume=2000.0, flow=0.2), "must leave time to breathe out"),
    ],
)
def test_an_impossible_breath_is_refused(breath, text):
    with pytest.raises(EbbmapError, match=text):
        measure("linear", LINEAR, breath)


def test_a_lung_that_cannot_be_measured_is_refused():
    with pytest.raises(EbbmapError, match="'stepped' cannot be measured"):
        measure("stepped", {}, Breath())
