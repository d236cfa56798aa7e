import subprocess
import sys

import numpy as np
import pytest

from ebbmap.errors import DesignMismatchError, EbbmapError, NonFiniteOutcomeError
from ebbmap.kernels.sobol import sobol_indices, split

N, FACTORS = 256, 3
BLOCK = 2 * FACTORS + 2


def saltelli(n=N, second_order=True, seed=7):
    a, b = np.random.default_rng(seed).random((2, n, 1, FACTORS))
    own = np.eye(FACTORS, dtype=bool)
    parts = [a, np.where(own, b, a), np.where(own, a, b), b]
    if not second_order:
        del parts[2]
    return np.concatenate(parts, axis=1).reshape(-1, FACTORS)


@pytest.fixture
def outputs():
    """Three outputs: additive, with an interaction, and shifted far from zero."""
    x = saltelli()
    additive = x @ [1.0, 2.0, 3.0]
    product = x[:, 0] * x[:, 1] + x[:, 2]
    return np.stack([additive, product, 50.0 - additive], axis=1)


def estimate(outputs, **options):
    return sobol_indices(outputs, **({"factors": FACTORS, "resamples": 50, "rng": 0} | options))


def assert_same(one, other, columns=slice(None), **tolerance):
    for name in ("first", "total", "second"):
        expected = getattr(other, name)[..., columns]
        assert getattr(one, name) == pytest.approx(expected, nan_ok=True, **tolerance)
        bounds = getattr(other, name + "_interval")[..., columns, :]
        assert getattr(one, name + "_interval") == pytest.approx(bounds, nan_ok=True, **tolerance)
    assert one.variance == pytest.approx(other.variance[columns], nan_ok=True, **tolerance)


def test_split_puts_every_row_where_it_belongs():
    # base row 10 i; row of the block in the last digit
    outputs = (10.0 * np.arange(4)[:, None] + np.arange(BLOCK)).reshape(-1, 1)
    a, b, ab, ba = split(outputs, FACTORS)
    assert a[:, 0].tolist() == [0, 10, 20, 30]
    assert b[:, 0].tolist() == [7, 17, 27, 37]
    assert ab[1, :, 0].tolist() == [11, 12, 13]
    assert ba[1, :, 0].tolist() == [14, 15, 16]
    assert all(np.shares_memory(part, outputs) for part in (a, b, ab, ba))


def test_split_without_second_order_has_no_ba():
    a, b, ab, ba = split(np.arange(10.0)[:, None], FACTORS, second_order=False)
    assert (a.shape, b.shape, ab.shape, ba) == ((2, 1), (2, 1), (2, 3, 1), None)


@pytest.mark.parametrize("rows", [0, 1, BLOCK - 1, BLOCK + 1])
def test_wrong_row_counts_are_refused(rows):
    with pytest.raises(DesignMismatchError, match=f"multiple of 8 rows; got {rows}"):
        split(np.zeros((rows, 1)), FACTORS)
    with pytest.raises(DesignMismatchError, match=f"multiple of 8 rows; got {rows}"):
        estimate(np.zeros((rows, 1)))


def test_outputs_must_have_two_axes():
    with pytest.raises(DesignMismatchError, match="two axes"):
        estimate(np.zeros(BLOCK))


@pytest.mark.parametrize(
    ("options", "text"),
    [
        ({"resamples": 1}, "resamples must be >= 2; got 1"),
        ({"level": 1.0}, "level must be between 0 and 1; got 1.0"),
        ({"level": 0.0}, "level must be between 0 and 1; got 0.0"),
        ({"nan_policy": "fill"}, "nan_policy must be 'raise' or 'drop_block'; got 'fill'"),
        ({"factors": 0}, "factors must be >= 1; got 0"),
    ],
)
def test_illegal_options_are_refused(outputs, options, text):
    with pytest.raises(EbbmapError, match=text):
        estimate(outputs, **options)


def test_estimators_with_ba_rows_are_the_papers(outputs):
    """Written as sums of products, expanded from the definitions, factor by factor."""
    indices = estimate(outputs)
    a, b, ab, ba = split(outputs, FACTORS)
    # rounding of means of 256 products
    close = {"abs": 1e-12}
    assert indices.variance == pytest.approx(np.concatenate([a, b]).var(axis=0), **close)
    scale = [
        ((a - b) ** 2).mean(axis=0) + ((ab[:, j] - ba[:, j]) ** 2).mean(axis=0)
        for j in range(FACTORS)
    ]
    for j in range(FACTORS):
        shared = (ba[:, j] * a - ba[:, j] * ab[:, j] - b * a + b * ab[:, j]).mean(axis=0)
        # values near 50 are squared before they are subtracted here, which costs three digits
        assert indices.first[j] == pytest.approx(2.0 * shared / scale[j], abs=1e-9)
        apart = ((b - ba[:, j]) ** 2 + (a - ab[:, j]) ** 2).mean(axis=0)
        assert indices.total[j] == pytest.approx(apart / scale[j], **close)
    apart = ((ba[:, 0] - ab[:, 1]) ** 2 + (ba[:, 1] - ab[:, 0]) ** 2).mean(axis=0)
    closed = 1.0 - 2.0 * apart / (scale[0] + scale[1])
    expected = closed - indices.first[0] - indices.first[1]
    assert indices.second[0, 1] == pytest.approx(expected, **close)


