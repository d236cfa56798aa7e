"""Waveforms with labels agree with the lung, cycle by cycle, whatever the timing of the cases."""

import numpy as np
import pytest
import xarray as xr

import ebbmap
from ebbmap.cases.waveforms import cycle_times
from ebbmap.errors import EbbmapError
from ebbmap.registries.signals import SIGNALS

#: Closed forms evaluated twice along different ways; measured below 1e-13.
ROUNDING = 1e-11


@pytest.mark.parametrize("lung", ["linear", "tube", "paired"])
def test_the_settled_waveform_ends_where_the_settled_cycle_ends(lung):
    drawn = ebbmap.waveforms(lung, p_high=26.0, t_low=0.4, t_high=3.0)
    solved = ebbmap.simulate(lung, p_high=26.0, t_low=0.4, t_high=3.0)
    # the last time lies a billionth of a cycle before the release ends
    assert float(drawn["alveolar_pressure"][-1]) == pytest.approx(
        float(solved["end_release_pressure"]), abs=1e-6
    )
    assert float(-drawn["flow"].min()) == pytest.approx(
        float(solved["peak_expiratory_flow"]), abs=1e-6
    )


def test_first_cycles_end_where_start_up_says():
    values = {"resistance_exp": [12.0, 30.0], "t_low": 0.4, "t_high": 1.5}
    first = ebbmap.start_up(lung="linear", start_pressure=5.0, cycles=4, **values)
    drawn = ebbmap.waveforms(lung="linear", start_pressure=5.0, cycles=4, points=7, **values)
    ends = drawn["alveolar_pressure"].values.reshape(2, 4, 14)[..., -1]
    # times just before the jump, a billionth of a cycle early
    np.testing.assert_allclose(ends, first["end_release_pressure"].values, atol=1e-6)


def test_cases_of_different_timing_are_drawn_as_if_alone():
    t_high, t_low = [2.0, 3.5, 2.0], [0.4, 0.4, 0.7]
    times = np.linspace(0.0, 12.0, 57)
    together = ebbmap.waveforms(
        lung="linear", times=times, start_pressure=4.0, t_high=t_high, t_low=t_low
    )
    for at, (long, short) in enumerate(zip(t_high, t_low, strict=True)):
        alone = ebbmap.waveforms(
            lung="linear", times=times, start_pressure=4.0, t_high=long, t_low=short
        )
        np.testing.assert_allclose(
            together["volume"][at], alone["volume"], rtol=ROUNDING, err_msg=str(at)
        )


def test_the_settled_cycle_repeats():
    t_high, t_low = 3.0, 0.5
    times = np.linspace(0.0, 3.4, 35)
    one = ebbmap.waveforms(lung="linear", times=times, t_high=t_high, t_low=t_low)
    third = ebbmap.waveforms(
        lung="linear", times=times + 2 * (t_high + t_low), t_high=t_high, t_low=t_low
    )
    # shifting a time costs a few of its last digits, and the pressure jumps at T high
    away = np.abs(times - t_high) > 1e-6
    np.testing.assert_allclose(one["flow"][away], third["flow"][away], rtol=1e-9, atol=1e-12)


def test_a_release_that_goes_on_empties_the_lung():
    drawn = ebbmap.waveforms(
        lung="linear", times=[5.0, 60.0], t_high=5.0, t_low=0.5, release_goes_on=True
    )
    assert float(drawn["alveolar_pressure"][1]) == pytest.approx(0.0, abs=1e-9)


def test_volume_is_the_integral_of_flow():
    drawn = ebbmap.waveforms("tube", resistance_quadratic=10.0, points=2001)
    time, flow = drawn["time"].values, drawn["flow"].values
    moved = np.concatenate([[0.0], np.cumsum(np.diff(time) * (flow[1:] + flow[:-1]) / 2)]) * 1000
    # trapezoids of a smooth decay over 2,000 steps: error of second order, measured 2e-3 mL
    np.testing.assert_allclose(drawn["volume"] - drawn["volume"][0], moved, atol=0.01)


