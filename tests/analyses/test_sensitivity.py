import numpy as np
import pytest
import xarray as xr

from ebbmap.analyses.common import sensitivity
from ebbmap.analyses.common.sensitivity import estimate_sobol
from ebbmap.cases.design import (
    RESAMPLING_STREAM,
    draw_random_design,
    draw_sobol_design,
    seed_stream,
)
from ebbmap.errors import DesignMismatchError, EbbmapError, NonFiniteOutcomeError
from ebbmap.kernels.resampling import CI_BOOTSTRAP
from ebbmap.kernels.sobol import sobol_indices

NAMES = ["compliance", "resistance_exp", "t_low"]


@pytest.fixture(scope="module")
def design():
    return draw_sobol_design(NAMES, 128, seed=0)


@pytest.fixture
def outputs(design):
    """One outcome without extra dims, one with a time, one with a time and a rule."""
    time = xr.DataArray([0.3, 0.5, 0.7, 0.9], dims="time", attrs={"units": "s"})
    rule = xr.DataArray(["flow", "volume"], dims="rule")
    compliance, resistance, t_low = (design.unit.sel(parameter=name) for name in NAMES)
    strength = xr.DataArray([1.0, 3.0], dims="rule")
    return (
        xr.Dataset(
            {
                "auto_peep": compliance * resistance + t_low,
                "release_volume": compliance * time + resistance,
                "flow_ratio": (t_low * strength + compliance * time).transpose("rule", ...),
            }
        )
        .assign_coords(time=time, rule=rule, breath=("time", [1, 2, 3, 4]))
        .drop_vars("parameter")
    )


def estimate(design, outputs, **options):
    return estimate_sobol(design, outputs, **({"resamples": 20} | options))


def test_dims_and_labels(design, outputs):
    outputs["auto_peep"].attrs["units"] = "cmH2O"
    result = estimate(design, outputs, seed=3, level=0.9)
    extra = ("time", "rule", "outcome")
    assert result["first"].dims == (*extra, "parameter")
    assert result["second"].dims == (*extra, "parameter", "parameter_other")
    assert result["total_interval"].dims == (*extra, "parameter", "ci_bound")
    assert result["second_interval"].dims == (*extra, "parameter", "parameter_other", "ci_bound")
    assert result["dropped"].dims == result["variance"].dims == extra
    assert result.outcome.values.tolist() == ["auto_peep", "release_volume", "flow_ratio"]
    assert result.parameter.values.tolist() == result.parameter_other.values.tolist() == NAMES
    assert result.ci_bound.values.tolist() == ["lower", "upper"]
    assert result.ci_bound.attrs["ci_method"] == result.attrs["ci_method"] == CI_BOOTSTRAP
    assert result.ci_bound.attrs["ci_level"] == result.attrs["ci_level"] == 0.9
    assert (result.attrs["base_size"], result.attrs["resamples"], result.attrs["seed"]) == (
        128,
        20,
        3,
    )
    assert "sample" not in result.coords
    for name, values in result.data_vars.items():
        assert values.attrs["long_name"]
        assert values.attrs["units"] == ("see variance_units" if name == "variance" else "1")
    assert result.variance_units.values.tolist()[0] == "(cmH2O)2"


def test_every_output_finds_its_way_back(design, outputs):
    """Against the kernel on one column at a time."""
    result = estimate(design, outputs)
    for outcome, where in [
        ("auto_peep", {}),
        ("release_volume", {"time": 2}),
        ("flow_ratio", {"time": 1, "rule": 0}),
        ("flow_ratio", {"time": 3, "rule": 1}),
    ]:
        one = sobol_indices(
            outputs[outcome].isel(where).values[:, None],
            factors=3,
            resamples=20,
            rng=seed_stream(0, RESAMPLING_STREAM),
        )
        # an outcome without a dim is the same all along it, so the first place will do
        place = {"time": 0, "rule": 0} | where
        found = result.sel(outcome=outcome).isel(place)
        for name in ("first", "total"):
            # BLAS may sum in another order for another number of columns
            assert found[name].values == pytest.approx(getattr(one, name)[:, 0], abs=1e-12)
        for name in ("second", "second_interval"):
            expected = getattr(one, name)[:, :, 0]
            assert found[name].values == pytest.approx(expected, abs=1e-12, nan_ok=True)
        expected = one.first_interval[:, 0]
        assert found["first_interval"].values == pytest.approx(expected, abs=1e-12)
        assert float(found["variance"]) == pytest.approx(one.variance[0], rel=1e-12)


def test_an_outcome_is_repeated_along_the_dims_that_it_lacks(design, outputs):
    first = estimate(design, outputs)["first"].sel(outcome="auto_peep")
    assert (first == first.isel(time=0, rule=0)).all()


def test_coordinates_of_the_extra_dims_stay(design, outputs):
    result = estimate(design, outputs)
    for name in ("time", "rule", "breath"):
        xr.testing.assert_identical(result[name].variable, outputs[name].variable)


def test_all_outputs_go_through_the_kernel_at_once(design, outputs, monkeypatch):
    shapes = []

    def watched(columns, **options):
        shapes.append(columns.shape)
        return sobol_indices(columns, **options)

    monkeypatch.setattr(sensitivity, "sobol_indices", watched)
    estimate(design, outputs)
    assert shapes == [(128 * 8, 1 + 4 + 8)]


