import numpy as np
import pytest
import xarray as xr

from ebbmap.analyses.map import Map, find_map
from ebbmap.analyses.sweep import Sweep, find_sweep
from ebbmap.errors import EbbmapError, TooLargeError
from ebbmap.files.study import parse_study
from ebbmap.runs import check_begun, forecast, foresee, plan, status_of, streams, study_ledger
from ebbmap.runs.counts import QUANTILE_ERROR
from ebbmap.tables.runs import run_status


@pytest.fixture(scope="module")
def study(small):
    return parse_study(small.text)


@pytest.fixture(scope="module")
def in_memory(study):
    return find_sweep(study.question, Sweep(outcomes=["auto_peep"]), axes=study.axes)


@pytest.fixture(scope="module")
def stored(undisturbed):
    with xr.open_zarr(undisturbed / "cases.zarr") as opened:
        yield opened.load()


@pytest.fixture(scope="module")
def summed(undisturbed):
    with xr.open_dataset(undisturbed / "cases_summary.nc") as opened:
        yield opened.load()


def plain(attrs):
    return {key: np.asarray(value).tolist() for key, value in attrs.items()}


def test_the_store_holds_what_a_sweep_in_memory_holds_bit_for_bit(stored, in_memory):
    assert set(stored.data_vars) == set(in_memory.data_vars)
    for name, array in in_memory.data_vars.items():
        same = array.transpose(*stored[name].dims)
        np.testing.assert_array_equal(stored[name].values, same.values, err_msg=str(name))
        assert stored[name].dtype == array.dtype
        assert plain(stored[name].attrs) == plain(array.attrs)


def test_the_store_has_the_axes_the_lungs_and_the_defaults_as_coordinates(stored, in_memory):
    assert set(stored.coords) == set(in_memory.coords)
    for name in ("compliance", "resistance_exp", "t_high"):
        same = in_memory[name].transpose(*stored[name].dims)
        np.testing.assert_array_equal(stored[name], same)
        assert stored[name].attrs["units"] == in_memory[name].attrs["units"]


def test_the_store_names_its_study(stored, study):
    assert stored.attrs["study"] == study.text
    assert stored.attrs["study_hash"] == study.digest
    assert stored.attrs["caution"]


def test_streamed_shares_are_those_of_the_map(summed, study):
    axes = {name: study.axes[name] for name in ("p_high", "t_low", "compliance")}
    mapped = find_map(
        study.question, Map(x="p_high", y="t_low", average_over=["compliance"]), axes=axes
    )
    for name in ("safe_share", "caution_share", "undetermined_share", "broken_share"):
        same = mapped[name].transpose(*summed[name].dims).reindex_like(summed)
        np.testing.assert_array_equal(summed[name].values, same.values, err_msg=name)


def test_every_case_has_one_nearest_limit_or_is_undetermined(summed, stored):
    for rule in ("flow_ratio", "exhaled_fraction"):
        binding = stored[f"binding_{rule}"]
        known = (binding >= 0).sum(["sample", "compliance"])
        counted = summed["binding_count"].sel(rule=rule).sum("bound")
        np.testing.assert_array_equal(counted.transpose(*known.dims), known)


def test_streamed_extremes_are_exact(summed, stored):
    values = stored["auto_peep"].values.reshape(2, -1)
    found = summed["auto_peep_extremes"]
    np.testing.assert_array_equal(found.sel(extreme="least"), values.min(axis=1))
    np.testing.assert_array_equal(found.sel(extreme="greatest"), values.max(axis=1))


def test_streamed_quantiles_keep_their_stated_error(summed, stored):
    for name in ("auto_peep", "flow_ratio", "release_volume_per_kg"):
        values = stored[name].values.reshape(2, -1)
        exact = np.quantile(values, summed["quantile"], axis=1, method="lower").T
        # half a bin, and the rounding of a value to float32 that may push it into the next
        np.testing.assert_allclose(
            summed[f"{name}_quantiles"], exact, rtol=QUANTILE_ERROR * (1 + 1e-4)
        )


def test_two_workers_give_the_same_bytes(small, undisturbed, tmp_path):
    small.run(small.text, tmp_path / "out", workers=2)
    assert small.fingerprint(tmp_path / "out") == small.fingerprint(undisturbed)


@pytest.mark.parametrize("block", [7001, 2**19])
def test_the_block_size_changes_no_number(small, block, undisturbed, stored, summed, tmp_path):
    text = small.text.replace("block = 2000", f"block = {block}")
    other, counted = small.run(text, tmp_path)
    for one, same in ((stored, other), (summed, counted)):
        xr.testing.assert_identical(one.drop_attrs(), same.drop_attrs())


def test_single_precision_keeps_its_stated_error(small, stored, tmp_path):
    text = small.text.replace('store = "zarr"', 'store = "zarr"\nprecision = "float32"')
    single = small.run(text, tmp_path)[0]
    assert single["auto_peep"].dtype == np.float32
    # half the distance of neighbouring float32
    np.testing.assert_allclose(single["auto_peep"], stored["auto_peep"], rtol=2.0**-24)
    assert "6.0e-08" in single.attrs["precision"]


