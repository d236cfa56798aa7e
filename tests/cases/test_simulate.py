import json
import subprocess
import sys

import numpy as np
import pytest
import xarray as xr

from ebbmap.cases.evaluate import evaluate
from ebbmap.cases.simulate import add_verdict, simulate, start_up
from ebbmap.caution import CAUTION
from ebbmap.errors import EbbmapError
from ebbmap.kernels.judging import VERDICTS, judge
from ebbmap.lungs import LUNGS
from ebbmap.registries.limits import LIMIT_SETS
from ebbmap.registries.outcomes import outcomes_of
from ebbmap.registries.parameters import PARAMETERS


def axis(name, *values):
    return xr.DataArray(list(values), dims=name, coords={name: list(values)})


def test_one_case_has_no_dimension():
    solved = simulate(lung="linear", p_high=24.0)
    assert not solved.sizes
    assert set(outcomes_of(LUNGS["linear"])) | {"status"} == set(solved.data_vars)


def test_lists_share_the_sample_dimension():
    solved = simulate(lung="linear", p_high=[20.0, 24.0], t_low=[0.3, 0.5])
    assert dict(solved.sizes) == {"sample": 2}
    one = simulate(lung="linear", p_high=24.0, t_low=0.5)
    # vectorised exponentials may round the last digit another way
    assert solved["auto_peep"][1] == pytest.approx(float(one["auto_peep"]), rel=1e-14)


def test_named_dimensions_span_a_grid_in_any_order():
    t_low, p_high = axis("t_low", 0.3, 0.5, 0.8), axis("p_high", 20.0, 24.0)
    lungs = xr.DataArray(np.linspace(30, 80, 4), dims="sample")
    one = simulate(lung="linear", t_low=t_low, p_high=p_high, compliance=lungs)
    other = simulate(lung="linear", compliance=lungs, p_high=p_high, t_low=t_low)
    assert dict(one.sizes) == {"t_low": 3, "p_high": 2, "sample": 4}
    xr.testing.assert_allclose(one["auto_peep"], other["auto_peep"].transpose(*one.dims))
    assert one["compliance"].dims == ("sample",)


def test_every_parameter_used_is_a_coordinate():
    solved = simulate(lung="linear", t_low=[0.3, 0.5], height=175.0, sex="male")
    assert float(solved["p_high"]) == PARAMETERS["p_high"].default
    assert float(solved["predicted_body_weight"]) == pytest.approx(70.566)
    assert solved["sex"].attrs["flag_meanings"] == "female male"


def test_a_result_says_where_it_comes_from():
    attrs = simulate(lung="linear").attrs
    assert attrs["caution"] == CAUTION
    assert attrs["lung"] == "linear"
    assert attrs["source"].startswith("ebbmap ")
    assert "numpy" in json.loads(attrs["versions"])


@pytest.mark.parametrize(
    ("values", "text"),
    [
        ({"p_hi": 25.0}, "unknown parameter 'p_hi'; did you mean 'p_high'"),
        ({"p_high": "high"}, "p_high must be a number; got 'high'"),
        ({"p_high": [20.0, None]}, "p_high must be a finite number"),
        ({"p_high": [[20.0]]}, "got an array of 2 axes"),
        ({"p_high": []}, "p_high must have at least one value"),
        ({"sex": "men"}, "unknown sex 'men'"),
        ({"p_high": [20.0, 25.0], "t_low": [0.3, 0.5, 0.8]}, "t_low must have 2 values along"),
    ],
    ids=str,
)
def test_values_that_cannot_be_are_refused(values, text):
    with pytest.raises(EbbmapError, match=text):
        simulate(lung="linear", **values)


def test_all_bad_values_are_listed():
    with pytest.raises(EbbmapError) as error:
        simulate(lung="linear", p_hi=1.0, t_low=-1.0, p_high="x")
    assert len(str(error.value).splitlines()) == 3


