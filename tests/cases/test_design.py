import json

import numpy as np
import pytest
import xarray as xr
from scipy.stats import qmc

from ebbmap.cases.design import (
    DESIGN_STREAM,
    RESAMPLING_STREAM,
    check_design,
    draw_random_design,
    draw_sobol_design,
    seed_stream,
)
from ebbmap.cases.design.draw import HALF_CELL
from ebbmap.errors import DesignMismatchError, EbbmapError

NAMES = ["compliance", "resistance_exp", "t_low"]


@pytest.fixture(params=[True, False], ids=["second order", "first order"])
def design(request):
    return draw_sobol_design(NAMES, 16, second_order=request.param, seed=0)


def altered(design, unit):
    return design.assign(unit=design.unit.copy(data=unit))


def test_a_design_says_how_it_was_drawn(design):
    assert design.attrs["design"] == "sobol"
    assert design.attrs["base_size"] == 16
    assert design.attrs["seed"] == 0
    assert set(json.loads(design.attrs["versions"])) == {"SALib", "scipy", "numpy"}
    assert design.parameter.values.tolist() == NAMES
    assert design.unit.attrs["units"] == "1"
    rows = 16 * (8 if design.attrs["second_order"] else 5)
    assert design.sample.values.tolist() == list(range(rows))
    check_design(design)


@pytest.mark.parametrize("draw", [draw_sobol_design, draw_random_design])
def test_a_design_survives_a_file(draw, tmp_path):
    design = draw(NAMES, 16, seed=0)
    design.to_netcdf(tmp_path / "design.nc", engine="scipy")
    with xr.open_dataset(tmp_path / "design.nc", engine="scipy") as found:
        xr.testing.assert_equal(found.load(), design)
        assert {name: found.attrs[name] for name in design.attrs} == design.attrs
        if draw is draw_sobol_design:
            check_design(found)


@pytest.mark.parametrize("seed", [0, 5])
def test_the_points_are_scrambled_by_the_stated_seed(seed):
    unit = draw_sobol_design(NAMES, 32, seed=seed).unit.values.reshape(32, 8, 3)
    rng = np.random.default_rng(seed_stream(seed, DESIGN_STREAM))
    expected = qmc.Sobol(6, scramble=True, rng=rng).random(32) + HALF_CELL
    np.testing.assert_array_equal(unit[:, 0], expected[:, :3])
    np.testing.assert_array_equal(unit[:, -1], expected[:, 3:])


@pytest.mark.parametrize("draw", [draw_sobol_design, draw_random_design])
def test_zero_is_a_seed(draw):
    zero, again, one = (draw(NAMES, 16, seed=seed).unit.values for seed in (0, 0, 1))
    np.testing.assert_array_equal(zero, again)
    assert (zero != one).all()


def test_design_and_resampling_draw_from_different_streams():
    draws = [
        np.random.default_rng(seed_stream(0, stream)).random(4).tolist()
        for stream in (DESIGN_STREAM, RESAMPLING_STREAM)
    ]
    assert draws[0] != draws[1]


def test_points_lie_strictly_inside(design):
    for unit in (design.unit, draw_random_design(NAMES, 1000, seed=0).unit):
        assert float(unit.min()) > 0.0
        assert float(unit.max()) < 1.0


@pytest.mark.parametrize("second_order", [True, False])
def test_a_design_is_the_first_rows_of_the_next_larger_one(second_order):
    small, large = (
        draw_sobol_design(NAMES, n, second_order=second_order, seed=0).unit for n in (64, 128)
    )
    np.testing.assert_array_equal(small, large[: small.sizes["sample"]])


def test_a_random_design_covers_every_slice_once():
    unit = draw_random_design(NAMES, 100, seed=0).unit.values
    slices = np.sort(np.floor(unit * 100).astype(int), axis=0)
    np.testing.assert_array_equal(slices, np.repeat(np.arange(100)[:, None], 3, axis=1))


@pytest.mark.parametrize(("n", "nearest"), [(0, 2), (1, 2), (3, 4), (1000, 1024), (-4, 2)])
def test_base_rows_must_be_a_power_of_two(n, nearest):
    with pytest.raises(EbbmapError, match=rf"power of two >= 2; got {n}\. Try {nearest}\."):
        draw_sobol_design(NAMES, n, seed=0)


