"""What users pass to the Python API: labels aligned, units converted, the rest refused."""

import datetime
import math
from decimal import Decimal
from fractions import Fraction

import dask.array
import numpy as np
import pandas as pd
import pytest
import xarray as xr

import ebbmap
import ebbmap.cases.inputs
from ebbmap.analyses.common.windows import search_windows
from ebbmap.cases.evaluate import resolve
from ebbmap.errors import EbbmapError, TooLargeError
from ebbmap.lungs import LUNGS
from ebbmap.registries.limits import LIMIT_SETS
from ebbmap.registries.outcomes import OUTCOMES, outcomes_of
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.units import UNITS

SOLVERS = {
    "simulate": ebbmap.simulate,
    "start_up": lambda **values: ebbmap.start_up(lung="linear", cycles=2, **values),
    "waveforms": lambda **values: ebbmap.waveforms(lung="linear", points=3, **values),
}
each_solver = pytest.mark.parametrize("solve", SOLVERS.values(), ids=SOLVERS)


def labelled(values, labels, dim="x", **attrs):
    return xr.DataArray(values, dims=dim, coords={dim: labels}, attrs=attrs)


# labels


@each_solver
def test_values_with_labels_in_another_order_meet_by_label(solve):
    t_low = labelled([0.5, 0.9], ["a", "b"])
    mixed = solve(t_low=t_low, p_high=labelled([30.0, 20.0], ["b", "a"]))
    sorted_ = solve(t_low=t_low, p_high=labelled([20.0, 30.0], ["a", "b"]))
    xr.testing.assert_equal(mixed, sorted_)
    assert mixed["x"].values.tolist() == ["a", "b"]
    assert mixed["p_high"].values.tolist() == [20.0, 30.0]


@each_solver
def test_values_meet_by_label_with_a_start_pressure_or_series_too(solve):
    p_high = pd.Series([30.0, 20.0], index=pd.Index(["b", "a"], name="patient"))
    t_low = pd.Series([0.5, 0.9], index=pd.Index(["a", "b"], name="patient"))
    solved = solve(t_low=t_low, p_high=p_high)
    assert solved["sample"].values.tolist() == ["a", "b"]
    assert solved["p_high"].values.tolist() == [20.0, 30.0]


def test_a_start_pressure_meets_the_lungs_by_label():
    start = labelled([10.0, 0.0], ["b", "a"])
    first = ebbmap.start_up(
        lung="linear", start_pressure=start, compliance=labelled([40.0, 60.0], ["a", "b"])
    )
    assert first["start_pressure"].values.tolist() == [0.0, 10.0]
    assert first["start_pressure"].attrs["units"] == "cmH2O"
    drawn = ebbmap.waveforms(
        lung="linear", points=2, start_pressure=start, compliance=labelled([40.0, 60.0], ["a", "b"])
    )
    assert drawn["start_pressure"].values.tolist() == [0.0, 10.0]


@each_solver
@pytest.mark.parametrize(
    ("labels", "sentence"),
    [
        (["a", "c"], "the same labels along x as t_low; they differ, 'b' for one"),
        (["a", "a"], "the same labels along x as t_low; they differ"),
        ([0, 1], "the same labels along x as t_low; they differ"),
    ],
    ids=str,
)
def test_labels_that_differ_are_refused(solve, labels, sentence):
    with pytest.raises(EbbmapError, match=sentence):
        solve(t_low=labelled([0.5, 0.9], ["a", "b"]), p_high=labelled([20.0, 30.0], labels))


def test_windows_meet_by_label_too():
    compliance = labelled([40.0, 80.0], ["a", "b"])
    limits = LIMIT_SETS["flow_ratio"]
    mixed = search_windows(
        "linear",
        {"compliance": compliance, "resistance_exp": labelled([20.0, 10.0], ["b", "a"])},
        limits,
    )
    plain = search_windows(
        "linear", {"compliance": [40.0, 80.0], "resistance_exp": [10.0, 20.0]}, limits
    )
    np.testing.assert_array_equal(mixed["lower"], plain["lower"])
    with pytest.raises(EbbmapError, match="one dimension at most; got x, y"):
        both = {"compliance": compliance, "resistance_exp": labelled([10.0], ["a"], "y")}
        search_windows("linear", both, limits)


