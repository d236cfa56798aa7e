import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ebbmap.kernels.judging import CAUTION, NO_BOUND, SAFE, UNDETERMINED, UNSAFE
from ebbmap.kernels.shares import shares, shares_of_counts
from ebbmap.runs.counts import BINS, QUANTILE_ERROR, bin_values, count_verdicts, quantiles
from ebbmap.runs.layout import cut


def binned(values):
    counts = np.zeros(BINS, np.int64)
    bins, found = bin_values(values)
    counts[bins] = found
    return counts


@settings(max_examples=200, deadline=None, derandomize=True, database=None)
@given(st.lists(st.integers(1, 12), min_size=2, max_size=5), st.integers(1, 500))
def test_blocks_tile_the_cases_and_are_no_larger_than_asked(shape, cases):
    layout = cut([f"d{i}" for i in range(len(shape))], shape, cases)
    seen = np.zeros(shape, int)
    for number in range(layout.blocks):
        box = layout.box(number)
        seen[box] += 1
        assert seen[box].size == layout.cases_in(number) <= cases
        assert box[0].stop - box[0].start == 1
    assert np.all(seen == 1)


def test_counts_by_cell_give_the_shares_of_the_map():
    rng = np.random.default_rng(3)
    verdict = rng.integers(0, 4, (6, 50)).astype(np.int8)
    binding = np.where(verdict == UNDETERMINED, NO_BOUND, rng.integers(0, 3, (6, 50)))
    binding = binding.astype(np.int8)
    counts = count_verdicts(verdict, binding, np.arange(6)[:, None], cells=6, bounds=3)
    by_verdict = counts.sum(axis=-1)
    found = shares_of_counts(
        by_verdict[:, SAFE],
        by_verdict[:, CAUTION],
        by_verdict[:, UNDETERMINED],
        counts[:, UNSAFE, :3].T,
        cases=50,
    )
    whole = shares(verdict, binding, bounds=3)
    for name in ("safe", "safe_low", "safe_high", "caution", "undetermined", "broken"):
        np.testing.assert_array_equal(getattr(found, name), getattr(whole, name))
    np.testing.assert_array_equal(found.commonest, whole.commonest)
    assert counts.sum() == 300


def test_quantiles_of_values_of_both_signs_keep_their_error():
    values = np.random.default_rng(5).normal(0.0, 10.0, 20_001)
    marks = (0.0, 0.01, 0.3, 0.5, 0.9, 1.0)
    exact = np.quantile(values, marks, method="lower")
    # half a bin, and the rounding to float32 that may push a value into the next
    np.testing.assert_allclose(
        quantiles(binned(values), marks), exact, rtol=QUANTILE_ERROR * (1 + 1e-4)
    )


def test_missing_values_are_in_no_bin_and_nothing_has_no_quantile():
    assert np.isnan(quantiles(binned(np.array([np.nan, np.nan])), [0.5])).all()
    assert binned(np.array([np.nan, 2.0])).sum() == 1


@pytest.mark.parametrize("zero", [0.0, -0.0])
def test_nought_is_read_as_nought(zero):
    assert quantiles(binned(np.array([zero, zero, zero])), [0.5])[0] == 0.0