def test_base_rows_must_be_a_whole_number():
    with pytest.raises(EbbmapError, match=r"power of two >= 2; got 16\.0"):
        draw_sobol_design(NAMES, 16.0, seed=0)


@pytest.mark.parametrize("n", [0, -1, 2.5])
def test_random_points_must_be_a_number(n):
    with pytest.raises(EbbmapError, match=f"n must be an integer >= 1; got {n}"):
        draw_random_design(NAMES, n, seed=0)


@pytest.mark.parametrize("draw", [draw_sobol_design, draw_random_design])
@pytest.mark.parametrize("seed", [None, -1, 1.5])
def test_a_seed_must_be_stated(draw, seed):
    with pytest.raises(EbbmapError, match=f"seed must be an integer >= 0; got {seed}"):
        draw(NAMES, 16, seed=seed)


@pytest.mark.parametrize("draw", [draw_sobol_design, draw_random_design])
@pytest.mark.parametrize("names", [[], ["t_low", "t_low"]])
def test_names_must_be_distinct(draw, names):
    with pytest.raises(EbbmapError, match="distinct parameter names"):
        draw(names, 16, seed=0)


def test_another_design_is_refused():
    with pytest.raises(DesignMismatchError, match="design must be 'sobol'; got 'latin_hypercube'"):
        check_design(draw_random_design(NAMES, 16, seed=0))


def test_an_unlabelled_dataset_is_refused():
    with pytest.raises(DesignMismatchError, match="design must be 'sobol'; got None"):
        check_design(xr.Dataset())


def test_a_design_without_its_labels_is_refused(design):
    del design.attrs["base_size"]
    with pytest.raises(DesignMismatchError, match="lacks base_size, unit"):
        check_design(design.drop_vars("unit"))


def test_a_reordered_design_is_refused(design):
    order = np.random.default_rng(0).permutation(design.sizes["sample"])
    with pytest.raises(DesignMismatchError, match="sample of the design must count"):
        check_design(design.isel(sample=order))


@pytest.mark.parametrize("rows", [slice(0, -1), slice(1, None), slice(0, 0), slice(0, 16)])
def test_a_truncated_design_is_refused(design, rows):
    with pytest.raises(DesignMismatchError, match=r"the design must have \d+ rows"):
        check_design(design.isel(sample=rows))


def test_a_wrong_order_is_refused(design):
    design.attrs["second_order"] = 1 - design.attrs["second_order"]
    with pytest.raises(DesignMismatchError, match=r"the design must have \d+ rows"):
        check_design(design)


def test_a_missing_parameter_is_refused(design):
    with pytest.raises(DesignMismatchError, match=r"the design must have \d+ rows"):
        check_design(design.isel(parameter=[0, 1]))


def test_rows_in_another_order_under_good_labels_are_refused(design):
    with pytest.raises(DesignMismatchError, match="each base block must hold"):
        check_design(altered(design, design.unit.values[::-1]))


def test_swapped_columns_of_one_row_are_found(design):
    unit = design.unit.values.copy()
    unit[10] = unit[10, ::-1]
    block = design.sizes["sample"] // 16
    with pytest.raises(DesignMismatchError, match=rf"sample {10 if 10 % block else 11}"):
        check_design(altered(design, unit))


def test_swapped_rows_within_a_block_are_found(design):
    unit = design.unit.values.copy()
    unit[[1, 2]] = unit[[2, 1]]
    with pytest.raises(DesignMismatchError, match="it does not \\(sample 1\\)"):
        check_design(altered(design, unit))


def test_a_point_that_is_no_number_is_found(design):
    unit = design.unit.values.copy()
    unit[3, 1] = np.nan
    with pytest.raises(DesignMismatchError, match="sample 3"):
        check_design(altered(design, unit))


def test_outputs_must_have_the_rows_of_the_design(design):
    outputs = xr.Dataset({"auto_peep": design.unit.sum("parameter")})
    check_design(design, outputs)
    with pytest.raises(DesignMismatchError, match=r"the outputs must have \d+ rows"):
        check_design(design, outputs.isel(sample=slice(0, 8)))
    with pytest.raises(DesignMismatchError, match=r"sample of the outputs must count .* got \d+ "):
        check_design(design, outputs.isel(sample=slice(None, None, -1)))
    with pytest.raises(DesignMismatchError, match="must have the sample coordinate"):
        check_design(design, outputs.drop_vars("sample"))