def test_labels_that_repeat_in_the_same_order_are_one_order():
    twice = labelled([0.5, 0.9], ["a", "a"])
    assert (
        ebbmap.simulate(
            lung="linear", t_low=twice, p_high=labelled([20.0, 30.0], ["a", "a"])
        ).sizes["x"]
        == 2
    )


def test_values_without_labels_meet_by_position():
    solved = ebbmap.simulate(
        lung="linear",
        t_low=labelled([0.5, 0.9], ["a", "b"]),
        p_high=xr.DataArray([20.0, 30.0], dims="x"),
    )
    assert solved["p_high"].sel(x="b") == 30.0


def test_a_second_coordinate_that_differs_is_refused():
    t_low = xr.DataArray([0.5, 0.9], dims="x", coords={"ward": ("x", ["n", "s"])})
    p_high = xr.DataArray([20.0, 30.0], dims="x", coords={"ward": ("x", ["s", "n"])})
    assert "ward" in ebbmap.simulate(lung="linear", t_low=t_low).coords
    with pytest.raises(EbbmapError, match="the coordinate 'ward' of p_high must be the same"):
        ebbmap.simulate(lung="linear", t_low=t_low, p_high=p_high)


# names that the result needs, or that would say something else


@each_solver
def test_labels_of_a_parameter_that_is_not_given_are_refused(solve):
    t_low = xr.DataArray([0.5, 0.9], dims="x", coords={"p_high": 30.0})
    with pytest.raises(EbbmapError, match="t_low has a coordinate 'p_high', but the parameter"):
        solve(t_low=t_low)
    with pytest.raises(EbbmapError, match="coordinate 'p_high' with other values"):
        solve(t_low=t_low, p_high=20.0)
    assert solve(t_low=t_low, p_high=30.0).sizes["x"] == 2


@each_solver
def test_a_dimension_named_like_a_parameter_that_is_not_given_is_refused(solve):
    over = xr.DataArray([0.5, 0.9], dims="p_high")
    with pytest.raises(EbbmapError, match="t_low has a dimension 'p_high', but the parameter"):
        solve(t_low=over)
    with pytest.raises(EbbmapError, match="p_high must vary along it and nothing else"):
        solve(t_low=over, p_high=20.0)
    with pytest.raises(EbbmapError, match="t_low has a coordinate 'p_high' with other values"):
        solve(
            t_low=labelled([0.5, 0.9], [20, 30], "p_high"),
            p_high=labelled([20, 31], [20, 30], "p_high"),
        )
    assert solve(t_low=over, p_high=xr.DataArray([20.0, 30.0], dims="p_high")).sizes["p_high"] == 2


@pytest.mark.parametrize("name", [*OUTCOMES, "status", "verdict", "margin", "binding"])
def test_no_dimension_or_coordinate_takes_a_name_of_the_result(name):
    lung = next((key for key, model in LUNGS.items() if name in outcomes_of(model)), "linear")
    for value in (
        xr.DataArray([0.5, 0.9], dims=name),
        xr.DataArray([0.5, 0.9], dims="x", coords={name: ("x", [1, 2])}),
    ):
        with pytest.raises(EbbmapError, match=f"t_low must have no .* called '{name}'"):
            ebbmap.simulate(lung, limits=LIMIT_SETS["pressure"], t_low=value)


@pytest.mark.parametrize(
    ("solve", "name"), [("start_up", "cycle"), ("waveforms", "time"), ("waveforms", "flow")]
)
def test_no_dimension_takes_the_name_of_a_results_own(solve, name):
    with pytest.raises(EbbmapError, match=f"t_low must have no dimension called '{name}'"):
        SOLVERS[solve](t_low=xr.DataArray([0.5, 0.9], dims=name))


