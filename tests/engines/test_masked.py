"""Functions for those where a mask holds, compiled and not, against plain indexing."""

import numpy as np
import pytest

from ebbmap.engines.columns import double_precision
from ebbmap.engines.masked import added, chosen, for_some, mapped, put
from ebbmap.engines.repeated import Repeated, filled_size, on_device, on_host

RNG = np.random.default_rng(0)
SIZE = 1000
MASKS = {
    "none": np.zeros(SIZE, bool),
    "some": RNG.random(SIZE) < 0.2,
    "last": np.arange(SIZE) == SIZE - 1,
    "all": np.ones(SIZE, bool),
}


def tree():
    return {
        "volume": np.arange(SIZE, dtype=float),
        "rows": (np.ones((3, SIZE)), np.zeros(SIZE, int)),
    }


def change(part, given):
    scale, one_for_all = given
    return {
        "volume": part["volume"] * scale + one_for_all,
        "rows": (part["rows"][0] + part["volume"], 7),
    }


GIVEN = (RNG.random(SIZE), np.array(2.0))


def by_hand(mask):
    found = tree()
    found["rows"][0][:, mask] += found["volume"][mask]
    found["volume"][mask] = found["volume"][mask] * GIVEN[0][mask] + 2.0
    found["rows"][1][mask] = 7
    return found


def equal(one, other):
    mapped(np.testing.assert_array_equal, one, other)


@pytest.mark.parametrize("name", MASKS)
def test_numpy_changes_some_in_place(name):
    given = tree()
    found = for_some(MASKS[name], change, given, GIVEN)
    equal(found, by_hand(MASKS[name]))
    assert found is given


@pytest.mark.parametrize("name", MASKS)
@pytest.mark.parametrize("at_once", [None, 64, 4000])
def test_jax_changes_the_same_compiled(name, at_once):
    pytest.importorskip("jax")
    with double_precision() as jax:
        compiled = jax.jit(lambda mask, *trees: for_some(mask, change, *trees, at_once))
        found = on_host(compiled(MASKS[name], on_device(tree()), on_device(GIVEN)))
    # a compiler may take a product and a sum in one rounding
    mapped(
        lambda one, two: np.testing.assert_allclose(one, two, rtol=1e-15),
        found,
        by_hand(MASKS[name]),
    )


def test_other_engines_keep_what_a_mask_leaves():
    strict = pytest.importorskip("array_api_strict")
    mask = strict.asarray(MASKS["some"])
    found = for_some(mask, lambda part, more: part + more, strict.asarray(GIVEN[0]), 1.0)
    np.testing.assert_array_equal(np.asarray(found), GIVEN[0] + MASKS["some"])


def test_a_choice_an_entry_and_a_sum():
    jax = pytest.importorskip("jax")
    for engine in (np, jax.numpy):
        with double_precision():
            array = engine.zeros((2, 3))
            assert np.asarray(put(array, 1, 5.0)).tolist() == [[0.0] * 3, [5.0] * 3]
            total = added(engine.zeros(2), engine.asarray([True, False]))
            assert np.asarray(total).tolist() == [1.0, 0.0]
            picked = chosen(engine.asarray(2) > 1, (total,), (total + 1.0,))
            assert np.asarray(picked[0]).tolist() == [1.0, 0.0]


def test_a_step_is_repeated_until_something_is_left_and_goes_on():
    pytest.importorskip("jax")

    def step(minute, carried, given):
        count, left = carried
        return count + given, left | (count == minute - 3)

    repeated = Repeated(step, lambda carried: carried[1])
    start = np.array([0, -2000, -4000]), np.zeros(3, bool)
    time, carried = repeated.run(0, 100, on_device(start), on_device(np.array([0, 1, 1])))
    # the first is at 0 in minute 3
    assert time == 4
    (left,) = repeated.left(carried)
    assert left.tolist() == [0]
    assert repeated.take(carried[0], left).tolist() == [0]
    carried = repeated.put(carried, left, (np.full(left.size, -9000), np.zeros(left.size, bool)))
    time, carried = repeated.run(time, 100, carried, on_device(np.array([0, 1, 1])))
    assert time == 100
    assert on_host(carried[0]).tolist() == [-9000, -1900, -3900]
    assert not list(repeated.left(carried))


def test_sizes_are_filled_up_by_an_eighth_at_most():
    sizes = np.arange(1, 5000)
    filled = np.array([filled_size(int(size)) for size in sizes])
    assert (filled >= sizes).all()
    assert (filled <= sizes * 1.125).all()
    # eight sizes for each doubling
    assert np.unique(filled).size < 8 * 14