def test_dimensions_names_and_units():
    name = "resistance_shared_exp"
    axis = xr.DataArray([10.0, 20.0], dims=name, coords={name: [10.0, 20.0]})
    drawn = ebbmap.waveforms("paired", times=[0.0, 1.0], t_low=[0.3, 0.4, 0.5], **{name: axis})
    assert set(drawn["flow"].dims) == {"sample", name, "time"}
    assert drawn["flow"].dims[-1] == "time"
    for name in drawn.data_vars:
        assert drawn[name].attrs["units"] == SIGNALS[name].units
        assert drawn[name].attrs["long_name"]
    assert drawn["time"].attrs["units"] == "s"


def test_an_impossible_case_is_nan_and_spoils_no_other():
    drawn = ebbmap.waveforms(lung="linear", p_high=[20.0, 5.0], p_low=9.0, times=[0.0, 1.0])
    assert np.isnan(drawn["flow"][1]).all()
    assert np.isfinite(drawn["flow"][0]).all()


@pytest.mark.parametrize(
    ("values", "told"),
    [
        ({"times": [1.0, 0.5]}, "times must increase"),
        ({"times": [-1.0, 0.5]}, "times must increase"),
        ({"times": []}, "times must increase"),
        ({"times": [0.0, np.nan]}, "times must increase"),
        ({"points": 1}, "points must be a whole number >= 2"),
        ({"cycles": 0}, "cycles must be a whole number >= 1"),
        ({"cycles": 2, "release_goes_on": True}, "one cycle only"),
        ({"t_low": -1.0}, "t_low must be between"),
        ({"t_lo": 1.0}, "did you mean 't_low'"),
    ],
    ids=str,
)
def test_what_cannot_be_drawn_is_said(values, told):
    with pytest.raises(EbbmapError, match=told):
        ebbmap.waveforms(lung="linear", **values)


def test_times_lie_on_both_sides_of_every_jump():
    grid = cycle_times(5.0, 0.5, 10, cycles=200)
    drawn = ebbmap.waveforms(
        lung="linear", times=grid, t_high=5.0, t_low=0.5, p_high=25.0, p_low=2.0
    )
    sides = drawn["airway_pressure"].values.reshape(200, 2, 10)
    assert (sides[:, 0] == 25.0).all()
    assert (sides[:, 1] == 2.0).all()


def test_the_stepped_lung_draws_how_much_is_open_and_lets_a_release_go_on():
    closing = {"recruitable_share": 0.3, "t_low": [0.5, 1.5], "t_high": 4.0}
    drawn = ebbmap.waveforms("stepped", times=[0.0, 3.9, 5.0, 8.0], release_goes_on=True, **closing)
    assert drawn["open_fraction"].attrs["units"] == "1"
    assert drawn["open_fraction"].attrs["long_name"] == "open fraction"
    solved = ebbmap.simulate("stepped", **closing)
    np.testing.assert_allclose(
        drawn["open_fraction"][:, 0], solved["open_fraction_end_release"], atol=1e-6
    )
    # in a release that goes on, no unit opens and the lung empties
    assert (drawn["open_fraction"].diff("time")[:, 1:] < 0.0).all()
    assert (drawn["alveolar_pressure"][:, -1] < 0.5).all()


def test_start_up_of_the_stepped_lung_has_the_open_fraction():
    values = {"recruitable_share": 0.3, "t_low": 1.5, "t_high": 2.0}
    first = ebbmap.start_up("stepped", start_pressure=5.0, cycles=2, **values)
    drawn = ebbmap.waveforms("stepped", start_pressure=5.0, cycles=2, points=4, **values)
    ends = drawn["open_fraction"].values.reshape(2, 8)[:, -1]
    # the stated error of the model; the last time lies a billionth of a cycle before the end
    np.testing.assert_allclose(ends, first["open_fraction_end_release"], atol=1e-6)