# units


@each_solver
@pytest.mark.parametrize(
    ("name", "given", "units", "value"),
    [
        # 1 kPa = 10.1972 cmH2O, 1 mbar = 1.01972, 1 mmHg = 1.35951 (from 98.0665 Pa a cmH2O)
        ("p_high", 2.5, "kPa", 25.49291),
        ("p_high", 24.0, "mbar", 24.47319),
        ("p_high", 24.0, "hPa", 24.47319),
        ("p_high", 20.0, "mmHg", 27.1902),
        ("p_high", 24.0, "cmH₂O", 24.0),
        ("p_high", 240.0, "mmH2O", 24.0),
        ("t_low", 500.0, "ms", 0.5),
        ("t_low", 0.01, "min", 0.6),
        ("compliance", 0.05, "L cmH2O-1", 50.0),
        ("compliance", 0.05, "L/cmH2O", 50.0),
        ("compliance", 50.0, "mL/mbar", 49.03325),
        ("resistance_exp", 0.02, "cmH2O s mL-1", 20.0),
        ("resistance_exp", 20.0, "mbar·s/L", 20.394324),
        ("resistance_exp", 20.0, "cmH2O L^-1 s", 20.0),
    ],
)
def test_equivalent_units_are_converted(solve, name, given, units, value):
    solved = solve(**{name: xr.DataArray(given, attrs={"units": units})})
    plain = solve(**{name: value})
    for key in solved.data_vars:
        # the values above have seven figures; a pressure ten times off would show a hundred percent
        np.testing.assert_allclose(solved[key], plain[key], rtol=1e-5, atol=1e-4)
    if name in solved.coords:
        assert float(solved[name]) == pytest.approx(value, rel=1e-6)
        assert solved[name].attrs["units"] == PARAMETERS[name].units


@each_solver
@pytest.mark.parametrize(
    ("name", "units", "sentence"),
    [
        ("p_high", "s", "p_high must be in cmH₂O or a unit that can be converted to it"),
        ("p_high", "furlong", "'furlong' is not a unit that is known here"),
        ("p_high", "cmH2O-1", "cannot be converted"),
        ("p_high", "1", "cannot be converted"),
        ("compliance", "mL cmH2O", "cannot be converted"),
        ("t_low", 1.0, "got units = 1.0"),
        ("t_low", "s" * 10_000, "got units = 'sss"),
        ("sex", "cmH2O", "sex must be in no unit or a unit"),
    ],
    ids=str,
)
def test_other_units_are_refused(solve, name, units, sentence):
    with pytest.raises(EbbmapError, match=sentence) as error:
        solve(**{name: xr.DataArray(1.0, attrs={"units": units})})
    assert len(str(error.value)) < 1000


@pytest.mark.parametrize("name", PARAMETERS)
def test_every_parameter_takes_its_own_unit_and_no_other_kind(name):
    value = float(PARAMETERS[name].default)
    needed = {"height", "sex"} & {name}
    given = {n: PARAMETERS[n].default for n in ("height", "sex") if needed}
    given[name] = xr.DataArray(value, attrs={"units": PARAMETERS[name].units})
    assert float(ebbmap.cases.inputs.as_arrays(given)[name]) == value
    refused = 0
    for units in UNITS - {PARAMETERS[name].units}:
        try:
            ebbmap.cases.inputs.as_arrays({name: xr.DataArray(value, attrs={"units": units})})
        except EbbmapError:
            refused += 1
    # litres, mmHg and minutes aside, the vocabulary holds other kinds of quantity only
    assert refused >= len(UNITS) - 4