def test_without_second_order_there_is_none():
    design = draw_sobol_design(NAMES, 64, second_order=False, seed=0)
    result = estimate(design, xr.Dataset({"auto_peep": design.unit.sum("parameter")}))
    assert "second" not in result
    assert "second_interval" not in result
    # three equal shares; 64 rows of Sobol points
    assert result["first"].values[0] == pytest.approx([1 / 3] * 3, abs=0.05)


def test_zero_is_a_seed(design, outputs):
    zero, again, one = (estimate(design, outputs, seed=seed) for seed in (0, 0, 1))
    xr.testing.assert_identical(zero, again)
    assert (zero["first_interval"] != one["first_interval"]).any()
    xr.testing.assert_equal(zero["first"], one["first"])
    with pytest.raises(EbbmapError, match="seed must be an integer >= 0; got None"):
        estimate(design, outputs, seed=None)


def test_every_outcome_that_is_not_finite_is_named(design, outputs):
    outputs["auto_peep"][31] = np.nan
    outputs["flow_ratio"][0, 40:42, 3] = np.inf
    with pytest.raises(NonFiniteOutcomeError) as caught:
        estimate(design, outputs)
    assert str(caught.value).splitlines() == [
        "auto_peep has 1 non-finite of 1,024 values (first: sample 31); "
        'pass nan_policy="drop_block".',
        "flow_ratio has 2 non-finite of 8,192 values (first: sample 40); "
        'pass nan_policy="drop_block".',
    ]


def test_each_output_loses_its_own_base_rows_only(design, outputs):
    complete = estimate(design, outputs)
    outputs["flow_ratio"].loc[{"rule": "flow", "time": 0.5, "sample": [8, 15, 16]}] = np.nan
    result = estimate(design, outputs, nan_policy="drop_block")
    lost = result["dropped"].sel(outcome="flow_ratio", rule="flow", time=0.5)
    assert int(lost) == int(result["dropped"].sum()) == 2
    # elsewhere only the order of the sums may differ
    unchanged = result["first"].where(result["dropped"] == 0, complete["first"])
    assert unchanged.values == pytest.approx(complete["first"].values, abs=1e-12)
    # this outcome does not depend on the third parameter, whose index is zero either way
    changed = (result["first"] != complete["first"]).sel(parameter=["compliance", "t_low"])
    assert changed.sel(outcome="flow_ratio", rule="flow", time=0.5).all()


def test_a_constant_outcome_has_no_indices(design, outputs):
    outputs["release_rate"] = xr.zeros_like(outputs["auto_peep"]) + 12.0
    result = estimate(design, outputs)
    assert result["first"].sel(outcome="release_rate").isnull().all()
    assert result["first"].drop_sel(outcome="release_rate").notnull().all()
    assert (result["variance"].sel(outcome="release_rate") == 0.0).all()


def test_flags_are_not_outcomes(design, outputs):
    outputs["status"] = xr.zeros_like(outputs["auto_peep"]).astype(np.int8)
    outputs["status"].attrs = {"flag_values": np.array([0, 1], dtype=np.int8)}
    assert "status" not in estimate(design, outputs).outcome


def test_a_yes_or_no_outcome_counts_as_one_and_zero(design, outputs):
    safe = outputs["auto_peep"] > 0.8
    result = estimate(design, xr.Dataset({"safe": safe}))
    xr.testing.assert_equal(result, estimate(design, xr.Dataset({"safe": safe.astype(float)})))


def test_what_does_not_belong_is_refused(design, outputs):
    with pytest.raises(DesignMismatchError, match="there are none"):
        estimate(design, outputs.drop_vars(list(outputs)))
    with pytest.raises(DesignMismatchError, match="auto_peep has none"):
        estimate(design, outputs.assign(auto_peep=0.0))
    with pytest.raises(DesignMismatchError, match="sample of the outputs must count"):
        estimate(design, outputs.isel(sample=slice(None, None, -1)))
    with pytest.raises(DesignMismatchError, match="design must be 'sobol'"):
        estimate(draw_random_design(NAMES, 1024, seed=0), outputs)


def test_a_result_survives_a_file(design, outputs, tmp_path):
    result = estimate(design, outputs)
    result.to_netcdf(tmp_path / "indices.nc", engine="scipy")
    with xr.open_dataset(tmp_path / "indices.nc", engine="scipy") as found:
        xr.testing.assert_equal(found.load(), result)
        assert found.attrs == result.attrs


@pytest.mark.parametrize("kind", ["sobol", "screening", "shapley"])
def test_every_estimate_names_the_outcome_that_is_not_finite(kind):
    from ebbmap.analyses.screening import estimate_effects
    from ebbmap.analyses.shapley import estimate_shapley
    from ebbmap.cases import design as designs

    draw, find, column = {
        "sobol": (designs.draw_sobol_design, estimate_sobol, "unit"),
        "screening": (designs.draw_morris_design, estimate_effects, "unit"),
        "shapley": (designs.draw_shapley_design, estimate_shapley, "score"),
    }[kind]
    drawn = draw(["compliance", "resistance_exp"], 32, seed=0)
    plain = drawn[column].sum("parameter")
    bad = plain.copy(deep=True)
    bad[7] = np.nan
    with pytest.raises(NonFiniteOutcomeError) as caught:
        find(drawn, xr.Dataset({"auto_peep": plain, "paco2": bad}))
    assert str(caught.value) == (
        f"paco2 has 1 non-finite of {plain.size:,} values (first: sample 7); "
        'pass nan_policy="drop_block".'
    )
