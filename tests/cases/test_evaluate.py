import numpy as np
import pytest

from ebbmap.cases.evaluate import (
    BLOCK,
    NOT_CONVERGED,
    OK,
    OUT_OF_DOMAIN,
    boxes,
    evaluate,
    resolve,
    start_up,
)
from ebbmap.errors import EbbmapError
from ebbmap.lungs.linear import LINEAR, cycle, solve


@pytest.fixture
def grid():
    """Values on three axes, none of them full."""
    rng = np.random.default_rng(0)
    return {
        "t_low": np.linspace(0.2, 1.5, 7)[:, None, None],
        "p_high": np.linspace(18, 32, 5)[:, None],
        "compliance": rng.uniform(20, 90, 33),
        "resistance_exp": rng.uniform(8, 40, (5, 33)),
        "predicted_body_weight": np.array(70.0),
    }


def assert_same(found, expected):
    assert set(found.outcomes) == set(expected.outcomes)
    np.testing.assert_array_equal(found.status, expected.status)
    for name, values in expected.outcomes.items():
        np.testing.assert_array_equal(found.outcomes[name], values, err_msg=name)


@pytest.mark.parametrize("block", [1, 7, 100, 1001, BLOCK])
def test_the_size_of_a_block_changes_no_bit(grid, block):
    assert_same(evaluate(LINEAR, grid, block=block), evaluate(LINEAR, grid, block=10**9))


def test_broadcasting_equals_full_arrays(grid):
    full = dict(zip(grid, np.broadcast_arrays(*grid.values()), strict=True))
    found, expected = evaluate(LINEAR, grid), evaluate(LINEAR, full)
    assert found.status.shape == (7, 5, 33)
    for name, values in expected.outcomes.items():
        # vectorised exponentials may round the last digit another way
        np.testing.assert_allclose(found.outcomes[name], values, rtol=1e-14, err_msg=name)


@pytest.mark.parametrize("shape", [(), (1,), (5,), (3, 4), (2, 1, 7), (4, 0)])
@pytest.mark.parametrize("size", [1, 3, 4, 1000])
def test_boxes_cover_every_case_once(shape, size):
    seen = np.zeros(shape, dtype=int)
    for box in boxes(shape, size):
        assert seen[box].size <= size
        seen[box] += 1
    assert (seen == 1).all()


def test_progress_adds_up_to_all_cases(grid):
    done = []
    evaluate(LINEAR, grid, block=100, progress=done.append)
    assert sum(done) == 7 * 5 * 33


def test_pressures_in_the_wrong_order_are_out_of_domain_and_nothing_else_is():
    p_high, p_low = np.meshgrid(np.linspace(5, 30, 26), np.linspace(0, 20, 21))
    mechanical = (*LINEAR.solves, "flow_ratio", "release_rate", "mean_airway_pressure")
    found = evaluate(LINEAR, {"p_high": p_high, "p_low": p_low}, mechanical, block=50)
    wrong = p_high <= p_low
    assert wrong.any()
    np.testing.assert_array_equal(found.status, np.where(wrong, OUT_OF_DOMAIN, OK))
    for name in mechanical:
        np.testing.assert_array_equal(np.isnan(found.outcomes[name]), wrong, err_msg=name)


def test_a_case_that_did_not_settle_is_nan_in_every_outcome():
    found = evaluate(LINEAR, {"compliance": np.array([50.0, np.nan])})
    assert found.status.tolist() == [OK, NOT_CONVERGED]
    for name, values in found.outcomes.items():
        assert np.isnan(values).tolist() == [False, True], name


@pytest.mark.parametrize(("sex", "expected"), [(0.0, 66.07), (1.0, 70.57)])
def test_weight_is_derived_from_height_and_sex(sex, expected):
    given = {"height": np.array(175.0), "sex": np.array(sex)}
    found = evaluate(LINEAR, given, ("release_volume", "release_volume_per_kg")).outcomes
    weight = found["release_volume"] / found["release_volume_per_kg"]
    assert weight == pytest.approx(expected, abs=5e-3)  # printed digits


def test_t_low_is_derived_from_a_multiple_of_the_time_constant():
    given = {"t_low_in_time_constants": np.array([0.5, 1.0]), "compliance": np.array(40.0)}
    found = evaluate(LINEAR, given, ("release_in_time_constants", "flow_ratio")).outcomes
    np.testing.assert_allclose(found["release_in_time_constants"], [0.5, 1.0], rtol=1e-15)
    np.testing.assert_allclose(found["flow_ratio"], np.exp([-0.5, -1.0]), rtol=1e-14)


@pytest.mark.parametrize(
    ("values", "text"),
    [
        ({"t_low": 0.5, "t_low_in_time_constants": 1.0}, "t_low is given twice"),
        ({"predicted_body_weight": 70.0, "height": 170.0}, "predicted_body_weight is given twice"),
    ],
)
def test_a_parameter_given_twice_is_refused(values, text):
    with pytest.raises(EbbmapError, match=text):
        evaluate(LINEAR, values)


def test_what_is_not_given_takes_its_default():
    assert resolve({}, ("p_high", "t_low")) == {"p_high": 25.0, "t_low": 0.5}


def test_given_arrays_are_filled(grid):
    names = ("flow_ratio", "auto_peep")
    out = {name: np.full((7, 5, 33), np.inf) for name in names}
    found = evaluate(LINEAR, grid, names, out=out)
    for name in names:
        assert found.outcomes[name] is out[name]
    assert_same(found, evaluate(LINEAR, grid, names))


def test_inputs_stay_as_they_are(grid):
    before = {name: values.copy() for name, values in grid.items()}
    evaluate(LINEAR, grid)
    for name, values in before.items():
        np.testing.assert_array_equal(grid[name], values)


def test_an_unknown_outcome_is_refused():
    with pytest.raises(EbbmapError, match="did you mean 'auto_peep'"):
        evaluate(LINEAR, {}, ("auto_pep",))


@pytest.mark.parametrize(
    ("values", "start", "shape"),
    [
        ({}, 5.0, ()),
        ({"t_low": np.array([0.3, 0.5])}, 5.0, (2,)),
        ({}, np.array([0.0, 5.0, 10.0]), (3,)),
        ({"t_low": np.array([[0.3], [0.5]])}, np.array([0.0, 5.0, 10.0]), (2, 3)),
    ],
    ids=str,
)
def test_first_cycles_have_their_own_last_axis(values, start, shape):
    first = start_up(LINEAR, values, start_pressure=start, cycles=4)
    assert {array.shape for array in first.values()} == {(*shape, 4)}


def test_first_cycles_are_the_lungs_own():
    given = dict(
        p_high=25.0,
        p_low=2.0,
        t_high=2.0,
        t_low=0.4,
        compliance=60.0,
        resistance_insp=15.0,
        resistance_exp=25.0,
    )
    first = start_up(LINEAR, given, start_pressure=8.0, cycles=60)
    one, state = cycle(8.0, **given)
    two, _ = cycle(state, **given)
    assert first["release_volume"][:2].tolist() == [one["release_volume"], two["release_volume"]]
    assert first["auto_peep"][-1] == pytest.approx(solve(**given)["end_release_pressure"] - 2)


def test_no_cycle_is_refused():
    with pytest.raises(EbbmapError, match="cycles must be >= 1; got 0"):
        start_up(LINEAR, {}, start_pressure=5.0, cycles=0)