def test_the_labels_of_a_converted_axis_are_converted_with_it():
    t_low = xr.DataArray(
        [300.0, 500.0], dims="t_low", coords={"t_low": [300.0, 500.0]}, attrs={"units": "ms"}
    )
    t_low["t_low"].attrs["units"] = "ms"
    solved = ebbmap.simulate(
        lung="linear", t_low=t_low, p_high=(20.0 + t_low / 100).drop_attrs(deep=False)
    )
    assert solved["t_low"].values.tolist() == [0.3, 0.5]
    assert solved["p_high"].values.tolist() == [23.0, 25.0]


def test_times_are_converted_too():
    times = xr.DataArray([0.0, 500.0], dims="t", attrs={"units": "ms"})
    assert ebbmap.waveforms(lung="linear", times=times)["time"].values.tolist() == [0.0, 0.5]
    for bad in ([0.0, math.inf], [0.0, math.nan], [False, True], [b"1"], "0", [1 + 1j]):
        with pytest.raises(EbbmapError, match="times must"):
            ebbmap.waveforms(lung="linear", times=bad)


class Quantity:
    """What a library of units hands in: numbers that carry a unit."""

    magnitude, units = 24.0, "kilopascal"

    def __array__(self, *_, **__):
        return np.array(self.magnitude)


# what is no number


NO_NUMBERS = {
    "masked": (np.ma.array([0.5, 9.0, 0.9], mask=[0, 1, 0]), "must have no masked values; got 1"),
    "True": (True, r"got True \(a truth value\)"),
    "numpy True": (np.True_, "a truth value"),
    "truths": (np.array([True, False]), "a truth value"),
    "a truth among numbers": ([0.5, True], "a truth value"),
    "labelled truths": (xr.DataArray([True, False], dims="x"), "a truth value"),
    "timedelta64": (np.timedelta64(1, "s"), "a time difference"),
    "timedeltas": (np.array([1, 2], "m8[s]"), "a time difference"),
    "labelled timedeltas": (xr.DataArray(np.array([1], "m8[ns]"), dims="x"), "a time difference"),
    "timedelta": (datetime.timedelta(seconds=1), "a time difference"),
    "datetime64": (np.datetime64("2026-01-01"), "a date"),
    "datetime": (datetime.datetime(2026, 1, 1), "a date"),
    "bytes": (b"1", "bytes"),
    "bytes array": (np.array([b"1"]), "bytes"),
    "text": ("0.5", "text"),
    "texts": (["0.5", "0.6"], "text"),
    "complex": (1 + 0j, "a complex number"),
    "complex array": (np.array([1 + 0j]), "a complex number"),
    "ragged": ([[0.5], [0.5, 0.6]], "must be a number"),
    "none": (None, "must be a finite number"),
    "dict": ({"a": 1}, "a dict"),
    "object": (object(), "must be a number"),
    "dataset": (xr.Dataset({"t_low": 1.0}), "must be a number"),
    "frame": (pd.DataFrame({"t_low": [1.0, 2.0]}), "got an array of 2 axes"),
    "lazy": (dask.array.ones(3), r"must be held in memory; got a lazy array \(dask\)"),
    "labelled lazy": (xr.DataArray(dask.array.ones(3), dims="x"), "must be held in memory"),
    "quantity": (Quantity(), "must be numbers; got a quantity in 'kilopascal'"),
    "empty": ([], "must have at least one value"),
    "nan": ([0.5, math.nan], "must be a finite number"),
}


@each_solver
@pytest.mark.parametrize("kind", NO_NUMBERS)
def test_what_is_no_number_is_refused(solve, kind):
    value, sentence = NO_NUMBERS[kind]
    with pytest.raises(EbbmapError, match=sentence) as error:
        solve(t_low=value)
    assert str(error.value).startswith("t_low")


@pytest.mark.parametrize("kind", NO_NUMBERS)
def test_a_start_pressure_is_refused_by_its_own_name(kind):
    for solve in (ebbmap.start_up, ebbmap.waveforms):
        if kind == "none" and solve is ebbmap.waveforms:
            continue  # None is the settled cycle there
        with pytest.raises(EbbmapError, match=r"^start_pressure"):
            solve(start_pressure=NO_NUMBERS[kind][0])