def test_unknown_lungs_and_outcomes_are_refused():
    with pytest.raises(EbbmapError, match="did you mean 'linear'"):
        simulate("linea")
    with pytest.raises(EbbmapError, match="did you mean 'auto_peep'"):
        simulate(lung="linear", outcomes=["autopeep"])


def test_verdicts_are_those_of_the_limits():
    limits = LIMIT_SETS["pressure"]
    p_high = np.linspace(12, 36, 49)
    solved = simulate(
        lung="linear",
        outcomes=["release_rate"],
        limits=limits,
        p_high=p_high,
        p_low=13.0,
        t_low=2.0,
    )
    assert set(limits.outcomes) < set(solved.data_vars)
    judged = judge(limits, {name: solved[name].values for name in limits.outcomes})
    assert {VERDICTS[v] for v in judged.verdict} == set(VERDICTS)
    np.testing.assert_array_equal(solved["verdict"], judged.verdict)
    np.testing.assert_array_equal(solved["margin"], judged.margin)
    np.testing.assert_array_equal(solved["binding"], judged.binding)
    names = solved["binding"].attrs["flag_meanings"].split()
    assert names == [bound.name for bound in limits.hard]


def test_a_verdict_can_be_added_later():
    limits = LIMIT_SETS["flow_ratio"]
    at_once = simulate(lung="linear", limits=limits, t_low=[0.3, 0.9])
    later = add_verdict(simulate(lung="linear", t_low=[0.3, 0.9]), limits)
    xr.testing.assert_identical(at_once.drop_attrs(deep=False), later.drop_attrs(deep=False))


def test_the_dataset_holds_the_engines_numbers():
    values = {"t_low": np.linspace(0.2, 1.2, 9), "p_high": np.array(28.0)}
    solved, expected = simulate(lung="linear", **values), evaluate(LUNGS["linear"], values)
    for name, array in expected.outcomes.items():
        np.testing.assert_array_equal(solved[name], array)


def test_first_cycles_are_counted_and_labelled():
    first = start_up(
        lung="linear", start_pressure=[0.0, 5.0, 10.0], cycles=6, outcomes=["auto_peep"]
    )
    assert first["auto_peep"].dims == ("sample", "cycle")
    assert first["cycle"].values.tolist() == [1, 2, 3, 4, 5, 6]
    assert first["auto_peep"].attrs["units"] == "cmH2O"


def test_trapping_builds_up_to_the_settled_value():
    slow = dict(compliance=90.0, resistance_exp=50.0, resistance_insp=30.0, t_high=2.0)
    first = start_up(lung="linear", start_pressure=0.0, cycles=40, **slow)["auto_peep"]
    # strict growth holds until the distance left is below rounding
    assert (first.diff("cycle")[:8] > 0).all()
    assert float(first[-1]) == pytest.approx(
        float(simulate(lung="linear", **slow)["auto_peep"]), rel=1e-12
    )


@pytest.mark.parametrize("start", [float("nan"), float("inf"), -5.0, 500.0, "five"], ids=str)
def test_a_start_pressure_that_cannot_be_is_refused(start):
    with pytest.raises(EbbmapError, match="start_pressure"):
        start_up(lung="linear", start_pressure=start)


def test_first_cycles_with_pressures_in_the_wrong_order_are_nan():
    names = LUNGS["linear"].solves
    first = start_up(lung="linear", p_high=10.0, p_low=[5.0, 10.0, 15.0], cycles=2, outcomes=names)
    for name in names:
        assert first[name].isnull().all("cycle").values.tolist() == [False, True, True], name


def run(code):
    return subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)


def test_the_package_offers_its_entry_points():
    done = run("import ebbmap; ebbmap.simulate(), ebbmap.start_up()")
    assert done.returncode == 0, done.stderr


def test_the_entry_points_survive_other_imports():
    done = run("import ebbmap, ebbmap.analyses.sweep; ebbmap.simulate(), ebbmap.start_up()")
    assert done.returncode == 0, done.stderr