def test_a_store_may_keep_chosen_outcomes_only(small, tmp_path):
    text = small.text.replace('reductions = ["safe_share", "extremes", "quantiles"]', "")
    text = text.replace('store = "zarr"', 'store = "zarr"\njudged = false\ncompression = "small"')
    (kept,) = small.run(text, tmp_path)
    assert set(kept.data_vars) == {"auto_peep", "status"}


def test_counts_need_no_store(small, summed, tmp_path):
    text = small.text.replace('store = "zarr"', 'store = "none"')
    (counted,) = small.run(text, tmp_path)
    assert not (tmp_path / "cases.zarr").exists()
    xr.testing.assert_identical(counted.drop_attrs(), summed.drop_attrs())


def test_a_sweep_goes_to_a_store_when_it_says_so_or_is_large(small):
    assert not streams(parse_study(small.base))
    assert streams(parse_study(small.base + "netcdf_up_to_gb = 0.0001"))
    assert streams(parse_study(small.base + 'store = "zarr"'))
    assert not streams(parse_study(small.base + 'store = "netcdf"\nnetcdf_up_to_gb = 0.0001'))


def test_ten_settings_and_properties_at_ten_values_are_ten_billion_cases(tmp_path):
    axes = {
        "p_high": (18, 30),
        "p_low": (0, 5),
        "t_high": (3, 6),
        "t_low": (0.2, 1.2),
        "compliance": (20, 80),
        "resistance_insp": (5, 20),
        "resistance_exp": (8, 40),
        "predicted_body_weight": (50, 90),
        "chest_wall_share": (0.2, 0.5),
        "alveolar_dead_space_share": (0.1, 0.4),
    }
    lines = [
        f"{n} = {{ start = {a:.1f}, stop = {b:.1f}, count = 10 }}" for n, (a, b) in axes.items()
    ]
    asked = parse_study(
        "\n".join(
            [
                'title = "large"',
                'lung = "linear"',
                "[axes]",
                *lines,
                "[limits]",
                'sets = ["pressure", "load"]',
                "[analyses.sweep]",
                'store = "none"',
                'reductions = ["safe_share"]',
                'reduce_to = ["p_high", "t_low"]',
            ]
        )
    )
    cost = foresee(asked, tmp_path, 2)
    assert cost.cases == 10**10
    assert cost.disk == 0
    assert cost.memory < 1e9
    assert not list(tmp_path.iterdir())


def test_what_does_not_fit_on_the_disk_is_refused(study, tmp_path, monkeypatch):
    from collections import namedtuple

    usage = namedtuple("usage", "total used free")
    monkeypatch.setattr(forecast.shutil, "disk_usage", lambda path: usage(1000, 0, 1000))
    cost = foresee(study, tmp_path, 1)
    with pytest.raises(TooLargeError, match=r"must fit on the disk .*store = 'none'"):
        forecast.check_room([cost], tmp_path)


def test_workers_that_do_not_fit_in_memory_are_refused(study, tmp_path):
    cost = foresee(study, tmp_path, 4096)
    with pytest.raises(TooLargeError, match="fewer --workers"):
        forecast.check_room([cost], tmp_path)


def test_status_says_what_is_done(small, undisturbed):
    (sweep_part,) = status_of(undisturbed).parts
    assert (sweep_part.done, sweep_part.pieces) == (12, 12)
    assert sweep_part.cases == sweep_part.all_cases == 2 * 3 * 5 * 2 * 300
    assert sweep_part.rate > 0
    assert not status_of(undisturbed).running


def test_a_folder_without_a_run_has_no_status(tmp_path):
    assert status_of(tmp_path) is None
    with pytest.raises(EbbmapError, match="must hold a run that can be resumed"):
        run_status(tmp_path)


@pytest.mark.parametrize("fresh", [False, True])
def test_a_store_that_no_run_made_is_left_alone(small, fresh, tmp_path):
    (tmp_path / "cases.zarr").mkdir()
    with pytest.raises(EbbmapError, match="no run of this kind made it"):
        small.run(small.text, tmp_path, fresh=fresh)
    assert (tmp_path / "cases.zarr").is_dir()


CHANGES = [
    ("lungs = 300", "lungs = 301", "study.lungs was 300, is 301"),
    ("p_low = 0.0", "p_low = 1.0", "study.fixed.p_low was 0.0, is 1.0"),
    ("block = 2000", "block = 3000", "study.analyses.sweep.block was 2000, is 3000"),
]


@pytest.mark.parametrize(("before", "after", "told"), CHANGES)
def test_a_changed_study_is_refused_with_what_changed(
    small, undisturbed, tmp_path, before, after, told
):
    kept = small.fingerprint(undisturbed)
    with pytest.raises(EbbmapError, match="holds another run") as error:
        small.run(small.text.replace(before, after), undisturbed)
    assert told in str(error.value)
    assert small.fingerprint(undisturbed) == kept


def test_other_code_is_refused(study, small, undisturbed, monkeypatch):
    monkeypatch.setattr(plan, "code_fingerprint", lambda: "another")
    with pytest.raises(EbbmapError, match=r'code was ".*", is "another"'):
        check_begun(study_ledger(study, undisturbed))