@pytest.mark.parametrize(
    "value",
    [
        1,
        np.int8(1),
        np.uint64(1),
        np.float32(1),
        Fraction(1),
        Decimal(1),
        np.longdouble(1),
        np.ma.array([1.0, 1.0], mask=[0, 0]),
        range(1, 3),
        (1.0, 1.0),
        pd.Series([1.0, 1.0]),
    ],
    ids=repr,
)
def test_numbers_of_any_kind_are_numbers(value):
    solved = ebbmap.simulate(lung="linear", t_low=value)
    assert float(solved["t_low"].values.reshape(-1)[0]) == 1.0


def test_a_category_is_a_word_or_its_code():
    by_word = ebbmap.simulate(lung="linear", sex=["male", "female"], height=175.0)
    by_code = ebbmap.simulate(lung="linear", sex=[1, 0], height=175.0)
    xr.testing.assert_equal(by_word, by_code)


@pytest.mark.parametrize("value", [2.5, 2.0, True, 0, -1, "3", None, [3]], ids=repr)
def test_a_count_that_is_no_whole_number_is_refused(value):
    with pytest.raises(EbbmapError, match="cycles must be a whole number >= 1"):
        ebbmap.start_up(lung="linear", cycles=value)
    with pytest.raises(EbbmapError, match="cycles must be a whole number >= 1"):
        ebbmap.waveforms(lung="linear", cycles=value)
    with pytest.raises(EbbmapError, match="points must be a whole number >= 2"):
        ebbmap.waveforms(lung="linear", points=value)


# sizes


@each_solver
@pytest.mark.parametrize("axes", [4, 8, 20])
def test_cases_are_counted_past_what_64_bits_hold(solve, axes):
    names = [name for name, entry in PARAMETERS.items() if not entry.choices][:axes]
    grid = {
        name: xr.DataArray(np.full(2**16, PARAMETERS[name].default), dims=name) for name in names
    }
    # the first cycles count each case twice: two cycles were asked for
    cases = 2 ** (16 * axes) * (2 if solve is SOLVERS["start_up"] else 1)
    with pytest.raises(TooLargeError, match=f"{cases:,} cases"):
        solve(**grid)


# memory


@pytest.mark.parametrize("solve", SOLVERS.values(), ids=SOLVERS)
def test_a_result_shares_no_memory_with_what_was_given(solve):
    labels = np.array([1.0, 2.0, 3.0])
    values = {
        "t_low": np.array([0.3, 0.5, 0.8]),
        "p_high": xr.DataArray(np.array([20.0, 25.0]), dims="p_high"),
        "p_low": xr.DataArray(np.zeros(3), dims="x", coords={"x": labels, "second": ("x", labels)}),
        "compliance": np.array(50.0),
    }
    solved = solve(**values)
    before = {name: np.array(value) for name, value in values.items()}
    arrays = [np.asarray(value) for value in values.values()] + [labels]
    for variable in solved.variables.values():
        for array in arrays:
            assert not np.shares_memory(variable.values, array)
    for variable in solved.data_vars.values():
        variable.values[...] = 9.0
    for name, value in values.items():
        np.testing.assert_array_equal(value, before[name])


def test_what_is_given_is_left_as_it_was():
    t_low = xr.DataArray([500.0], dims="x", attrs={"units": "ms", "note": "mine"})
    ebbmap.simulate(lung="linear", t_low=t_low)
    assert t_low.attrs == {"units": "ms", "note": "mine"}
    assert t_low.values.tolist() == [500.0]


def test_resolved_defaults_are_no_part_of_the_registry():
    resolve({}, ("p_high",))["p_high"][...] = 1.0
    assert float(ebbmap.simulate(lung="linear")["p_high"]) == PARAMETERS["p_high"].default