def test_estimators_without_ba_rows_are_the_papers():
    x = saltelli(second_order=False)
    outputs = np.stack([x @ [1.0, 2.0, 3.0], x[:, 0] * x[:, 1] + x[:, 2]], axis=1)
    indices = estimate(outputs, second_order=False)
    a, b, ab, _ = split(outputs - outputs.mean(axis=0), FACTORS, second_order=False)
    variance = np.concatenate([a, b]).var(axis=0)
    first = (b[:, None] * (ab - a[:, None])).mean(axis=0) / variance
    # rounding of means of 256 products
    assert indices.first == pytest.approx(first, abs=1e-12)
    total = ((a[:, None] - ab) ** 2).mean(axis=0) / (2.0 * variance)
    assert indices.total == pytest.approx(total, abs=1e-12)


def test_an_index_that_few_rows_carry_has_no_interval():
    """One row in 256 decides the first output; a factor does nothing at all to the second."""
    rare, inert = np.zeros((2, N, BLOCK))
    rare[17, 0] = rare[17, 4] = 1.0
    a, b = np.random.default_rng(0).random((2, N))
    # factors 0 and 1 are of one mind, factor 2 is inert: AB_2 is A and BA_2 is B
    inert[:] = np.stack([a, b, b, a, a, a, b, b], axis=1)
    indices = estimate(np.stack([rare.ravel(), inert.ravel()], axis=1))
    assert np.isfinite(indices.first).all()
    assert np.isnan(indices.first_interval[:, 0]).all()
    assert np.isnan(indices.total_interval[:, 0]).all()
    assert indices.first[2, 1] == indices.total[2, 1] == 0.0
    assert indices.first_interval[2, 1].tolist() == [0.0, 0.0]
    assert np.isfinite(indices.first_interval[:, 1]).all()


def test_second_order_is_symmetric_without_a_diagonal(outputs):
    second = estimate(outputs).second
    np.testing.assert_array_equal(second, second.transpose(1, 0, 2))
    assert (np.isnan(second).all(axis=2) == np.eye(FACTORS, dtype=bool)).all()


def test_without_second_order_there_is_none():
    x = saltelli(second_order=False)
    indices = estimate((x @ [1.0, 2.0, 3.0])[:, None], second_order=False)
    assert indices.second is None
    assert indices.second_interval is None
    # exact 1/14, 4/14, 9/14; a standard deviation at 256 independent rows is about 0.05
    assert indices.first[:, 0] == pytest.approx(np.array([1, 4, 9]) / 14, abs=0.15)


def test_one_factor_has_no_pairs():
    a, b = np.random.default_rng(0).random((2, N))
    outputs = np.stack([a, b, a, b], axis=1).reshape(-1, 1)
    indices = sobol_indices(outputs, factors=1, resamples=10, rng=0)
    # AB is B and BA is A; 1 up to the sampling error of cov(A, B) at 256 rows, about 1/16
    assert indices.first[0, 0] == pytest.approx(1.0, abs=0.2)
    assert indices.second.shape == (1, 1, 1)
    assert np.isnan(indices.second).all()


def test_indices_do_not_change_with_scale_and_origin(outputs):
    indices = estimate(outputs)
    huge = estimate(1e150 * outputs)
    # one rounding for the scale, then the same sums
    assert huge.first == pytest.approx(indices.first, abs=1e-12)
    assert huge.first_interval == pytest.approx(indices.first_interval, abs=1e-12)
    # 50 - additive differs in origin and sign
    assert indices.total[:, 2] == pytest.approx(indices.total[:, 0], abs=1e-12)


def test_an_output_does_not_feel_the_others(outputs):
    indices = estimate(outputs)
    # BLAS may sum in another order for another number of columns
    assert_same(estimate(outputs[:, 1:2]), indices, slice(1, 2), abs=1e-12)


def test_cutting_the_outputs_changes_nothing(outputs, monkeypatch):
    whole = estimate(outputs)
    monkeypatch.setattr("ebbmap.kernels.sobol.PRODUCT_BYTES", 1)
    assert_same(estimate(outputs), whole, abs=1e-12)


def test_zero_is_a_seed(outputs):
    zero = estimate(outputs, rng=0).first_interval
    np.testing.assert_array_equal(zero, estimate(outputs, rng=0).first_interval)
    np.testing.assert_array_equal(
        zero, estimate(outputs, rng=np.random.default_rng(0)).first_interval
    )
    assert (zero != estimate(outputs, rng=1).first_interval).all()
    assert (zero != estimate(outputs, rng=None).first_interval).all()


def test_the_seed_does_not_touch_the_estimates(outputs):
    np.testing.assert_array_equal(estimate(outputs, rng=0).first, estimate(outputs, rng=1).first)


def test_a_higher_level_gives_a_wider_interval(outputs):
    narrow, wide = (np.diff(estimate(outputs, level=level).first_interval) for level in (0.8, 0.99))
    # normal quantiles: 2.5758 over 1.2816
    assert wide / narrow == pytest.approx(np.full(wide.shape, 2.00991), rel=1e-4)


def test_negative_estimates_are_shown():
    x = saltelli()
    noise = np.random.default_rng(3).standard_normal(len(x))
    indices = estimate(np.stack([x[:, 0] + noise, x[:, 1] - noise], axis=1))
    assert (indices.first < 0.0).any()
    assert (indices.first_interval[..., 0] < 0.0).any()


@pytest.mark.parametrize("value", [0.0, 3.3, -1e9, 1e-300])
def test_a_constant_output_has_no_indices(outputs, value):
    indices = estimate(np.column_stack([np.full(len(outputs), value), outputs]))
    for array in (indices.first, indices.total, indices.first_interval, indices.total_interval):
        assert np.isnan(array[:, 0]).all()
        assert np.isfinite(array[:, 1:]).all()
    assert np.isnan(indices.second[:, :, 0]).all()
    assert indices.variance[0] == 0.0


def test_rounding_is_not_variance(outputs):
    scatter = 0.1 + 1e-17 + np.spacing(0.1) * (np.arange(len(outputs)) % 3)
    assert np.isnan(estimate(scatter[:, None]).first).all()


def test_small_variation_on_a_large_value_is_variance(outputs):
    indices = estimate(outputs)
    small = estimate(1e6 + 1e-3 * outputs)
    # 1e-3 on 1e6 leaves seven digits
    assert small.first == pytest.approx(indices.first, abs=1e-5)


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_one_value_that_is_not_finite_is_refused(outputs, value):
    outputs[17, 1] = value
    text = r"1 of 6,144 values are not \(first: row 17, output 1\)\. Pass nan_policy"
    with pytest.raises(NonFiniteOutcomeError, match=text):
        estimate(outputs)


@pytest.mark.parametrize("value", [np.nan, np.inf])
def test_dropping_equals_the_design_without_these_base_rows(outputs, value):
    lost = [3, 100, 255]
    complete = estimate(outputs)
    for row, inside in zip(lost, (0, 4, BLOCK - 1), strict=True):
        outputs[row * BLOCK + inside, 1] = value
    dropped = estimate(outputs, nan_policy="drop_block", resamples=2000)
    assert dropped.dropped.tolist() == [0, 3, 0]

    left = np.delete(outputs.reshape(N, BLOCK, 3), lost, axis=0).reshape(-1, 3)
    without = estimate(left, resamples=2000)
    for name in ("first", "total", "second"):
        found = getattr(dropped, name)[..., 1]
        assert found == pytest.approx(getattr(without, name)[..., 1], abs=1e-12, nan_ok=True)
        # resamples differ, for here lost rows are drawn too; 2000 give a width to 1.6 %
        widths = (np.diff(getattr(x, name + "_interval")[..., 1, :]) for x in (dropped, without))
        assert next(widths) == pytest.approx(next(widths), rel=0.09, nan_ok=True)
        # the outputs beside it keep all their rows
        for other in (0, 2):
            expected = getattr(complete, name)[..., other]
            assert getattr(dropped, name)[..., other] == pytest.approx(
                expected, abs=1e-12, nan_ok=True
            )
    assert dropped.variance[1] == pytest.approx(without.variance[1], rel=1e-12)


def test_nothing_left_gives_no_indices(outputs):
    outputs[::BLOCK, 0] = np.nan
    indices = estimate(outputs, nan_policy="drop_block")
    assert indices.dropped.tolist() == [N, 0, 0]
    assert np.isnan(indices.first[:, 0]).all()
    assert np.isnan(indices.variance[0])
    assert np.isfinite(indices.first[:, 1:]).all()


def test_the_outputs_are_left_as_they_were(outputs):
    outputs[5, 0] = np.nan
    before = outputs.copy()
    estimate(outputs, nan_policy="drop_block")
    np.testing.assert_array_equal(outputs, before)


@pytest.mark.slow
def test_memory_stays_bounded():
    """440 outputs (twenty release times by 22 outcomes) of 8192 base rows and six factors."""
    code = """
import re
from pathlib import Path
import numpy as np
from ebbmap.kernels.sobol import sobol_indices
outputs = np.random.default_rng(0).random((8192 * 14, 440))
sobol_indices(outputs, factors=6, resamples=1000, rng=0)
print(*re.findall(r"VmHWM:\\s+(\\d+) kB", Path("/proc/self/status").read_text()))
"""
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    # of this program alone: what its parent once took would count as well in `ru_maxrss`
    # the outputs take 404 MB, counts 66 MB, products 64 MB and their kin a few times that
    assert float(run.stdout) / 1e3 < 1000.0
